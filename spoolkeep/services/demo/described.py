"""The demo workshop as its files describe it: what there is, who sells it, how people are, and what goes wrong.

The demo's builder reads it once. It knows no database and no moment.
"""

import csv
import tomllib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path
from typing import Annotated, Any, Literal, TypeVar, get_args

from pydantic import BaseModel, ConfigDict, PositiveInt, StringConstraints, TypeAdapter, ValidationError

from spoolkeep.domain.errors import BadInput
from spoolkeep.domain.names import folded
from spoolkeep.domain.units import minor_from_major
from spoolkeep.domain.words import Finish, PlaceKind, Role
from spoolkeep.services.shop import Settings
from spoolkeep.services.tokens import LONGEST_LABEL

SETTINGS = "workshop.toml"
MOST_DAYS = 3650
DRAUGHTY = frozenset({"ASA", "PA"})
"""Materials that are printed on closed-in machines only: common practice, no source."""
Weekday = Literal["mon", "tue", "wed", "thu", "fri", "sat", "sun"]
WEEKDAYS: tuple[Weekday, ...] = get_args(Weekday)
_CENTS = 2
T = TypeVar("T", bound="Row | Settings")


def material_of(item: str) -> str:
    """Give the material that an item's name begins with."""
    return item.split(maxsplit=1)[0]


class Row(BaseModel):
    """A row of one of the files; an unknown or missing column is refused."""

    model_config = ConfigDict(extra="forbid", frozen=True)


class MachineRow(Row):
    """A machine, the day on which it came, and how it is."""

    name: str
    feeds: int
    from_day: int = 0
    holder: bool = False
    """Whether its spool holder switches over to a spool that stands by."""
    closed_in: bool = False
    """Whether it can print what must not cool in a draught."""
    largest_reel_mm: int | None = None
    hardened: bool = False
    """Whether its nozzle stands filled and glowing plastics."""
    draws_more: float = 0.0
    """The share by which it draws more than the motion file says."""
    fails: float = 1.0
    """How often it fails, beside the usual machine."""


class PlaceRow(Row):
    """A place."""

    name: str
    kind: PlaceKind
    height_cm: int = 100
    """Above the floor."""


class ArticleRow(Row):
    """An item, where it is kept, how many sealed spools call for an order, and how many are then bought."""

    material: str
    colour: str
    finish: Finish
    shade: str
    place: str
    low: int
    buy: int
    from_day: int = 0

    @property
    def name(self) -> str:
        """Give its name."""
        return f"{self.material} {self.colour}"


class SupplierRow(Row):
    """A supplier: what a delivery is said to take, how far it strays, and how often it is late by how much."""

    name: str
    address: str
    lead_days: int
    spread_days: int
    late_share: float
    late_days: int
    parcel: str
    free_from: str = ""
    order_day: Weekday
    """The one day of the week on which it takes orders."""
    basket: str = ""
    """What is off all spools of an order from a number on, in per cent, like 12:3."""
    closed_ahead: int | None = None
    """After how many days from the first build it closes; empty where it does not."""
    closed_for: int = 0
    """For so many days."""
    closed_why: str = ""

    @property
    def basket_breaks(self) -> tuple[tuple[int, int], ...]:
        """Give pairs of a number of spools and the millionths that are off from there on."""
        pairs = (one.split(":") for one in self.basket.split())
        return tuple((int(count), minor_from_major(off, _CENTS, "basket") * 100) for count, off in pairs)

    def is_closed(self, ahead: int) -> bool:
        """Say whether it is closed so many days after the first build."""
        return self.closed_ahead is not None and 0 <= ahead - self.closed_ahead < self.closed_for


class OfferRow(Row):
    """An offer, from a day until a day."""

    supplier: str
    material: str
    colour: str
    spool_g: int
    price: str
    pack: int
    tare_g: int | None = None
    refill: bool = False
    """Whether it comes without a reel, to be wound on an emptied one."""
    their_number: str
    ean: str = ""
    breaks: str = ""
    from_day: int = 0
    until_day: int | None = None

    @cached_property
    def item(self) -> str:
        """Give the item's name."""
        return f"{self.material} {self.colour}"

    @property
    def price_minor(self) -> int:
        """Give the price of one spool."""
        return minor_from_major(self.price, _CENTS, "price")

    @property
    def price_breaks(self) -> tuple[tuple[int, int], ...]:
        """Give pairs of a number of spools and the price from there on."""
        pairs = (one.split(":") for one in self.breaks.split())
        return tuple((int(count), minor_from_major(price, _CENTS, "breaks")) for count, price in pairs)


