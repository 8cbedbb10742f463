"""The books of stock: what came in, what went out and what is left, in grams and money, by a cost flow.

The Money page and the exports call it. It must not know spools, days or currencies.

Of every span: opening + brought in + bought - went back - closing = used + differences + written off, to the cent,
whatever happened: value only moves from one of these to another. Source: IAS 2, 25 to 27 (from memory): the cost of
interchangeable goods is by weighted average, here of each moment, or by first in, first out.
"""

from abc import ABC, abstractmethod
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, fields
from typing import NamedTuple, Self

from spoolkeep.domain.split import largest_remainders
from spoolkeep.domain.words import CostFlow, Kind


class Moved(NamedTuple):
    """What one kind of line moved of one item: signed milligrams, and the minor units that it brought in or added."""

    kind: Kind
    mg: int
    value_minor: int


@dataclass(frozen=True)
class Flow:
    """The books of some items over a span: milligrams and minor units of each column; amounts out are positive."""

    opening_mg: int = 0
    opening_minor: int = 0
    brought_mg: int = 0
    brought_minor: int = 0
    """What was there when the books began, or went over from another item; below 0 where it went to another."""
    bought_mg: int = 0
    bought_minor: int = 0
    """With freight, and later changes of cost."""
    returned_mg: int = 0
    returned_minor: int = 0
    """What went back to its supplier."""
    used_mg: int = 0
    used_minor: int = 0
    """What jobs drew, good and waste."""
    differed_mg: int = 0
    differed_minor: int = 0
    """What weighing and counting found missing; below 0 where they found more."""
    written_off_mg: int = 0
    written_off_minor: int = 0
    """Scrap, and what was lost."""
    closing_mg: int = 0
    closing_minor: int = 0

    def __add__(self, other: Self) -> "Flow":
        """Give two items' books as one."""
        return Flow(*(getattr(self, one.name) + getattr(other, one.name) for one in fields(self)))

    @property
    def gap_minor(self) -> int:
        """Give what the identity lacks: 0, always."""
        came = self.opening_minor + self.brought_minor + self.bought_minor - self.returned_minor
        return came - self.closing_minor - self.used_minor - self.differed_minor - self.written_off_minor


class Pool(ABC):
    """The stock of one item by a cost flow. Grams may fall below 0 where a report came late; cost never does."""

    def __init__(self) -> None:
        self.mg = self.minor = 0

    def put(self, mg: int, minor: int) -> int:
        """Take in grams at a cost; give what of it bears grams that left before they were booked in."""
        owed = min(max(0, -self.mg), mg)
        used = part(minor, owed, mg)
        self.mg += mg
        self.minor += minor - used
        self._lay(mg - owed, minor - used)
        return used

    def take(self, mg: int) -> int:
        """Give the cost of so many milligrams that leave; more than is there cost what there is."""
        out = self._cost_of(mg, newest=False)
        self.mg -= mg
        self.minor -= out
        return out

    def give_back(self, mg: int) -> int:
        """Give the cost of so many milligrams that go back to where they came from."""
        out = self._cost_of(mg, newest=True)
        self.mg -= mg
        self.minor -= out
        return out

    def bear(self, minor: int) -> int:
        """Let what is there cost so much more, or less; give what of it could not be borne."""
        borne = max(minor, -self.minor) if self.mg > 0 else 0
        self._spread(borne)
        self.minor += borne
        return minor - borne

    def settle(self) -> int:
        """Give the cost that nothing is left to bear."""
        if self.mg > 0:
            return 0
        out, self.minor = self.minor, 0
        return out

    @abstractmethod
    def _lay(self, mg: int, minor: int) -> None:
        """Lay in what came."""

    @abstractmethod
    def _cost_of(self, mg: int, *, newest: bool) -> int:
        """Give the cost of so many milligrams, and forget them."""

    @abstractmethod
    def _spread(self, minor: int) -> None:
        """Let what is there bear a cost."""


class AveragePool(Pool):
    """What leaves costs the mean of what is there."""

    def _cost_of(self, mg: int, *, newest: bool) -> int:
        _ = newest  # all of it is alike
        return self.minor if mg >= self.mg else part(self.minor, mg, self.mg)

    def _spread(self, minor: int) -> None:
        pass  # all of it is alike

    def _lay(self, mg: int, minor: int) -> None:
        pass  # as above


