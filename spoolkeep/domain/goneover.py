"""What went over from one item to another in the books: spools that were booked under the wrong item.

The books of stock call it. It must not know spools or currencies.
"""

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from itertools import chain

from spoolkeep.domain.books import Moved, Pool, run
from spoolkeep.domain.words import Kind

Day = tuple[date, list[Moved]]


@dataclass(frozen=True)
class Over:
    """Milligrams that went over from one item to another as a day began, and what they cost by themselves.

    Below 0 where more than all had left by then: so much went the other way.
    """

    day: date
    from_id: int
    to_id: int
    mg: int
    value_minor: int


def gone_over(days: Mapping[int, Sequence[Day]], over: Iterable[Over], pool: type[Pool] | None) -> dict[int, list[Day]]:
    """Give the days of each item with what went over at the head of its day, as if it had been brought in or out.

    It leaves at what it costs by the item's pool, as what goes back does, or at its own cost where there is no pool,
    and arrives at that: so both items together keep every cent.
    """
    heads: dict[int, dict[date, list[Moved]]] = defaultdict(lambda: defaultdict(list))
    for one in sorted(over, key=lambda one: one.day):
        went = one if one.mg >= 0 else Over(one.day, one.to_id, one.from_id, -one.mg, -one.value_minor)
        before = heads[went.from_id]
        minor = went.value_minor if pool is None else _cost(pool(), days.get(went.from_id, ()), before, went)
        for article, sign in ((went.from_id, -1), (went.to_id, 1)):
            heads[article][went.day].append(Moved(Kind.OPENING, sign * went.mg, sign * minor))
    return {article: _with_heads(days.get(article, ()), heads[article]) for article in sorted({*days, *heads})}


def _with_heads(days: Iterable[Day], heads: Mapping[date, Sequence[Moved]]) -> list[Day]:
    known = dict(days)
    return [(day, [*heads.get(day, ()), *known.get(day, ())]) for day in sorted({*known, *heads})]


def _cost(pool: Pool, days: Iterable[Day], heads: Mapping[date, Sequence[Moved]], went: Over) -> int:
    """Give what so many milligrams of an item cost as a day begins, after what went over from it before."""
    earlier = [(day, moved) for day, moved in _with_heads(days, heads) if day < went.day]
    run(pool, chain(chain.from_iterable(moved for _, moved in earlier), heads.get(went.day, ())))
    return pool.give_back(went.mg)