class ProductRow(Row):
    """A product: how it is printed, how well it sells, and what is in it."""

    name: str
    price: str
    batch: int
    minutes: int
    a_day: float
    """Pieces asked for on a usual day at the start."""
    stall: float
    """The share of them that people buy at the stall."""
    season: float
    """How much of the season it feels, 0 to 1."""
    drift_a_year: float
    """How its demand changes beside the shop's: 0.5 halves in a year."""
    from_day: int = 0
    until_day: int | None = None
    parts: str

    @cached_property
    def price_minor(self) -> int:
        """Give its price."""
        return minor_from_major(self.price, _CENTS, "price")

    @cached_property
    def grams(self) -> dict[str, float]:
        """Give the grams of each item in one piece."""
        pairs = (part.rsplit(":", 1) for part in self.parts.split(";"))
        return {name.strip(): float(grams) for name, grams in pairs}

    @cached_property
    def draughty(self) -> bool:
        """Say whether it must be printed on a closed-in machine."""
        return any(material_of(item) in DRAUGHTY for item in self.grams)


class ChannelRow(Row):
    """A way to sell; the second one named is the stall."""

    name: str
    fee_share: float
    refund_share: float


class PersonRow(Row):
    """A person, and the weekdays on which it is they who are at the bench."""

    name: Annotated[str, StringConstraints(strip_whitespace=True, min_length=1, max_length=LONGEST_LABEL)]
    role: Role
    bench: tuple[Weekday, ...] = ()


class Season(Row):
    """The weeks in which one thing sells above all."""

    ahead_days: int
    width_days: float
    strength: float


class Event(Row):
    """Days on which some products sell more, again and again; the owner knows of them beforehand and says so."""

    why: str
    products: tuple[str, ...]
    first_day: int
    every_days: PositiveInt
    days: PositiveInt
    times: float
    """As much as usual."""
    told_days: int
    """How many days ahead the owner enters it."""

    def is_on(self, day: int) -> bool:
        """Say whether it is on, on a day by its number."""
        return day >= self.first_day and (day - self.first_day) % self.every_days < self.days


class Habits(Row):
    """What people do, and leave undone."""

    weighs: str
    weighs_spools: int
    counts_on_days: tuple[int, ...]
    leaves_orders_days: int
    """For how many days before the first build nobody orders: what is low then is left to whoever opens the demo."""
    forgets_to_order: float
    leaves_it_to_luck: float
    sees_grams_wrong: float


class Slips(Row):
    """How far the true grams are from the told ones, and how often a job fails."""

    draws_more: dict[str, float]
    start_g: float
    change_g: float
    spread: float
    fails: dict[str, float]
    tare_spread_g: float
    received_spread_g: float
    scale_g: int


class Simulation(Row):
    """How the workshop's days go by."""

    seed: int
    history_days: int
    plans_for_days: int
    """For how many days before the first build jobs are planned in the books; before, they are told when they end."""
    growth_a_year: float
    weekdays: dict[str, float]
    hours: dict[str, tuple[int, int]]
    stall_day: str
    closed_days: tuple[int, ...]
    setup_minutes: int


@dataclass(frozen=True)
class Described:
    """Everything that the files say."""

    settings: Settings
    simulation: Simulation
    season: Season
    events: tuple[Event, ...]
    habits: Habits
    slips: Slips
    channels: tuple[ChannelRow, ...]
    people: tuple[PersonRow, ...]
    machines: dict[str, MachineRow]
    places: tuple[PlaceRow, ...]
    articles: dict[str, ArticleRow]
    suppliers: dict[str, SupplierRow]
    offers: tuple[OfferRow, ...]
    products: dict[str, ProductRow]

    def with_history(self, days: int) -> "Described":
        """Give the same workshop with a history of so many days. Errors: BadInput."""
        if not 1 <= days <= MOST_DAYS:
            raise BadInput("no_such_history", f"A history has 1 to {MOST_DAYS} days.")
        return replace(self, simulation=self.simulation.model_copy(update={"history_days": days}))


