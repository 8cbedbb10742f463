"""What truly happened in the demo workshop, and what its books cannot know: kept in a file beside the database.

The demo's days change it; later figures can be held against it. It knows no database.
"""

from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import date, datetime
from pathlib import Path

from pydantic import TypeAdapter, ValidationError

from spoolkeep.domain.errors import BadInput

FILE = "truth.json"


@dataclass
class TrueSpool:
    """A spool as it is."""

    number: int
    item: str
    left_mg: int
    """What is truly on it."""
    told_mg: int
    """What its label says was wound on."""
    tare_mg: int | None
    """What its reel truly weighs; None for a refill that has no reel yet."""
    said_tare_mg: int | None
    """What the books hold for it."""
    place: str
    came_on: date
    code: str = ""
    feed: str = ""
    """The feed that it is on, as `machine/position`."""
    stands_by: bool = False
    opened: bool = False
    weighed_on: date | None = None


@dataclass
class FeedRun:
    """What a run draws on one feed."""

    feed: str
    item: str
    told_mg: int
    """By the motion file."""
    true_mg: int


@dataclass
class Run:
    """A print run that goes on."""

    product: str
    pieces: int
    started_at: datetime
    minutes: float
    feeds: list[FeedRun]
    job_id: int | None = None
    """Of a run that was planned in the books."""
    share: float = 0.0
    """How far it is when it next ends, fails or runs dry, 0 to 1; that much is taken from its spools."""
    fails_at: float | None = None
    went_on_at: datetime | None = None
    """When it last began or went on, and how far it was then."""
    went_on_from: float = 0.0
    until: datetime | None = None
    """When it next ends, fails or runs dry."""
    dry: list[str] = field(default_factory=list)
    """The feeds that have nothing left then, so that it stands still."""

    def share_at(self, moment: datetime) -> float:
        """Give how far it is at a moment."""
        if self.went_on_at is None or self.until is None or moment >= self.until:
            return self.share
        passed = (moment - self.went_on_at) / (self.until - self.went_on_at)
        return self.went_on_from + (self.share - self.went_on_from) * max(0.0, passed)


@dataclass
class TrueLine:
    """A line of an order that has not come in full."""

    offer: int
    line_id: int
    spools: int
    price_minor: int | None = None
    """Of a spool, as it was ordered; None where it came without an order."""


@dataclass
class TrueOrder:
    """An order that is on its way."""

    order_id: int
    supplier: str
    arrives_on: date
    freight_minor: int
    lines: list[TrueLine]


@dataclass
class TrueStop:
    """Hours in which a machine truly stood still for want of a spool."""

    machine: str
    item: str
    from_at: datetime
    until_at: datetime


@dataclass
class Numbers:
    """The numbers and codes under which the database knows things, by name."""

    items: dict[str, int] = field(default_factory=dict)
    machines: dict[str, int] = field(default_factory=dict)
    feeds: dict[str, int] = field(default_factory=dict)
    feed_codes: dict[str, str] = field(default_factory=dict)
    places: dict[str, int] = field(default_factory=dict)
    place_codes: dict[str, str] = field(default_factory=dict)
    suppliers: dict[str, int] = field(default_factory=dict)
    offers: dict[int, int] = field(default_factory=dict)
    products: dict[str, int] = field(default_factory=dict)
    people: dict[str, int] = field(default_factory=dict)


@dataclass
class Plan:
    """A job that was planned and has not begun."""

    product: str
    pieces: int
    job_id: int
    planned_on: date


