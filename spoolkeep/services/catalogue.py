"""Setting up: the workshop's settings, machines and feeds, places, items, suppliers, offers and products.

The web's Setup page and the imports call it, the imports inside their own acts.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime

from sqlalchemy import delete, select
from sqlalchemy.orm import Session
from sqlmodel import col

from spoolkeep.domain.codes import CodeKind
from spoolkeep.domain.colour import srgb as read_srgb
from spoolkeep.domain.errors import BadInput, Conflict, NotFound
from spoolkeep.domain.formats import currency_decimals
from spoolkeep.domain.leadtimes import EVERY_DAY
from spoolkeep.domain.names import folded
from spoolkeep.domain.terms import OfferTerms
from spoolkeep.domain.words import Finish, PlaceKind
from spoolkeep.services import finding, offers
from spoolkeep.services.shop import load_shop, next_serials
from spoolkeep.store.acts import By, once
from spoolkeep.store.journal import change, create
from spoolkeep.store.tables import (
    Act,
    Article,
    Colour,
    ColourValue,
    Feed,
    Machine,
    Material,
    Offer,
    Place,
    PriceBreak,
    Product,
    ProductPart,
    Supplier,
)

MOST_FEEDS = 32
LONGEST_MAIL, LONGEST_NOTE = 254, 2000
_SITE = 1


@dataclass(frozen=True)
class Made:
    """What was added or changed, by number."""

    act_id: int
    row_id: int


@dataclass(frozen=True)
class SupplierEntry:
    """One supplier as it is entered."""

    name: str
    address: str = ""
    lead_days: int | None = None
    parcel_minor: int = 0
    """What a parcel costs to send."""
    free_freight_minor: int | None = None
    """From what an order's worth on the parcel is free; None where it never is."""
    mail: str = ""
    note: str = ""
    lead_spread_days: int | None = None
    """Give or take; None for the safety days of the settings."""
    order_days: int = EVERY_DAY
    """The weekdays on which it takes orders as bits, Monday the lowest."""
    least_minor: int | None = None
    """What an order must be worth; None where it may be worth anything."""
    currency: str | None = None
    """In which it is paid, by ISO 4217; None for the workshop's own."""


@dataclass(frozen=True)
class ProductEntry:
    """One product as it is entered."""

    name: str
    price_minor: int | None = None
    parts: tuple[tuple[int, int], ...] = ()
    """Pairs of an item and its milligrams."""


@dataclass(frozen=True)
class OfferEntry:
    """One offer as it is entered."""

    supplier_id: int
    article_id: int
    spool_mg: int
    price_minor: int
    their_number: str = ""
    retail_code: str = ""
    tare_mg: int | None = None
    pack: int = 1
    breaks: tuple[tuple[int, int], ...] = ()
    least_spools: int = 1
    """The fewest that are sold at once."""
    from_day: date | None = None
    """The first day on which it can be ordered; None for any until the last one."""
    until_day: date | None = None
    """The last one; None without an end."""
    ends_before: bool = False
    """Whether what this supplier offers of the item so far ends on the day before the first one."""


def add_machine(*, session: Session, now: datetime, by: By, name: str, feeds: int, g90_governs_e: bool = False) -> Made:
    """Add a machine with its feeds, each with a code. Errors: BadInput, Conflict.

    `g90_governs_e` says that its firmware takes G90 and G91 as words about extrusion too.
    """
    request = {"name": name, "feeds": feeds, **({"g90_governs_e": True} if g90_governs_e else {})}

    def do(act: Act) -> Made:
        machine = make_machine(session, act, name=name, feeds=feeds)
        if g90_governs_e:
            change(session, act, machine, g90_governs_e=True)
        return Made(act.id, machine.id)

    return once(
        session,
        "machine",
        by=by,
        now=now,
        request=request,
        answers=Made,
        about=name,
        do=do,
    )


def set_silent(*, session: Session, now: datetime, by: By, machine_id: int, silent: bool) -> Made:
    """Say whether a machine's jobs are taken as done past their planned end: nobody reports them. Errors: NotFound."""
    request = {"machine_id": machine_id, "silent": silent}

    def do(act: Act) -> Made:
        change(session, act, finding.live(session, Machine, machine_id), silent=silent)
        return Made(act.id, machine_id)

    return once(
        session,
        "machine",
        by=by,
        now=now,
        request=request,
        answers=Made,
        about=lambda: finding.live(session, Machine, machine_id).name,
        do=do,
    )


def add_place(*, session: Session, now: datetime, by: By, name: str, kind: PlaceKind) -> Made:
    """Add a place with its code. Errors: BadInput, Conflict."""
    request = {"name": name, "kind": kind}
    return once(
        session,
        "place",
        by=by,
        now=now,
        request=request,
        answers=Made,
        about=name,
        do=lambda act: Made(act.id, make_place(session, act, name=name, kind=kind).id),
    )


