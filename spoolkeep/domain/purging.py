"""What it costs in plastic to change from one item to another on a machine of several feeds.

The page of a machine and the planning of a job ask it. It must not know rows.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from spoolkeep.domain.nearness import lightness

_LEAST, _MOST = 0.5, 1.5


@dataclass(frozen=True)
class Told:
    """Milligrams of a change as a person told them; without items, of any change."""

    mg: int
    from_id: int | None = None
    to_id: int | None = None


@dataclass(frozen=True)
class Filament:
    """An item, and its colours."""

    article_id: int
    srgb: tuple[str, ...] = ()


def change_mg(told: Iterable[Told], before: Filament, after: Filament) -> int:
    """Give the milligrams that a change purges: as told for the two, for one of them, else the usual one by lightness.

    From a dark plastic to a light one takes up to half more than the usual, the other way up to half less.
    Source: common practice, no source.
    """
    if before.article_id == after.article_id:
        return 0
    known = {(one.from_id, one.to_id): one.mg for one in told}
    for pair in ((before.article_id, after.article_id), (None, after.article_id), (before.article_id, None)):
        if pair in known:
            return known[pair]
    usual = known.get((None, None), 0)
    if not before.srgb or not after.srgb:
        return usual
    lighter = (lightness(after.srgb) - lightness(before.srgb)) / 100
    return round(usual * min(_MOST, max(_LEAST, 1 + lighter / 2)))


def purged_mg(told: Sequence[Told], filaments: Sequence[Filament], changes: int) -> list[int]:
    """Give what so many changes purge of each item, where each change is as likely as any other.

    What is purged is the plastic that comes. Source: the mean over ordered pairs of different items.
    """
    count = len(filaments)
    if count < 2 or changes <= 0:  # noqa: PLR2004 - a change needs two
        return [0] * count
    each = changes / (count * (count - 1))
    return [round(each * sum(change_mg(told, one, into) for one in filaments)) for into in filaments]
