"""The workshop itself: its settings as the other journeys need them, and codes and serials.

Every service may use it; the web and the command line read it for their words.
"""

from dataclasses import dataclass, fields
from datetime import date, datetime, time, timedelta

from sqlalchemy.orm import Session

from spoolkeep.domain.codes import Code, CodeKind
from spoolkeep.domain.errors import BadInput
from spoolkeep.domain.formats import Formats
from spoolkeep.domain.shopday import ShopClock
from spoolkeep.domain.words import CostFlow
from spoolkeep.store.ledger import workshop
from spoolkeep.store.tables import SerialCounter


@dataclass(frozen=True)
class Settings:
    """The workshop's settings as a person enters them."""

    name: str
    address: str
    locale: str
    currency: str
    zone: str
    day_starts_hour: int
    opens_hour: int
    review_days: int
    cover_days: int
    """For how many days ahead plastic is bought at most."""
    safety_days: int
    lead_days: int
    share_low_bp: int
    share_high_bp: int
    closes_hour: int = 18
    """When the last person leaves."""
    earns_minor_per_hour: int = 300
    """What a machine earns, where it has no figure of its own."""
    rest_mg: int = 20_000
    """Less than this on a spool is scrap."""
    risk_ppm: int = 50_000
    """The chance, accepted, that an item runs out before an order comes."""

    hour_cost_minor: int = 2500
    """What an hour of the owner's time is worth."""
    carry_ppm_a_year: int = 200_000
    """What a year of cash tied up costs, as a share of it."""
    space_minor_a_month: int = 0
    """What the room of one spool costs in a month."""
    change_seconds: int = 180
    """What it takes a person to change a spool."""
    cost_flow: CostFlow = CostFlow.AVERAGE
    """How the books let cost flow out of stock."""
    order_seconds: int = 900
    """What an order takes of a person, from looking to paying."""
    idle_ppm: int = 1_000_000
    """The chance that a machine that lacks its item has no other work."""
    idle_busy_ppm: int = 1_000_000
    """The same in the busy months."""
    busy_months: int = 0
    """The busy months as bits, January the lowest."""
    late_minor: int = 0
    """What a customer's order that goes out late costs."""
    budget_minor: int | None = None
    """What may be spent on one day's orders; None without a limit."""
    shelf_spools: int | None = None
    """For how many spools there is room; None without a limit."""

    @property
    def risk(self) -> float:
        """Give that chance as a share."""
        return self.risk_ppm / 1_000_000


@dataclass(frozen=True)
class Shop(Settings):
    """The workshop at one moment: its settings, and whether a person has entered them yet."""

    is_set_up: bool = False

    @property
    def clock(self) -> ShopClock:
        """Give the clock by which its days roll over."""
        return ShopClock(self.zone, self.day_starts_hour)

    @property
    def formats(self) -> Formats:
        """Give how figures are written here."""
        return Formats(self.locale, self.currency, self.zone)

    def today(self, now: datetime) -> date:
        """Give the shop day of a moment."""
        return self.clock.day_of(now)

    def opening(self, now: datetime) -> datetime:
        """Give the moment at which it opens on the shop day after this one."""
        return self.hour_of(self.today(now) + timedelta(days=1), self.opens_hour)

    def moment_of(self, text: str) -> datetime:
        """Give the moment in a text, on the wall clock where it names no zone. Errors: BadInput."""
        try:
            local = datetime.fromisoformat(text.strip())
        except ValueError:
            raise BadInput("not_a_time", f"“{text[:40]}” is not a time. Write it like 2026-03-04 07:30.") from None
        return local if local.tzinfo else self.clock.from_local(local).utc

    def hour_of(self, day: date, hour: int) -> datetime:
        """Give the moment of an hour of the wall clock on a day."""
        return self.clock.from_local(datetime.combine(day, time(hour))).utc


def load_shop(session: Session) -> Shop:
    """Give the workshop's settings."""
    row = workshop(session)
    settings = {field.name: getattr(row, field.name) for field in fields(Settings)}
    settings["cost_flow"] = CostFlow(row.cost_flow)
    return Shop(**settings, is_set_up=row.ready_at is not None)


def next_serials(session: Session, kind: CodeKind, count: int = 1) -> range:
    """Give the next `count` serials of a kind. Gaps do not matter: an undone act gives none back."""
    counter = session.get(SerialCounter, str(kind)) or SerialCounter(kind=str(kind), last=0)
    first = counter.last + 1
    counter.last += count
    session.add(counter)
    session.flush()
    return range(first, first + count)


def code_text(kind: CodeKind, serial: int) -> str:
    """Give the code on a label for a serial."""
    return Code(kind, serial).text