def add_article(
    *, session: Session, now: datetime, by: By, material: str, colour: str, finish: Finish, srgb: Sequence[str]
) -> Made:
    """Add an item. Errors: BadInput, Conflict where it is there already."""

    def do(act: Act) -> Made:
        if find_article(session, material=material, colour=colour, finish=finish) is not None:
            raise Conflict("item_is_there", f"{material} {colour} is there already.")
        retired = find_article(session, material=material, colour=colour, finish=finish, retired=True)
        if retired is not None and retired.now_id is None:
            words = f"{material} {colour} is there and retired. Take it back under Setup, with all that is known of it."
            raise Conflict("item_is_retired", words)
        made = make_article(session, act, material=material, colour=colour, finish=finish, srgb=srgb)
        shown = finding.item(session, made.id).srgb
        if srgb and shown != tuple(map(read_srgb, srgb)):
            words = f"{colour} is {' / '.join(shown)} in other materials. Leave the shade empty, or name it otherwise."
            raise Conflict("another_shade", words)
        return Made(act.id, made.id)

    request = {"material": material, "colour": colour, "finish": finish, "srgb": list(srgb)}
    return once(session, "item", by=by, now=now, request=request, answers=Made, about=f"{material} {colour}", do=do)


def add_supplier(*, session: Session, now: datetime, by: By, entry: SupplierEntry) -> Made:
    """Add a supplier. Errors: BadInput, Conflict."""

    def do(act: Act) -> Made:
        return Made(act.id, make_supplier(session, act, entry).id)

    return once(session, "supplier", by=by, now=now, request=vars(entry), answers=Made, about=entry.name, do=do)


def add_product(*, session: Session, now: datetime, by: By, entry: ProductEntry) -> Made:
    """Add a product with its grams of each item. Errors: BadInput, NotFound, Conflict."""

    def do(act: Act) -> Made:
        for article_id, _ in entry.parts:
            finding.live(session, Article, article_id)
        return Made(act.id, make_product(session, act, entry).id)

    return once(session, "product", by=by, now=now, request=vars(entry), answers=Made, about=entry.name, do=do)


def add_offer(*, session: Session, now: datetime, by: By, entry: OfferEntry) -> Made:
    """Add an offer with its price breaks. Errors: BadInput, NotFound, Conflict."""

    def do(act: Act) -> Made:
        return Made(act.id, make_offer(session, act, entry).id)

    def about() -> str:
        return finding.item_name(session, entry.article_id)

    return once(session, "offer", by=by, now=now, request=vars(entry), answers=Made, about=about, do=do)


def make_machine(session: Session, act: Act, *, name: str, feeds: int) -> Machine:
    """Give a new machine with its feeds. Errors: BadInput, Conflict."""
    name = free_name(session, Machine, name)
    if not 1 <= feeds <= MOST_FEEDS:
        raise BadInput("no_such_feeds", f"A machine has 1 to {MOST_FEEDS} feeds.")
    machine = create(session, act, Machine(name=name, site_id=_SITE))
    for position, serial in enumerate(next_serials(session, CodeKind.FEED, feeds), start=1):
        create(session, act, Feed(serial=serial, machine_id=machine.id, position=position))
    return machine


def make_place(session: Session, act: Act, *, name: str, kind: PlaceKind) -> Place:
    """Give a new place. Errors: BadInput, Conflict."""
    name = free_name(session, Place, name)
    serial = next_serials(session, CodeKind.PLACE)[0]
    return create(session, act, Place(serial=serial, name=name, kind=kind, site_id=_SITE))


def make_supplier(session: Session, act: Act, entry: SupplierEntry) -> Supplier:
    """Give a new supplier. Errors: BadInput, Conflict."""
    name = free_name(session, Supplier, entry.name)
    check_terms(entry)
    fields = {**vars(entry), "name": name, "address": entry.address.strip()}
    return create(session, act, Supplier(**fields))


def check_terms(entry: SupplierEntry) -> None:
    """Refuse terms that no supplier can have. Errors: BadInput."""
    year = 365
    if not all(0 <= (days or 0) <= year for days in (entry.lead_days, entry.lead_spread_days)):
        raise BadInput("no_such_lead", "A delivery takes 0 to 365 days, give or take 0 to 365.")
    if min(entry.parcel_minor, entry.free_freight_minor or 0, entry.least_minor or 0) < 0:
        words = "What a parcel costs, from what it is free, and what an order must be worth are 0 or more."
        raise BadInput("negative_price", words)
    if not 0 < entry.order_days <= EVERY_DAY:
        raise BadInput("no_order_day", "Tick one weekday at least on which it takes orders.")
    if entry.currency is not None:
        currency_decimals(entry.currency)
    if entry.mail and ("@" not in entry.mail or len(entry.mail) > LONGEST_MAIL):
        raise BadInput("no_such_mail", "A mail address has an @ in it. Mend it, or leave it empty.")
    if max(len(entry.note), len(entry.address)) > LONGEST_NOTE:
        raise BadInput("too_long", f"Write an address or a note of at most {LONGEST_NOTE} characters.")


