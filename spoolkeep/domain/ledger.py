"""The arithmetic of one spool: what each reported event books, in the order in which things happened.

The store's ledger writer calls it, forwards for a new event and over again when a late one arrives.
It must not know rows, sessions or people.
"""

from collections.abc import Iterable
from datetime import datetime
from typing import NamedTuple

from spoolkeep.domain.words import Kind

RECEIPTS = frozenset({Kind.OPENING, Kind.DELIVERY})
"""The events that bring a spool into the books. They come first on their spool, whatever a wrong clock said."""

_RANK = {
    Kind.OPENING: 0,
    Kind.DELIVERY: 0,
    Kind.FOUND: 1,
    Kind.DRAW: 2,
    Kind.WEIGHING: 3,
    Kind.COUNT: 3,
    Kind.RETURN: 4,
    Kind.SCRAP: 4,
    Kind.WRITE_OFF: 4,
    Kind.COST: 5,
}


class Report(NamedTuple):
    """One event as it was reported: either grams that moved, or what was left just after it."""

    movement_id: int
    kind: Kind
    asked_mg: int | None
    """Signed milligrams that came (+) or went (-); None where the report is a level."""
    leaves_mg: int | None
    """Milligrams left just after; None where the report is an amount."""
    cost_minor: int = 0
    """What a receipt cost, or by how much a later change of cost moves it."""


class State(NamedTuple):
    """A spool at one moment."""

    left_mg: int = 0
    received_mg: int = 0
    cost_minor: int = 0
    doubtful: bool = False
    """More was drawn than was there, and nobody has weighed it since."""


class Booked(NamedTuple):
    """What one event comes to under one kind: the sum its ledger lines must have."""

    movement_id: int
    kind: Kind
    mg: int
    value_minor: int


def sort_key(kind: Kind, occurred_at: datetime, tie: str) -> str:
    """Give the text by which a spool's events are ordered: receipts, then moment, then kind, then `tie`.

    It does not depend on the order in which reports arrived, so shuffled reports come to the same sums.
    """
    first = "0" if kind in RECEIPTS else "1"
    return f"{first}|{occurred_at:%Y-%m-%dT%H:%M:%S.%f}|{_RANK[kind]}|{tie}"


def worth(state: State) -> int:
    """Give the value in minor units of what is left: cost x min(left, received) / received, half up."""
    if state.received_mg == 0:
        return 0
    mg = min(state.left_mg, state.received_mg)
    return (2 * state.cost_minor * mg + state.received_mg) // (2 * state.received_mg)


def step(state: State, report: Report) -> tuple[State, tuple[Booked, ...]]:
    """Give the state after `report`, and what it books. Value is the difference before and after."""
    if report.kind is Kind.COST:
        return _change_cost(state, report)
    if report.kind in RECEIPTS:
        return _receive(state, report)
    if report.leaves_mg is not None:
        return _settle(state, report, report.leaves_mg)
    return _move(state, report, report.asked_mg or 0)


def _receive(state: State, report: Report) -> tuple[State, tuple[Booked, ...]]:
    mg = report.asked_mg or 0
    after = State(state.left_mg + mg, state.received_mg + mg, state.cost_minor + report.cost_minor, state.doubtful)
    return after, (Booked(report.movement_id, report.kind, mg, worth(after) - worth(state)),)


def _settle(state: State, report: Report, leaves_mg: int) -> tuple[State, tuple[Booked, ...]]:
    after = state._replace(left_mg=leaves_mg, doubtful=False)
    return after, (Booked(report.movement_id, report.kind, leaves_mg - state.left_mg, worth(after) - worth(state)),)


def _move(state: State, report: Report, asked_mg: int) -> tuple[State, tuple[Booked, ...]]:
    missing_mg = max(0, -(state.left_mg + asked_mg))
    after = state._replace(left_mg=state.left_mg + asked_mg + missing_mg, doubtful=state.doubtful or missing_mg > 0)
    moved = Booked(report.movement_id, report.kind, asked_mg, worth(after) - worth(state))
    if not missing_mg:
        return after, (moved,)
    return after, (moved, Booked(report.movement_id, Kind.FOUND, missing_mg, 0))


def _change_cost(state: State, report: Report) -> tuple[State, tuple[Booked, ...]]:
    """Book a later cost whole; the share of plastic that is already gone is used at once."""
    after = state._replace(cost_minor=state.cost_minor + report.cost_minor)
    gone = worth(after) - worth(state) - report.cost_minor
    return after, (
        Booked(report.movement_id, Kind.COST, 0, report.cost_minor),
        Booked(report.movement_id, Kind.DRAW, 0, gone),
    )


def replay(reports: Iterable[Report], start: State | None = None) -> tuple[State, list[Booked]]:
    """Give the state after all `reports`, which are in order, and all that they book."""
    state = start or State()
    booked: list[Booked] = []
    for report in reports:
        state, lines = step(state, report)
        booked.extend(lines)
    return state, booked