@dataclass
class Truth:
    """The workshop as it truly is at the end of a shop day, and what its days were like."""

    seed: int
    first_day: date
    history_days: int
    """How long the history was to be when it was begun."""
    lived_through: date | None = None
    numbers: Numbers = field(default_factory=Numbers)
    spools: list[TrueSpool] = field(default_factory=list)
    """Every spool that ever was, by its number counted from 1."""
    present: dict[str, list[int]] = field(default_factory=dict)
    """The numbers of those that are there, by item."""
    fed: dict[str, int] = field(default_factory=dict)
    """The spool in use on each feed."""
    waiting: dict[str, int] = field(default_factory=dict)
    """The spool that stands by on each feed."""
    runs: dict[str, Run] = field(default_factory=dict)
    looked_at: dict[str, datetime] = field(default_factory=dict)
    """When a person next looks at a machine."""
    wants: dict[str, tuple[datetime, str]] = field(default_factory=dict)
    """Machines that stand still for want of an item, and since when."""
    used_at: dict[str, datetime] = field(default_factory=dict)
    """When a run last began on each feed."""
    owed: dict[str, int] = field(default_factory=dict)
    """Pieces of each product that customers wait for."""
    plans: list[Plan] = field(default_factory=list)
    orders: list[TrueOrder] = field(default_factory=list)
    reels: list[int] = field(default_factory=list)
    """Emptied reels that a refill may be wound on, by the number of the spool that ended on them."""
    untold_takings: dict[date, dict[str, int]] = field(default_factory=dict)
    """Takings by day and channel that nobody has entered yet."""
    untold_fees: dict[str, int] = field(default_factory=dict)
    """What channels keep of the takings of a month, not entered yet."""
    asked_mg: dict[date, dict[str, int]] = field(default_factory=dict)
    """True demand: grams of each item in what customers asked for, sold or not."""
    drawn_mg: dict[date, dict[str, int]] = field(default_factory=dict)
    """What was truly drawn, purge and priming too."""
    lost_mg: dict[date, dict[str, int]] = field(default_factory=dict)
    """Of what was asked, what customers did not wait for."""
    stops: list[TrueStop] = field(default_factory=list)
    refused: list[str] = field(default_factory=list)
    """What the books refused, where a person has changed the workshop in the meantime."""

    def of(self, item: str) -> list[TrueSpool]:
        """Give the spools of an item that are there."""
        return [self.spools[number - 1] for number in self.present.get(item, ())]

    def there(self) -> list[TrueSpool]:
        """Give every spool that is there, in the order in which they came."""
        return [self.spools[number - 1] for number in sorted(n for some in self.present.values() for n in some)]

    def on(self, feed: str, *, stands_by: bool = False) -> TrueSpool | None:
        """Give the spool in use on a feed, or the one that stands by."""
        number = (self.waiting if stands_by else self.fed).get(feed)
        return None if number is None else self.spools[number - 1]

    def machines_with(self, items: Iterable[str]) -> set[str]:
        """Give the machines that have all of these items on their feeds."""
        found = ({one.feed.split("/")[0] for one in self.of(item) if one.feed and not one.stands_by} for item in items)
        return set.intersection(*found)

    def add(self, spool: TrueSpool) -> None:
        """Take a new spool in."""
        self.spools.append(spool)
        self.present.setdefault(spool.item, []).append(spool.number)

    def put(self, spool: TrueSpool, feed: str, *, stands_by: bool = False) -> None:
        """Put a spool on a feed; what was there is then on the shelf."""
        self.take_off(spool)
        places = self.waiting if stands_by else self.fed
        before = places.get(feed)
        if before is not None:
            self.take_off(self.spools[before - 1])
        places[feed] = spool.number
        spool.feed, spool.stands_by, spool.opened = feed, stands_by, True

    def take_off(self, spool: TrueSpool) -> None:
        """Take a spool off its feed."""
        if spool.feed:
            del (self.waiting if spool.stands_by else self.fed)[spool.feed]
            spool.feed, spool.stands_by = "", False

    def end(self, spool: TrueSpool) -> None:
        """Let a spool be gone."""
        self.take_off(spool)
        self.present[spool.item].remove(spool.number)

    def left_at(self, moment: datetime) -> dict[str, int]:
        """Give what is truly left at a moment on every spool that is there, by code: a run draws evenly."""
        left = {one.code: one.left_mg for one in self.there()}
        for run in self.runs.values():
            ahead = run.share - run.share_at(moment)
            for feed in run.feeds:
                self._give_back(left, feed.feed, round(feed.true_mg * ahead))
        return left

    def _give_back(self, left: dict[str, int], feed: str, mg: int) -> None:
        """Give back what a run has yet to draw: what stands by gets what it gave, the one in use the rest."""
        for spool in (self.on(feed, stands_by=True), self.on(feed)):
            if spool is not None:
                given = min(mg, spool.told_mg - spool.left_mg) if spool.stands_by else mg
                left[spool.code] += max(0, given)
                mg -= max(0, given)


_TRUTH = TypeAdapter(Truth)


def save(truth: Truth, folder: Path) -> None:
    """Write the truth to its file in a folder, whole or not at all."""
    folder.mkdir(parents=True, exist_ok=True)
    new = folder / f"{FILE}.new"
    new.write_bytes(_TRUTH.dump_json(truth))
    new.replace(folder / FILE)


def load(folder: Path) -> Truth | None:
    """Give the truth of a folder, or None where there is none. Errors: BadInput where it cannot be read."""
    path = folder / FILE
    if not path.exists():
        return None
    try:
        return _TRUTH.validate_json(path.read_bytes())
    except ValidationError as error:
        words = f"{path} is not what this program wrote. Build the demo anew: spoolkeep demo --fresh."
        raise BadInput("bad_truth", words) from error