def make_product(session: Session, act: Act, entry: ProductEntry) -> Product:
    """Give a new product. Errors: BadInput, Conflict."""
    name = free_name(session, Product, entry.name)
    if entry.price_minor is not None and entry.price_minor < 0:
        raise BadInput("negative_price", "A price is 0 or more. Leave it empty where there is none.")
    if len({article_id for article_id, _ in entry.parts}) < len(entry.parts):
        raise BadInput("item_twice", f"{name}: an item stands there twice. Enter its grams in one line.")
    product = create(session, act, Product(name=name, price_minor=entry.price_minor))
    for article_id, mg in entry.parts:
        if mg <= 0:
            raise BadInput("not_positive", f"{name}: a part weighs more than 0 g.")
        create(session, act, ProductPart(product_id=product.id, article_id=article_id, mg=mg))
    return product


def find_article(
    session: Session,
    *,
    material: str,
    colour: str,
    finish: Finish,
    diameter_um: int = 1750,
    retired: bool = False,
) -> Article | None:
    """Give the item in use of a material, colour, finish and diameter, in whatever case they are written.

    `retired` asks for one that is retired.
    """
    query = (
        select(Article, col(Material.code), col(Colour.name))
        .join(Material, col(Material.id) == col(Article.material_id))
        .join(Colour, col(Colour.id) == col(Article.colour_id))
        .where(col(Colour.finish) == finish, col(Article.diameter_um) == diameter_um)
        .where(col(Article.live), col(Article.retired).is_(retired))
    )
    wanted = folded(material), folded(colour)
    rows = session.execute(query.order_by(col(Article.id)))
    return next((article for article, *names in rows if tuple(map(folded, names)) == wanted), None)


def make_article(
    session: Session,
    act: Act,
    *,
    material: str,
    colour: str,
    finish: Finish,
    srgb: Sequence[str],
    diameter_um: int = 1750,
) -> Article:
    """Give a new item, with its colour where that is new too. Errors: BadInput, NotFound."""
    of = session.scalars(
        select(Material).where(col(Material.code) == material.strip().upper(), col(Material.live))
    ).first()
    if of is None:
        known = ", ".join(
            session.scalars(select(col(Material.code)).where(col(Material.live)).order_by(col(Material.code)))
        )
        raise NotFound("no_such_material", f"“{material.strip()}” is not a known material. Known are {known}.")
    if not colour.strip():
        raise BadInput("no_colour", "Name the colour.")
    shade = colour_of(session, colour.strip(), finish, [read_srgb(one) for one in srgb])
    return create(session, act, Article(material_id=of.id, colour_id=shade.id, diameter_um=diameter_um))


def make_offer(session: Session, act: Act, entry: OfferEntry) -> Offer:
    """Give a new offer. Errors: BadInput, NotFound, Conflict."""
    finding.live(session, Supplier, entry.supplier_id)
    finding.live(session, Article, entry.article_id)
    if entry.tare_mg is not None and entry.tare_mg < 0:
        raise BadInput("no_such_tare", "An empty reel weighs 0 g or more. Enter grams, or leave it empty.")
    OfferTerms(0, entry.price_minor, entry.spool_mg, entry.pack, entry.breaks, entry.least_spools)
    around = load_shop(session).today(act.recorded_at)
    offers.check_days(entry.from_day, entry.until_day, around=around, ends_before=entry.ends_before)
    digits = offers.read_retail(entry.retail_code)
    offers.check_code(session, digits, article_id=entry.article_id)
    if entry.ends_before and entry.from_day is not None:
        offers.end_before(session, act, entry.from_day, supplier_id=entry.supplier_id, article_id=entry.article_id)
    offer = create(
        session,
        act,
        Offer(
            supplier_id=entry.supplier_id,
            article_id=entry.article_id,
            their_number=entry.their_number.strip(),
            retail_code=digits or None,
            spool_mg=entry.spool_mg,
            tare_mg=entry.tare_mg,
            price_minor=entry.price_minor,
            pack=entry.pack,
            least_spools=entry.least_spools,
            from_day=entry.from_day,
            until_day=entry.until_day,
        ),
    )
    for from_spools, price_minor in entry.breaks:
        create(session, act, PriceBreak(offer_id=offer.id, from_spools=from_spools, price_minor=price_minor))
    return offer


