"""Which spool to take from the shelf for so many grams: ranked, each with the reason in one line.

The Bench, Tonight and an item's page ask it. It must not know rows or places.

A cutting-stock problem that is met one job at a time: every job cuts a length off some spool, and what is left in the
end and fits no job is lost. Best fit with a look at what it leaves is the usual rule. Source: best fit, Johnson 1974,
Journal of Computer and System Sciences 8(3), 272 to 314 (from memory); the order of the rest is the trade's.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date

from spoolkeep.domain.units import MG_PER_G

HEAVY_MG = 3_000_000
"""From here a reel is taken from a low place. Source: our own choice; local codes on lifting come first."""
HIGH_MM = 1400
"""Above the shoulder of many people. Source: common practice, no source."""


@dataclass(frozen=True)
class Candidate:
    """A spool that could be taken."""

    spool_id: int
    left_mg: int
    surely_mg: int
    """What is on it at the least: the lower bound of what is probably left."""
    opened: bool
    received_on: date
    height_mm: int | None = None
    """Of its place."""
    hindered: str = ""
    """Why the machine cannot take it; empty where it can."""
    thirsty: bool = False


@dataclass(frozen=True)
class Pick:
    """A spool, what stays on it after the job, and why it is this one."""

    spool_id: int
    rest_mg: int
    why: str


@dataclass(frozen=True)
class Uses:
    """What an item's rests are good for."""

    usual_mg: int
    """A rest of less than the item's usual job fits nothing, and lies about."""
    scrap_mg: int = 0
    """A rest of no more than this is thrown away and lies about nowhere: the spool is used up."""

    def lost_mg(self, rest_mg: int) -> int:
        """Give what of a rest lies about and fits nothing."""
        return rest_mg if self.scrap_mg < rest_mg < self.usual_mg else 0


def ranked(candidates: Iterable[Candidate], *, needs_mg: int, uses: Uses) -> list[Pick]:
    """Give the spools that last for a job of `needs_mg`, the one to take first at the top.

    One that will not last, or that the machine cannot take, is never given.
    """
    able = [one for one in candidates if not one.hindered and one.surely_mg >= needs_mg]
    able.sort(key=lambda one: _order(one, needs_mg, uses))
    return [Pick(one.spool_id, one.left_mg - needs_mg, _why(one, needs_mg, uses)) for one in able]


def _order(one: Candidate, needs_mg: int, uses: Uses) -> tuple[object, ...]:
    rest_mg = one.left_mg - needs_mg
    too_high = one.left_mg >= HEAVY_MG and (one.height_mm or 0) > HIGH_MM
    return (one.thirsty, not one.opened, too_high, uses.lost_mg(rest_mg), rest_mg, one.received_on, one.spool_id)


def _why(one: Candidate, needs_mg: int, uses: Uses) -> str:
    rest_mg = one.left_mg - needs_mg
    begun = "opened already" if one.opened else "sealed"
    if rest_mg <= uses.scrap_mg:
        return f"{begun}; it is used up by it"
    less = ", too little for a usual job" if uses.lost_mg(rest_mg) else ""
    return f"{begun}; {rest_mg / MG_PER_G:.0f} g left over{less}"
