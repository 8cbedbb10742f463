"""How long a thirsty plastic has been out of the dry store, and when what is in a dryer is dry.

What moves spools asks it, and what holds them beside a job. It must not know places by name.
"""

from dataclasses import dataclass
from datetime import date, datetime, timedelta
from enum import StrEnum

HOURS_A_DAY, SECONDS_AN_HOUR = 24, 3600


class Around(StrEnum):
    """What is around a spool, as far as water goes."""

    AIR = "air"
    DRY = "dry"
    DRYER = "dryer"


@dataclass(frozen=True)
class Air:
    """How a spool has lain since it was dried last, or opened: moments in UTC."""

    from_at: datetime | None = None
    """Since when it has been in the air without a break."""
    seconds: int | None = None
    """How long it was in the air before that; None where nobody followed it."""
    dryer_at: datetime | None = None
    """Since when it has been in a dryer."""

    @property
    def is_followed(self) -> bool:
        """Give whether it is known by the hour."""
        return self.seconds is not None

    def out_s(self, now: datetime) -> int:
        """Give how many seconds it has been out; a moment before it came out counts as that moment."""
        since = max(0, round((now - self.from_at).total_seconds())) if self.from_at else 0
        return (self.seconds or 0) + since


def goes(air: Air, into: Around, at: datetime, *, dry_hours: int | None) -> tuple[Air, bool]:
    """Give how a spool lies from a moment on, and whether it came dry out of a dryer.

    `dry_hours` is what it needs in the dryer where it lies; None where that is no dryer any more.
    """
    if into is Around.AIR and air.from_at is not None and air.is_followed:
        return air, False
    is_dry = is_ready(air, at, dry_hours=dry_hours)
    out_s = 0 if is_dry else air.out_s(at)
    stays = into is Around.DRYER and air.dryer_at is not None
    return Air(
        from_at=at if into is Around.AIR else None,
        seconds=out_s,
        dryer_at=(air.dryer_at if stays else at) if into is Around.DRYER else None,
    ), is_dry


def ready_at(air: Air, *, dry_hours: int | None) -> datetime | None:
    """Give when what lies in a dryer is dry; None where it lies in none, or nobody said how long it takes."""
    return air.dryer_at + timedelta(hours=dry_hours) if air.dryer_at and dry_hours else None


def is_ready(air: Air, at: datetime, *, dry_hours: int | None) -> bool:
    """Give whether what lies in a dryer is dry at a moment."""
    ready = ready_at(air, dry_hours=dry_hours)
    return ready is not None and ready <= at


def dry_hours(*, of_material: int | None, of_dryer: int | None) -> int | None:
    """Give how many hours a spool stays in a dryer, as long as the slower of the two asks; None where it is none.

    Source: our own choice.
    """
    return None if of_dryer is None else max(of_dryer, of_material or 0)


def hours_by_days(*, opened_on: date | None, dried_on: date | None, today: date) -> float | None:
    """Give for how many hours a spool that nobody followed has been out, to the day; None where it is sealed."""
    if opened_on is None:
        return None
    return (today - max(filter(None, (opened_on, dried_on)))).days * float(HOURS_A_DAY)


def softens(degrees: int | None, others: dict[str, int]) -> list[str]:
    """Give for which of others (name: degrees Celsius at which it is dried) a dryer at so many is too hot.

    What is dried at more than 15 degrees less may soften on its reel. Source: common practice, no source.
    """
    return [name for name, least in others.items() if degrees is not None and degrees - least > _APART_CELSIUS]


_APART_CELSIUS = 15