def end_offers(
    *, session: Session, now: datetime, by: By, until_days: Mapping[int, tuple[date | None, date | None]]
) -> Made:
    """Say on which day each of these offers can be ordered last, by offer: as it was seen, and as it is to be.

    None is no end. Gives the first. Errors: BadInput; NotFound where one is gone by now; Conflict where another day was
    set since.
    """

    def do(act: Act) -> Made:
        if not until_days:
            raise BadInput("no_day_changed", "No last day was changed. Type the day in the offer's row.")
        for offer_id, (seen, until_day) in until_days.items():
            offer = finding.live(session, Offer, offer_id)
            if offer.until_day != seen:
                words = f"The last day of {finding.item_name(session, offer.article_id)} was changed since you opened"
                raise Conflict("day_changed", f"{words} the page: it is {offer.until_day or 'none'} now. Look again.")
            offers.check_days(offer.from_day, until_day, around=load_shop(session).today(now))
            change(session, act, offer, until_day=until_day)
        return Made(act.id, next(iter(until_days)))

    request = {"until_days": {str(number): days for number, days in until_days.items()}}
    about = f"{len(until_days)} offers" if len(until_days) != 1 else _sold(session, next(iter(until_days)))
    return once(session, "ends of offers", by=by, now=now, request=request, answers=Made, about=about, do=do)


def retire_offer(*, session: Session, now: datetime, by: By, offer_id: int) -> Made:
    """Withdraw an offer; orders that name it keep it, and what was to end before it goes on. Errors: NotFound."""

    def do(act: Act) -> Made:
        offer = session.get(Offer, offer_id)
        if offer is None:
            raise NotFound("no_such_offer", "There is no such offer any more. Open the page again.")
        if offer.from_day is not None and offer.from_day > load_shop(session).today(now):
            offers.take_back(session, act, offer)
        else:
            change(session, act, offer, live=False)
        return Made(act.id, offer.id)

    request, about = {"offer_id": offer_id}, _sold(session, offer_id)
    return once(session, "withdraw offer", by=by, now=now, request=request, answers=Made, about=about, do=do)


def _sold(session: Session, offer_id: int) -> str:
    """Give the item that an offer sells, for the list of acts; nothing where it is gone."""
    offer = session.get(Offer, offer_id)
    return "" if offer is None else finding.item_name(session, offer.article_id)


def free_name(
    session: Session, model: type[Machine | Place | Supplier | Product], name: str, *, but: int | None = None
) -> str:
    """Give a name without needless blanks, if nothing in use has it; `but` is the row that may.

    Errors: BadInput, Conflict.
    """
    plain = " ".join(name.split())
    longest = 80
    if not plain or len(plain) > longest:
        raise BadInput("no_name", f"Give it a name of 1 to {longest} characters.")
    # folded here and not by the database, which may know no case but that of the English letters
    there = session.execute(select(col(model.id), col(model.name)).where(col(model.live), ~col(model.retired)))
    taken = {folded(one): one for number, one in there if number != but}
    if folded(plain) in taken:
        words = f"There is a {model.__name__.lower()} named “{taken[folded(plain)]}” already."
        raise Conflict("name_is_taken", words)
    return plain


def colour_of(session: Session, name: str, finish: Finish, srgb: Sequence[str]) -> Colour:
    """Give the colour of this name and finish, made where it is new; a shade that nothing standing uses gives way."""
    name = " ".join(name.split())
    for known in session.scalars(select(Colour).where(col(Colour.finish) == finish).order_by(col(Colour.id))):
        if folded(known.name) == folded(name):
            _keep_or_mend_shade(session, known, srgb)
            return known
    if not srgb:
        raise BadInput("no_shade", f"“{name}” is a new colour: give its shade, like #1f6feb, so that it can be shown.")
    made = Colour(name=name, finish=finish)
    session.add(made)
    session.flush()
    _set_shade(session, made, srgb)
    return made


def _keep_or_mend_shade(session: Session, colour: Colour, srgb: Sequence[str]) -> None:
    of_colour = col(ColourValue.colour_id) == colour.id
    there = session.scalars(select(col(ColourValue.srgb)).where(of_colour).order_by(col(ColourValue.position))).all()
    if not srgb or list(there) == list(srgb):
        return
    in_use = select(col(Article.id)).where(col(Article.colour_id) == colour.id, col(Article.live))
    if session.scalars(in_use).first() is None:
        session.execute(delete(ColourValue).where(of_colour))
        _set_shade(session, colour, srgb)


def _set_shade(session: Session, colour: Colour, srgb: Sequence[str]) -> None:
    session.add_all(ColourValue(colour_id=colour.id, position=at, srgb=shade) for at, shade in enumerate(srgb))
    session.flush()