class FifoPool(Pool):
    """What leaves costs what the oldest of it cost; what goes back, what the newest did."""

    def __init__(self) -> None:
        super().__init__()
        self._layers: list[tuple[int, int]] = []

    def _lay(self, mg: int, minor: int) -> None:
        if mg > 0:
            self._layers.append((mg, minor))

    def settle(self) -> int:
        """Give the cost that nothing is left to bear."""
        if self.mg <= 0:
            self._layers.clear()
        return super().settle()

    def _cost_of(self, mg: int, *, newest: bool) -> int:
        out, at = 0, -1 if newest else 0
        while self._layers and mg > 0:
            layer_mg, layer_minor = self._layers[at]
            if mg < layer_mg:
                cost = part(layer_minor, mg, layer_mg)
                self._layers[at] = (layer_mg - mg, layer_minor - cost)
                return out + cost
            del self._layers[at]
            out, mg = out + layer_minor, mg - layer_mg
        return out

    def _spread(self, minor: int) -> None:
        costs = [cost for _, cost in self._layers]
        parts = largest_remainders(minor, [mg for mg, _ in self._layers] if minor >= 0 else costs)
        self._layers = [(mg, cost + more) for (mg, cost), more in zip(self._layers, parts, strict=True)]


POOLS: dict[CostFlow, type[Pool]] = {CostFlow.AVERAGE: AveragePool, CostFlow.FIFO: FifoPool}
_COLUMNS = {
    Kind.OPENING: "brought",
    Kind.DELIVERY: "bought",
    Kind.COST: "bought",
    Kind.RETURN: "returned",
    Kind.DRAW: "used",
    Kind.WEIGHING: "differed",
    Kind.COUNT: "differed",
    Kind.FOUND: "differed",
    Kind.SCRAP: "written_off",
    Kind.WRITE_OFF: "written_off",
}
_UNITS = ("mg", "minor")
_IN = frozenset({"brought", "bought"})
_RANK = {kind: rank for rank, kind in enumerate(_COLUMNS)}


def run(pool: Pool, moved: Iterable[Moved]) -> Flow:
    """Give the books of one item over a span, from its pool at the span's start, which is left as at its end.

    `moved` are the sums of one day after another, those of a day in the order of `day_order`.
    """
    sums = {name: [0, 0] for name in dict.fromkeys(_COLUMNS.values())}
    opening = (pool.mg, pool.minor)
    for one in moved:
        column = _COLUMNS[one.kind]
        mg, minor, besides = _received(pool, one) if column in _IN else _moved(pool, one, column)
        sums[column][0] += mg
        sums[column][1] += minor
        sums["used"][1] += besides + pool.settle()
    return _flow(opening, sums, (pool.mg, pool.minor))


def one_by_one(before: Flow, moved: Iterable[Moved]) -> Flow:
    """Give the books with the cost of each spool itself, as the lines have it, after those of the span before."""
    sums = {name: [0, 0] for name in dict.fromkeys(_COLUMNS.values())}
    mg, minor = before.closing_mg, before.closing_minor
    for one in moved:
        column = _COLUMNS[one.kind]
        sign = 1 if column in _IN else -1
        sums[column][0] += sign * one.mg
        sums[column][1] += sign * one.value_minor
        mg, minor = mg + one.mg, minor + one.value_minor
    return _flow((before.closing_mg, before.closing_minor), sums, (mg, minor))


def day_order(one: Moved) -> tuple[bool, int]:
    """Give by what the lines of one day are sorted: what came in, then what was found, then what went out.

    What came in and is taken back leaves before anything comes in its place.
    """
    if one.mg < 0 and _COLUMNS[one.kind] in _IN:
        return False, -1
    return (one.mg <= 0 and _COLUMNS[one.kind] not in _IN), _RANK[one.kind]


def _flow(opening: tuple[int, int], sums: Mapping[str, Sequence[int]], closing: tuple[int, int]) -> Flow:
    columns = {"opening": opening, **sums, "closing": closing}
    return Flow(**{f"{name}_{unit}": both[at] for name, both in columns.items() for at, unit in enumerate(_UNITS)})


def _received(pool: Pool, one: Moved) -> tuple[int, int, int]:
    """Give what a line that brings in adds to its column, grams and cost, and what of it was used already."""
    if one.mg == 0:
        return 0, one.value_minor, pool.bear(one.value_minor)
    if one.mg < 0:  # a delivery taken back: what it cost has in part left with what was drawn
        return one.mg, one.value_minor, one.value_minor + pool.give_back(-one.mg)
    return one.mg, one.value_minor, pool.put(one.mg, one.value_minor)


def _moved(pool: Pool, one: Moved, column: str) -> tuple[int, int, int]:
    """Give what a line that takes out, or finds, adds to its column, and 0."""
    if one.mg == 0:  # a later cost of what was drawn already
        return 0, pool.bear(one.value_minor) - one.value_minor, 0
    if one.mg > 0:  # found, or a draw taken back: at what a gram costs here now
        minor = part(pool.minor, one.mg, pool.mg) if pool.mg > 0 else 0
        pool.put(one.mg, minor)
        return -one.mg, -minor, 0
    return -one.mg, (pool.give_back if column == "returned" else pool.take)(-one.mg), 0


def part(minor: int, mg: int, of_mg: int) -> int:
    """Give the part of a cost that so many milligrams of others bear, half up."""
    return (2 * minor * mg + of_mg) // (2 * of_mg)
