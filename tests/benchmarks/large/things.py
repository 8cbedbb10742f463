"""What the large workshop is: machines, shelves, items, suppliers with offers, and products, under invented names.

`large_workshop` makes it once, before the two years begin.
"""

import colorsys
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

import numpy as np

from spoolkeep.domain.codes import CodeKind
from spoolkeep.domain.words import Finish, PlaceKind
from spoolkeep.services.catalogue import Made, OfferEntry, SupplierEntry
from spoolkeep.services.shop import code_text
from spoolkeep.store.tables import (
    Article,
    Colour,
    ColourValue,
    Feed,
    Machine,
    Offer,
    Place,
    PriceBreak,
    Product,
    ProductPart,
    Supplier,
)
from tests.benchmarks.large.books import Books, SpoolBook

SITE = 1
MATERIALS = ("PLA", "PETG", "ABS", "ASA", "TPU", "PA", "PC")
"""In the order in which a new database has them."""
MATERIAL_SHARE = (0.42, 0.24, 0.08, 0.1, 0.07, 0.05, 0.04)
PRICE_MINOR = (1650, 1780, 1900, 2250, 2900, 3900, 3600)
SPOOL_MG, TARE_MG = 1_000_000, 210_000
FOUR_FEEDS = 4
SHARE_WITH_FOUR = 0.3

_TINTS = ("Pale", "Deep", "Dusky", "Bright", "Warm", "Cold", "Faded", "Dark", "Soft", "Clean")
_NOUNS = ("moss", "brick", "slate", "plum", "sand", "teal", "rust", "lilac", "straw", "fog")
_FINISHES = (Finish.MATT, Finish.SATIN, Finish.GLOSS, Finish.SILK)
_STARTS = ("ba", "do", "fe", "gi", "ka", "lo", "mu", "ne", "pi", "ro", "su", "ta", "ve", "wi")
_ENDS = ("lden", "mmer", "ndle", "pple", "rrow", "ssock", "tch", "venter", "xter", "zzock")
_THINGS = ("Hook", "Tray", "Clip", "Stand", "Bracket", "Vase", "Hinge", "Cover", "Knob", "Frame")


@dataclass
class FeedNow:
    """A feed, and the spool on it now."""

    id: int
    serial: int
    machine_id: int
    spool: SpoolBook | None = None
    loading_id: int = 0
    since: datetime | None = None
    article_id: int = 0
    """What was on it last."""
    next_mg: int = 0
    """What the next job will need of it."""
    logged_mg: int = 0
    """What today's log says that it drew, not yet in the books."""
    overdraws: bool = False
    """Whether the next job starts although too little is left."""


@dataclass
class MachineNow:
    """A machine; one with several feeds reports each job by itself, the others are imported once a day."""

    id: int
    name: str
    feeds: list[FeedNow] = field(default_factory=list)
    free_at: datetime | None = None

    @property
    def reports(self) -> bool:
        """Say whether it reports each job as it ends."""
        return len(self.feeds) > 1


@dataclass(frozen=True)
class PlaceNow:
    """A shelf."""

    id: int
    code: str
    name: str


@dataclass(frozen=True)
class OfferNow:
    """One supplier's offer of one item."""

    id: int
    supplier_id: int
    article_id: int
    price_minor: int
    pack: int


@dataclass(frozen=True)
class Things:
    """All that there is."""

    machines: list[MachineNow]
    places: dict[int, PlaceNow]
    names: dict[int, str]
    """Of the items."""
    weights: np.ndarray[Any, np.dtype[np.float64]]
    """How often each item is asked for, beside the others."""
    lead_days: dict[int, int]
    """By supplier."""
    cheapest: dict[int, OfferNow]
    """By item."""
    product_ids: list[int]
    titles: list[str]
    feed_names: dict[int, str]

    @property
    def article_ids(self) -> list[int]:
        """Give the items."""
        return list(self.names)

    def place_of(self, article_id: int) -> PlaceNow:
        """Give the shelf on which an item is kept."""
        shelves = list(self.places.values())
        return shelves[article_id % len(shelves)]