def read_described(folder: Path) -> Described:
    """Give what the files of a folder say. Errors: BadInput naming the file, the row and what is wrong with it."""
    told = _toml(folder / SETTINGS)
    found = Described(
        settings=_row(Settings, told.get("workshop", {}), f"{SETTINGS}, workshop"),
        simulation=_row(Simulation, told.get("simulation", {}), f"{SETTINGS}, simulation"),
        season=_row(Season, told.get("season", {}), f"{SETTINGS}, season"),
        events=tuple(_row(Event, one, f"{SETTINGS}, event") for one in told.get("event", ())),
        habits=_row(Habits, told.get("habits", {}), f"{SETTINGS}, habits"),
        slips=_row(Slips, told.get("slips", {}), f"{SETTINGS}, slips"),
        channels=tuple(_row(ChannelRow, one, f"{SETTINGS}, channel") for one in told.get("channel", ())),
        people=tuple(
            _row(PersonRow, one, f"{SETTINGS}, person {number}")
            for number, one in enumerate(told.get("person", ()), start=1)
        ),
        machines={one.name: one for one in _sheet(MachineRow, folder / "machines.csv")},
        places=tuple(_sheet(PlaceRow, folder / "places.csv")),
        articles={one.name: one for one in _sheet(ArticleRow, folder / "articles.csv")},
        suppliers={one.name: one for one in _sheet(SupplierRow, folder / "suppliers.csv")},
        offers=tuple(_sheet(OfferRow, folder / "offers.csv")),
        products={one.name: one for one in _sheet(ProductRow, folder / "products.csv")},
    )
    _check_names(found)
    _check_people(found.people)
    return found


def _check_names(found: Described) -> None:
    """Refuse files that name what no other file has. Errors: BadInput."""
    _known((one.item for one in found.offers), found.articles, "offers.csv", "articles.csv")
    _known((one.supplier for one in found.offers), found.suppliers, "offers.csv", "suppliers.csv")
    items = (item for product in found.products.values() for item in product.grams)
    _known(items, found.articles, "products.csv", "articles.csv")
    _known((name for event in found.events for name in event.products), found.products, SETTINGS, "products.csv")
    places = {one.name for one in found.places}
    _known((one.place for one in found.articles.values()), places, "articles.csv", "places.csv")
    materials = {one.material for one in found.articles.values()}
    for table in ("draws_more", "fails"):
        _known(materials, getattr(found.slips, table), "articles.csv", f"{SETTINGS}, slips.{table}")


def _check_people(people: Sequence[PersonRow]) -> None:
    """Refuse people who cannot be told apart, several at the bench at once, or not one owner. Errors: BadInput."""
    owners = sum(one.role is Role.OWNER for one in people)
    if owners != 1:
        raise BadInput("bad_demo", f"{SETTINGS}, person: {owners} of them are the owner. Make exactly one the owner.")
    names: set[str] = set()
    days: dict[Weekday, str] = {}
    for number, one in enumerate(people, start=1):
        where = f"{SETTINGS}, person {number}"
        if folded(one.name) in names:
            raise BadInput("bad_demo", f"{where}: there is a {one.name} already. Give one of them another name.")
        if one.role is Role.READER and one.bench:
            raise BadInput("bad_demo", f"{where}: {one.name} is a reader, who books nothing at the bench. Mend either.")
        for day in one.bench:
            if days.setdefault(day, one.name) != one.name:
                raise BadInput(
                    "bad_demo", f"{where}: {days[day]} is at the bench on {day} already. Leave one out there."
                )
        names.add(folded(one.name))


def _known(names: Iterable[str], there: Iterable[str], file: str, other: str) -> None:
    unknown = sorted(set(names) - set(there))
    if unknown:
        raise BadInput("bad_demo", f"{file} names “{unknown[0]}”, which {other} does not have. Mend one of them.")


def _toml(path: Path) -> dict[str, Any]:
    try:
        return tomllib.loads(path.read_text(encoding="utf-8"))
    except (OSError, tomllib.TOMLDecodeError) as error:
        raise BadInput("bad_demo", f"{path} cannot be read: {error}. Mend it, then run it again.") from error


def _sheet(kind: type[T], path: Path) -> list[T]:
    try:
        with path.open(encoding="utf-8", newline="") as file:
            rows = list(csv.DictReader(file))
    except OSError as error:
        raise BadInput("bad_demo", f"{path} cannot be read: {error}.") from error
    filled = [{name: cell for name, cell in row.items() if cell} for row in rows]
    return [_row(kind, row, f"{path.name}, line {number}") for number, row in enumerate(filled, start=2)]


def _row(kind: type[T], values: Mapping[str, Any], where: str) -> T:
    try:
        return TypeAdapter(kind).validate_python(values)
    except ValidationError as error:
        first = error.errors()[0]
        column = ".".join(map(str, first["loc"]))
        raise BadInput("bad_demo", f"{where}: {column}: {first['msg']}. Mend it, then run it again.") from error
