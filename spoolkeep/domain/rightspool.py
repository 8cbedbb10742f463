"""Whether a spool is the right one for a job on a machine: what is wrong with it, and how much that weighs.

The Bench, the board, Tonight and what says which spool to take ask it. It must not know rows or words of a page.

As hospitals hold wristband beside drug: a tired person takes the wrong one, so what is scanned is held beside what is
meant. Wrong material or diameter stops; what may be meant asks; what may only fall short tells.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum

from spoolkeep.domain.units import MG_PER_G

UM_PER_MM = 1000
SURE = 0.95
"""A spool lasts where its chance to is at least this. Source: our own choice."""
_NOT_LIKELY = 0.5
_HOURS_OF_A_DAY = 24
_REELS = ((300_000, 120), (800_000, 180), (1_200_000, 200), (2_600_000, 250), (3_500_000, 280), (6_000_000, 320))
_LARGEST_REEL_MM = 360
"""Usual outer widths of reels by what is wound on them, in milligrams. Source: common practice, no source."""


class Weight(StrEnum):
    """How much a fault weighs."""

    STOP = "stop"
    ASK = "ask"
    TELL = "tell"


@dataclass(frozen=True)
class Fault:
    """What is not right about a spool, in a sentence."""

    code: str
    weight: Weight
    words: str


@dataclass(frozen=True)
class Limits:
    """What a machine can take. None where nobody told it."""

    name: str
    largest_reel_mm: int | None = None
    enclosed: bool | None = None
    hardened: bool | None = None
    cardboard: bool = True


@dataclass(frozen=True)
class Kinds:
    """What an item is: its number, its names, its diameter, and what it asks of a machine."""

    article_id: int
    material: str
    colour: str
    diameter_um: int
    asks_enclosed: bool = False
    asks_hardened: bool = False


@dataclass(frozen=True)
class Wanted:
    """What a job wants on a feed. Without kinds it takes whatever is there."""

    job: str
    kinds: tuple[Kinds, ...] = ()
    """The item that was planned, or those of its product; any of them will do."""
    instead: frozenset[int] = frozenset()
    """Items that the owner accepts in their place."""
    make_id: int | None = None
    lot: str = ""
    """The lot that it began with, where all of it must be of one."""
    needs_mg: int = 0


@dataclass(frozen=True)
class Held:
    """A spool as it is held beside what is wanted."""

    kinds: Kinds
    left_mg: int
    chance: float | None = None
    """That it lasts for what is wanted, 0 to 1; None where nothing is."""
    make_id: int | None = None
    lot: str = ""
    reel_mm: int | None = None
    cardboard: bool = False
    aside: bool = False
    doubtful: bool = False
    out_hours: float | None = None
    """How long it has been out of the dry store; None where that does not matter."""
    may_hours: int | None = None
    dry: str = ""
    """How its material is dried."""
    drying: str = ""
    """That it is in a dryer and not dry yet, in a sentence."""


def usual_reel_mm(received_mg: int) -> int:
    """Give about how wide a reel is that so much is wound on. Source: common practice, no source."""
    return next((mm for most_mg, mm in _REELS if received_mg <= most_mg), _LARGEST_REEL_MM)


def faults(wanted: Wanted | None, held: Held, limits: Limits) -> tuple[Fault, ...]:
    """Give what is wrong with a spool, the gravest first; nothing where it is the right one."""
    found = [*_set_aside(held), *_machine_cannot(held, limits), *_tells(wanted, held)]
    if wanted is not None and wanted.kinds and not _accepted(wanted, held):
        found += _another(wanted, held)
    elif wanted is not None:
        found += _make_and_lot(wanted, held)
    return graver_first(found)


def of_standby(in_use: Kinds, waits: Held) -> tuple[Fault, ...]:
    """Give what is wrong with a spool that stands by: it goes on with the job of the one in use."""
    kinds = waits.kinds
    if waits.aside:
        words = "What stands by is set aside and must not be used until a person decides."
        return (Fault("aside", Weight.STOP, words),)
    there = f"What stands by is {kinds.material} {kinds.colour}, and {in_use.material} {in_use.colour} is in use."
    if (kinds.material, kinds.diameter_um) != (in_use.material, in_use.diameter_um):
        return (Fault("waits_material", Weight.STOP, there),)
    asks = () if kinds.article_id == in_use.article_id else (Fault("waits_colour", Weight.ASK, there),)
    return (*asks, *_tells_of_standby(waits))


def _tells_of_standby(waits: Held) -> list[Fault]:
    if waits.left_mg <= 0:
        return [Fault("waits_empty", Weight.TELL, "By the books what stands by is empty: weigh it.")]
    if waits.doubtful:
        return [Fault("waits_doubtful", Weight.TELL, "More was drawn from what stands by than was there: weigh it.")]
    return []


def graver_first(found: Iterable[Fault]) -> tuple[Fault, ...]:
    """Give faults, the gravest first."""
    weights = list(Weight)
    return tuple(sorted(found, key=lambda one: weights.index(one.weight)))


def worst(found: tuple[Fault, ...]) -> Weight | None:
    """Give the weight of the gravest fault."""
    return found[0].weight if found else None


def instead_of(wanted: Wanted, held: Held) -> str:
    """Say that an accepted substitute stands in for the item that is wanted; nothing where it does not."""
    theirs, numbers = held.kinds, {one.article_id for one in wanted.kinds}
    if not numbers or theirs.article_id in numbers or theirs.article_id not in wanted.instead:
        return ""
    alike = {one.material for one in wanted.kinds} == {theirs.material}
    names = dict.fromkeys(one.colour if alike else f"{one.material} {one.colour}" for one in wanted.kinds)
    return f"{theirs.colour if alike else f'{theirs.material} {theirs.colour}'} in place of {' or '.join(names)}."


def _accepted(wanted: Wanted, held: Held) -> bool:
    return held.kinds.article_id in wanted.instead | {one.article_id for one in wanted.kinds}


def _set_aside(held: Held) -> list[Fault]:
    if held.aside:
        return [Fault("aside", Weight.STOP, "It is set aside and must not be used until a person decides.")]
    if held.left_mg <= 0:
        return [Fault("empty", Weight.TELL, "By the books it is empty: weigh it.")]
    if held.doubtful:
        return [Fault("doubtful", Weight.TELL, "More was drawn from it than was there: weigh it.")]
    return []


def _another(wanted: Wanted, held: Held) -> list[Fault]:
    """Give what differs from the item that is wanted: what cannot be printed stops, another colour asks."""
    found = []
    materials = {one.material for one in wanted.kinds}
    if held.kinds.material not in materials:
        names = " or ".join(dict.fromkeys(f"{one.material} {one.colour}" for one in wanted.kinds))
        words = f"It is {held.kinds.material} {held.kinds.colour}, and “{wanted.job}” wants {names}."
        found.append(Fault("material", Weight.STOP, words))
    diameters = dict.fromkeys(one.diameter_um for one in wanted.kinds)
    if held.kinds.diameter_um not in diameters:
        mm = " or ".join(f"{um / UM_PER_MM:g} mm" for um in diameters)
        words = f"It is {held.kinds.diameter_um / UM_PER_MM:g} mm thick, and “{wanted.job}” wants {mm}."
        found.append(Fault("diameter", Weight.STOP, words))
    if not found:
        colours = " or ".join(dict.fromkeys(one.colour for one in wanted.kinds))
        words = f"It is {held.kinds.colour}, and “{wanted.job}” wants {colours}."
        found.append(Fault("colour", Weight.ASK, words))
    return found


def _make_and_lot(wanted: Wanted, held: Held) -> list[Fault]:
    found = []
    if wanted.make_id is not None and held.make_id != wanted.make_id:
        found.append(Fault("make", Weight.ASK, f"“{wanted.job}” takes one make only, and this is not known to be it."))
    if wanted.lot and held.lot != wanted.lot:
        lot = f"of lot {held.lot}" if held.lot else "of a lot that nobody noted"
        found.append(Fault("lot", Weight.ASK, f"It is {lot}, and “{wanted.job}” began with lot {wanted.lot}."))
    return found


def _machine_cannot(held: Held, limits: Limits) -> list[Fault]:
    found = []
    if limits.largest_reel_mm and held.reel_mm and held.reel_mm > limits.largest_reel_mm:
        words = f"Its reel is about {held.reel_mm} mm wide, and {limits.name} takes {limits.largest_reel_mm} mm."
        found.append(Fault("reel", Weight.ASK, words))
    if held.cardboard and not limits.cardboard:
        found.append(Fault("cardboard", Weight.ASK, f"Its reel is cardboard, which {limits.name} does not take."))
    if held.kinds.asks_enclosed and limits.enclosed is False:
        words = f"{held.kinds.material} warps in a draught, and {limits.name} is not closed in by Setup."
        found.append(Fault("enclosed", Weight.ASK, words))
    if held.kinds.asks_hardened and limits.hardened is False:
        words = f"It wears a brass nozzle down, and {limits.name} has no hardened one by Setup."
        found.append(Fault("hardened", Weight.ASK, words))
    return found


def _tells(wanted: Wanted | None, held: Held) -> list[Fault]:
    found = []
    if wanted is not None and held.chance is not None and held.chance < SURE and held.left_mg > 0:
        will = "it will not last" if held.chance < _NOT_LIKELY else "it may not last"
        needs, left = _grams(wanted.needs_mg), _grams(held.left_mg)
        found.append(
            Fault(
                "short",
                Weight.TELL,
                f"“{wanted.job}” needs {needs}, about {left} are left: {will} ({_percent(held.chance)} that it does).",
            )
        )
    if held.drying:
        found.append(Fault("drying", Weight.TELL, held.drying))
    if held.out_hours is not None and held.may_hours is not None and held.out_hours > held.may_hours:
        out = f"out of the dry store for about {_long(held.out_hours)}, and takes {_long(held.may_hours)}"
        dry = f" Dry it first: {held.dry}." if held.dry else " Dry it first, as its maker's sheet says."
        found.append(Fault("thirsty", Weight.TELL, f"{held.kinds.material} was {out}.{dry}"))
    return found


def _percent(chance: float) -> str:
    return f"{min(99, max(1, round(100 * chance)))} %"


def _grams(mg: float) -> str:
    return f"{mg / MG_PER_G:.0f} g"


def _long(hours: float) -> str:
    days = hours / _HOURS_OF_A_DAY
    return f"{days:.0f} days" if days >= 2 else f"{hours:.0f} hours"  # noqa: PLR2004 - two days are told as days