def furnish(books: Books, rng: np.random.Generator, *, machines: int, articles: int, at: datetime) -> Things:
    """Give everything that the workshop begins with, each made by an act of its own."""
    places = [_place(books, number, at=at) for number in range(max(3, machines // 4))]
    made = [_machine(books, number, machines, at=at) for number in range(machines)]
    names = _articles(books, rng, articles, at=at)
    article_ids = list(names)
    lead_days = dict(_suppliers(books, max(3, min(12, articles // 10)), at=at))
    cheapest = {article_id: _offers(books, rng, article_id, lead_days, at=at) for article_id in article_ids}
    weights = 1.0 / np.arange(1, articles + 1) ** 0.7
    rng.shuffle(weights)
    titles = [f"{_word(number)} {_THINGS[number % len(_THINGS)].lower()}" for number in range(max(5, machines // 2))]
    products = [_product(books, rng, title, article_ids, at=at) for title in titles]
    return Things(
        machines=made,
        places={place.id: place for place in places},
        names=names,
        weights=weights / weights.sum(),
        lead_days=lead_days,
        cheapest=cheapest,
        product_ids=products,
        titles=titles,
        feed_names=dict(_feed_names(made)),
    )


def _feed_names(machines: list[MachineNow]) -> Iterator[tuple[int, str]]:
    for machine in machines:
        for position, feed in enumerate(machine.feeds, start=1):
            yield feed.id, f"{machine.name} feed {position}" if machine.reports else machine.name


def _word(number: int) -> str:
    """Give an invented word, another for each number."""
    starts, ends = len(_STARTS), len(_ENDS)
    first, second = _STARTS[number % starts], _ENDS[number // starts % ends]
    more = number // (starts * ends)
    return f"{first}{_STARTS[more - 1] if more else ''}{second}".capitalize()


def _place(books: Books, number: int, *, at: datetime) -> PlaceNow:
    name = f"Row {number // 10 + 1}, shelf {number % 10 + 1}"
    act = books.act("place", at=at, request={"name": name, "kind": PlaceKind.SHELF}, about=name)
    place_id, serial = books.bulk.number(Place), books.serial(CodeKind.PLACE)
    books.bulk.add(Place, place_id, serial, name, PlaceKind.SHELF, SITE)
    books.made(act, Place, place_id)
    books.answered(act, Made(act.id, place_id))
    return PlaceNow(place_id, code_text(CodeKind.PLACE, serial), name)


def _machine(books: Books, number: int, machines: int, *, at: datetime) -> MachineNow:
    four = number < max(1, round(machines * SHARE_WITH_FOUR))
    name, feeds = _word(number), FOUR_FEEDS if four else 1
    act = books.act("machine", at=at, request={"name": name, "feeds": feeds}, about=name)
    machine = MachineNow(books.bulk.number(Machine), name)
    books.bulk.add(Machine, machine.id, name, SITE)
    books.made(act, Machine, machine.id)
    for position in range(1, feeds + 1):
        feed = FeedNow(books.bulk.number(Feed), books.serial(CodeKind.FEED), machine.id)
        books.bulk.add(Feed, feed.id, feed.serial, machine.id, position)
        books.made(act, Feed, feed.id)
        machine.feeds.append(feed)
    books.answered(act, Made(act.id, machine.id))
    return machine


def _articles(books: Books, rng: np.random.Generator, count: int, *, at: datetime) -> dict[int, str]:
    """Give the names of items of every material, each colour in about as many as its number allows."""
    shares = np.array(MATERIAL_SHARE)
    of = rng.choice(len(MATERIALS), size=count, p=shares / shares.sum())
    taken = dict.fromkeys(range(len(MATERIALS)), 0)
    colours: dict[int, int] = {}
    made = {}
    for material in map(int, of):
        number, taken[material] = taken[material], taken[material] + 1
        if number not in colours:
            colours[number] = _colour(books, number)
        article_id = _article(books, material, number, colours[number], at=at)
        made[article_id] = f"{MATERIALS[material]} {_colour_of(number)[0]}"
    return made


def _colour_of(number: int) -> tuple[str, Finish]:
    names = len(_TINTS) * len(_NOUNS)
    name = f"{_TINTS[number % names // len(_NOUNS)]} {_NOUNS[number % len(_NOUNS)]}"
    return name, _FINISHES[(number // names + number) % len(_FINISHES)]


def _colour(books: Books, number: int) -> int:
    colour_id = books.bulk.number(Colour)
    books.bulk.add(Colour, colour_id, *_colour_of(number))
    for position, shift in enumerate((0.0, 0.4) if number % 12 == 7 else (0.0,)):
        shade = colorsys.hsv_to_rgb((number * 0.137 + shift) % 1, 0.25 + number % 3 * 0.3, 0.35 + number % 4 * 0.18)
        srgb = "#" + "".join(f"{round(part * 255):02x}" for part in shade)
        books.bulk.add(ColourValue, colour_id, position, srgb)
    return colour_id


def _article(books: Books, material: int, number: int, colour_id: int, *, at: datetime) -> int:
    name, finish = _colour_of(number)
    request = {"material": MATERIALS[material], "colour": name, "finish": finish, "srgb": []}
    act = books.act("item", at=at, request=request, about=f"{MATERIALS[material]} {name}")
    article_id = books.bulk.number(Article)
    books.bulk.add(Article, article_id, material + 1, colour_id)
    books.made(act, Article, article_id)
    books.answered(act, Made(act.id, article_id))
    return article_id


def _suppliers(books: Books, count: int, *, at: datetime) -> Iterator[tuple[int, int]]:
    for number in range(count):
        name, lead_days = f"{_word(900 + number)} supplies", 2 + number * 3 % 9
        entry = SupplierEntry(name, f"{number + 1} Mill Lane", lead_days)
        act = books.act("supplier", at=at, request=vars(entry), about=name)
        supplier_id = books.bulk.number(Supplier)
        books.bulk.add(Supplier, supplier_id, name, entry.address, lead_days)
        books.made(act, Supplier, supplier_id)
        books.answered(act, Made(act.id, supplier_id))
        yield supplier_id, lead_days


def _offers(
    books: Books, rng: np.random.Generator, article_id: int, lead_days: dict[int, int], *, at: datetime
) -> OfferNow:
    """Give the cheapest of two to four suppliers' offers of an item."""
    count = min(len(lead_days), int(rng.integers(2, 5)))
    chosen = rng.choice(sorted(lead_days), size=count, replace=False)
    base_minor = PRICE_MINOR[article_id % len(PRICE_MINOR)]
    made = []
    for supplier_id in map(int, chosen):
        price_minor = round(base_minor * float(rng.uniform(0.9, 1.25)))
        offer = OfferNow(books.bulk.number(Offer), supplier_id, article_id, price_minor, int(rng.choice([1, 1, 1, 2])))
        _offer(books, offer, breaks=((10, price_minor * 95 // 100), (30, price_minor * 9 // 10)), at=at)
        made.append(offer)
    return min(made, key=lambda one: one.price_minor)


def _offer(books: Books, offer: OfferNow, *, breaks: tuple[tuple[int, int], ...], at: datetime) -> None:
    number = f"{offer.supplier_id:02}-{offer.article_id:04}"
    entry = OfferEntry(
        supplier_id=offer.supplier_id,
        article_id=offer.article_id,
        spool_mg=SPOOL_MG,
        price_minor=offer.price_minor,
        their_number=number,
        tare_mg=TARE_MG,
        pack=offer.pack,
        breaks=breaks,
    )
    act = books.act("offer", at=at, request=vars(entry))
    terms = (offer.supplier_id, offer.article_id, number, SPOOL_MG, TARE_MG, offer.price_minor, offer.pack)
    books.bulk.add(Offer, offer.id, *terms)
    books.made(act, Offer, offer.id)
    for from_spools, price_minor in breaks:
        break_id = books.bulk.number(PriceBreak)
        books.bulk.add(PriceBreak, break_id, offer.id, from_spools, price_minor)
        books.made(act, PriceBreak, break_id)
    books.answered(act, Made(act.id, offer.id))


def _product(books: Books, rng: np.random.Generator, name: str, article_ids: list[int], *, at: datetime) -> int:
    """Give a product of one to three items, as the sheet of products makes it."""
    act = books.act("import products", at=at, request={"name": name}, about=f"{name}.csv")
    product_id = books.bulk.number(Product)
    books.bulk.add(Product, product_id, name, int(rng.integers(500, 6000)))
    books.made(act, Product, product_id)
    for article_id in map(int, rng.choice(article_ids, size=int(rng.integers(1, 4)), replace=False)):
        part_id = books.bulk.number(ProductPart)
        books.bulk.add(ProductPart, part_id, product_id, article_id, int(rng.integers(8, 90)) * 1000)
        books.made(act, ProductPart, part_id)
    books.answered(act, Made(act.id, product_id))
    return product_id
