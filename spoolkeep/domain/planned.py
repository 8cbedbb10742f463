"""What the order plan is made of: ways to buy, suppliers, the house, and what it says of each item and supplier.

The order plan fills these, and pages, sheets and the command line read them. Nothing here reckons.
"""

from dataclasses import dataclass
from enum import StrEnum
from typing import NamedTuple

from spoolkeep.domain.replenish import Cycle
from spoolkeep.domain.shortfall import HORIZON, Floats
from spoolkeep.domain.terms import Bill, OfferTerms, SellerTerms


class State(StrEnum):
    """Where an item stands."""

    NOW = "order now"
    BY = "order by"
    ENOUGH = "enough"
    NOBODY = "nobody sells it"


class Cause(StrEnum):
    """Why an item is in an order."""

    LATE = "late"
    """It has more likely than not run out before it comes."""
    RISK = "risk"
    """It may run out at a greater chance than is accepted of it."""
    DUE = "due"
    """To wait would cost more, in what it may run out, than the order."""
    ENDS = "ends"
    """Its price ends, and what is bought at it spares more than an order costs."""
    JOINS = "joins"
    """It shares the parcel: it would be due before the next one."""


class Lot(NamedTuple):
    """One way to buy an item."""

    item: int
    """Its row."""
    source: int
    terms: OfferTerms
    beside_minor_per_kg: float = 0.0
    """What a kilogram of it costs beside price and parcel: the hand, what fails."""
    from_days: int = 0
    """In how many days it can be ordered first."""
    until_days: int | None = None
    """In how many days it can be ordered last; None without an end."""


@dataclass(frozen=True)
class Source:
    """A supplier: what it asks, and when it delivers."""

    seller: SellerTerms
    serves: Floats
    """See Chance: the first day that an order of today serves."""
    idle_days: int = 0
    """For how many days an order of today lies before it is taken: so long it may wait without coming later."""
    every_days: int = 1
    """Days from then until orders are taken again."""


@dataclass(frozen=True)
class House:
    """What ordering and keeping costs the workshop, in minor units, and what limits it."""

    order_minor: float
    """Of the owner's time, for each order."""
    carry_a_day: float
    """Of the worth of what lies, as a share."""
    room_minor_a_day: float = 0.0
    """For each spool."""
    review_days: int = 1
    most_days: int = HORIZON
    budget_minor: int | None = None
    """For all orders of the day."""
    room_spools: int | None = None
    """For how many more spools there is room."""


class After(NamedTuple):
    """What so many spools do."""

    spools: int
    chance_out: float
    """That it runs out before the order after this one comes."""
    lasts_days: int
    """For how long it is covered, as drawn on average."""


@dataclass(frozen=True)
class Line:
    """How one item stands, and what to buy of it."""

    item: int
    state: State
    lot: Lot | None
    """How it is bought; None where nobody sells it."""
    spools: int
    cause: Cause | None
    raised: bool
    """Whether more is bought than is needed: for a price, free freight, or what a supplier takes at least."""
    chance_now: float
    """That it runs out before an order of today comes."""
    chance_week: float
    """That it runs out before an order of a week later comes."""
    order_by_days: int | None
    """In how many days it is to be ordered at the latest; None beyond the days that are told."""
    needed_days: int | None
    """In how many days an order of it must have come, so that it has run out before in one case of ten at most.

    None where the days that are told do not reach so far."""
    lasts_days: int
    """For how long what is here and coming lasts, as drawn on average."""
    daily: float
    """What is drawn a day, over the coming month."""
    after: tuple[After, ...]
    """What several numbers of spools do."""
    passed_over: Lot | None
    """A cheaper way that comes too late."""
    turn: "Turns | None" = None
    """What another price does to it."""

    def at(self, spools: int) -> After:
        """Give what so many spools do, on the line between those that are told; beyond them as the last."""
        low = max((one for one in self.after if one.spools <= spools), default=None)
        high = min((one for one in self.after if one.spools >= spools), default=low)
        if low is None or high is None:
            return After(spools, self.chance_now, self.lasts_days)
        part = 0.0 if high.spools == low.spools else (spools - low.spools) / (high.spools - low.spools)
        chance = low.chance_out + part * (high.chance_out - low.chance_out)
        return After(spools, chance, round(low.lasts_days + part * (high.lasts_days - low.lasts_days)))


class Turns(NamedTuple):
    """What another price does to an item: bought ahead of a dearer one, left for a better one, or nothing yet."""

    offer_id: int
    """At what it is bought then."""
    spared_minor: float
    ahead_spools: int
    """Bought ahead, else 0."""
    waits_days: int | None
    """In how many days it is ordered at the better one; None where it is not waited for."""


class Case(StrEnum):
    """In what the plan may be wrong."""

    AS_FORESEEN = "as foreseen"
    MORE = "a third more"
    LESS = "a third less"
    LATE = "a week late"


class Outcome(NamedTuple):
    """What comes of an order until the one after it, in minor units."""

    case: Case
    lost_minor: float
    """In what runs out."""
    lies_minor: float
    """In what lies."""
    out_days: float
    """Days on which an item has run out, of all items."""


@dataclass(frozen=True)
class SourcePlan:
    """What to do with one supplier today."""

    source: int
    is_due: bool
    bill: Bill | None
    cycle: Cycle
    next_days: int | None
    """In how many days the next order is expected; None beyond the days that are told."""
    outcomes: tuple[Outcome, ...]


@dataclass(frozen=True)
class Plan:
    """What to order today, and how each item stands, in the order of the items."""

    lines: tuple[Line, ...]
    sources: tuple[SourcePlan, ...]
    """Those from whom something is bought, now or later."""
