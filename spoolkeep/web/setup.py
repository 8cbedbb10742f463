"""Setup: the workshop's settings and lists, the last acts, and the database.

The app factory registers it.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

from flask import Blueprint, Response, flash, redirect, render_template, request, url_for
from werkzeug.wrappers import Response as Answer

from spoolkeep.domain.errors import BadInput, Refusal
from spoolkeep.domain.sayings import SAYINGS
from spoolkeep.domain.words import CostFlow, Finish, PlaceKind, Role
from spoolkeep.services import (
    acts,
    catalogue,
    choices,
    joblist,
    keeping,
    machines,
    mending,
    orderacts,
    setup,
    suppliers,
    undoing,
)
from spoolkeep.services.catalogue import OfferEntry, ProductEntry, SupplierEntry
from spoolkeep.services.choices import Labelled, OfferView, ProductView, SupplierView
from spoolkeep.services.finding import Item
from spoolkeep.services.shop import Settings, Shop, load_shop
from spoolkeep.store.engine import Session
from spoolkeep.web import doors, forms, narrowing, spoken, tables
from spoolkeep.web.answers import status_of
from spoolkeep.web.api_shop import endpoints
from spoolkeep.web.forms import PPM_PER_BASIS_POINT
from spoolkeep.web.narrowing import Narrowed
from spoolkeep.web.tables_setup import FEEDS, ITEMS, PLACES, SOLD, SUPPLIERS
from spoolkeep.web.tables_stock import ACTS
from spoolkeep.web.tables_trade import OFFERS

pages = Blueprint("setup", __name__, url_prefix="/setup")
MONTHS, MOST_MINUTES = 12, 480
EACH_PAGE, ACTS_EACH_PAGE = 60, 100
PARTS_ASKED = 4
"""Items that the form for a product asks for; a sheet may have more."""
MOST_DAYS = 365
"""A plan for stock looks a year ahead and no further; far beyond, the calendar itself ends."""


@pages.get("")
def page() -> str | Response:
    """Show the settings and lists."""
    file = tables.asked(
        FEEDS.of(lambda session: _lists(session).feeds),
        PLACES.of(lambda session: _lists(session).places),
        ITEMS.of(lambda session: _lists(session).items),
        SUPPLIERS.of(lambda session: _lists(session).suppliers),
        SOLD.of(lambda session: _lists(session).products),
    )
    return file or _show()


@dataclass(frozen=True)
class _Lists:
    """What Setup lists, narrowed as the address asks."""

    narrowed: Narrowed
    machines: list[tuple[int, str]]
    feeds: list[Labelled]
    places: list[Labelled]
    items: list[Item]
    retired_items: list[Item]
    suppliers: list[SupplierView]
    offers: list[OfferView]
    products: list[ProductView]


def _lists(session: Session) -> _Lists:
    narrowed = narrowing.read(narrowing.words("name", "Name contains"))
    fits = narrowed.fits("name")
    items = [one for one in choices.items(session=session) if fits(f"{one.name} {one.finish}")]
    feeds = [one for one in choices.feeds(session=session) if fits(one.name)]
    return _Lists(
        narrowed=narrowed,
        machines=[one for one in joblist.machines(session=session) if fits(one[1])],
        feeds=feeds,
        places=[one for one in choices.place_list(session=session) if fits(one.name)],
        items=[one for one in items if not one.retired],
        retired_items=[one for one in items if one.retired],
        suppliers=[one for one in choices.supplier_list(session=session) if fits(one.name)],
        offers=[one for one in choices.offers(session=session) if fits(f"{one.item.name} {one.supplier}")],
        products=[one for one in choices.products(session=session) if fits(one.name)],
    )


@pages.post("")
def enter() -> Answer | tuple[str, int]:
    """Do what the form's hidden word says."""
    return _enter(
        {
            "machine": _machine,
            "silent": _silent,
            "place": _place,
            "height": _height,
            "dryer": _dryer,
            "item": _item,
            "supplier": _supplier,
            "offer": _offer,
            "offers": change_offer,
            "product": _product,
        }
    )


@pages.get("/doors")
def program_doors() -> str:
    """Show the doors for programs, as their own document tells them."""
    return render_template("doors.html", document=endpoints.document())


@pages.post("/settings")
def settings() -> Answer | tuple[str, int]:
    """Keep the workshop's settings."""
    return _enter({"settings": _settings})


def _enter(doings: dict[str, Callable[[Session], object]]) -> Answer | tuple[str, int]:
    try:
        doing = forms.chosen(doings)
        with doors.writing() as session:
            doing(session)
    except Refusal as refusal:
        return _show(refused=refusal), status_of(refusal)
    flash("Kept.", "heard")
    return redirect(url_for("setup.page", _anchor=forms.text("do")))


@pages.get("/offers")
def all_offers() -> str | Response:
    """Show every offer that holds, some at a time."""
    file = tables.asked(OFFERS.of(lambda session: _offers(session, _offers_narrowed(session))))
    if file:
        return file
    with doors.reading() as session:
        narrowed = _offers_narrowed(session)
        found = _offers(session, narrowed)
        today = load_shop(session).today(doors.now())
    page = narrowing.page_or_whole(len(found), EACH_PAGE)
    shown = found[page.start : page.start + page.each]
    return render_template("offers.html", offers=shown, page=page, narrowed=narrowed, today=today)


def _offers_narrowed(session: Session) -> Narrowed:
    return narrowing.read(
        narrowing.words("item", "Item contains"),
        narrowing.choice(
            "supplier", "Supplier", [(str(number), name) for number, name in choices.suppliers(session=session)]
        ),
        narrowing.tick("held", "Only those that hold today"),
    )


def _offers(session: Session, narrowed: Narrowed) -> list[OfferView]:
    found = choices.offers(session=session, supplier_id=narrowed.number("supplier"))
    today, fits = load_shop(session).today(doors.now()), narrowed.fits("item")
    return [
        one
        for one in found
        if fits(f"{one.item.name} {one.item.finish}") and (one.holds(today) or not narrowed.is_on("held"))
    ]


@pages.get("/acts")
def last_acts() -> str | Response:
    """Show what was done lately, each with its undo."""
    file = tables.asked(ACTS.of(lambda session: acts.listed(session=session, which=_acts_asked(session)[1])))
    return file or _show_acts()


@pages.post("/acts/<int:act_id>/undo")
def undo(act_id: int) -> Answer | tuple[str, int]:
    """Take back a whole act."""
    try:
        with doors.writing() as session:
            by, owner = doors.by_form(), doors.somebody().role is Role.OWNER
            answer = undoing.undo_act(session=session, now=doors.now(), by=by, act_id=act_id, owner=owner)
    except Refusal as refusal:
        return _show_acts(refused=refusal), status_of(refusal)
    flash(answer.words, "heard")
    return redirect(forms.page_of_ours("back") or url_for("setup.last_acts"))


def _settings(session: Session) -> object:
    shop = load_shop(session)
    settings = Settings(
        name=forms.text("name"),
        address=request.form.get("address", "").strip(),
        locale=forms.text("locale"),
        currency=forms.text("currency").upper(),
        zone=forms.text("zone"),
        day_starts_hour=forms.whole("day_starts_hour", "The day starts at"),
        opens_hour=forms.whole("opens_hour", "The shop opens at"),
        closes_hour=forms.whole("closes_hour", "The last one leaves at", default=shop.closes_hour),
        earns_minor_per_hour=forms.money(
            "earns", "A machine earns in an hour", shop, default=shop.earns_minor_per_hour
        ),
        rest_mg=forms.maybe_grams("rest", "A rest is scrap below") or 0,
        risk_ppm=forms.ppm("risk", "Risk of running out") if forms.text("risk") else shop.risk_ppm,
        review_days=_days("review_days", "Days between orders"),
        cover_days=_days("cover_days", "Days of cover"),
        safety_days=_days("safety_days", "Safety days"),
        lead_days=_days("lead_days", "Days of a delivery"),
        share_low_bp=forms.ppm("share_low", "Target from") // PPM_PER_BASIS_POINT,
        share_high_bp=forms.ppm("share_high", "Target to") // PPM_PER_BASIS_POINT,
        hour_cost_minor=forms.money("hour_cost", "An hour of your time", shop, default=shop.hour_cost_minor),
        carry_ppm_a_year=forms.ppm("carry", "A year of cash tied up") if forms.text("carry") else shop.carry_ppm_a_year,
        space_minor_a_month=forms.money("space", "Room for one spool", shop, default=shop.space_minor_a_month),
        change_seconds=forms.whole("change_seconds", "To change a spool", default=shop.change_seconds),
        cost_flow=forms.word("cost_flow", CostFlow, "How cost leaves the books", default=shop.cost_flow),
        **_ordering(shop),
    )
    return setup.set_up(session=session, now=doors.now(), by=doors.by_form(), settings=settings)


def _ordering(shop: Shop) -> dict[str, Any]:
    """Give what orders and stops are weighed by; what an older form does not have stays as it is."""
    if "order_minutes" not in request.form:
        names = ("order_seconds", "idle_ppm", "idle_busy_ppm", "busy_months", "late_minor")
        return {name: getattr(shop, name) for name in (*names, "budget_minor", "shelf_spools")}
    return {
        "order_seconds": _seconds("order_minutes", "An order takes you"),
        "idle_ppm": forms.ppm("idle", "No other work"),
        "idle_busy_ppm": forms.ppm("idle_busy", "No other work in busy months"),
        "busy_months": sum(1 << month for month in range(MONTHS) if forms.text(f"busy_{month + 1}") == "yes"),
        "late_minor": forms.money("late", "An order that goes out late costs", shop, default=0),
        "budget_minor": forms.money("budget", "To spend at most", shop) if forms.text("budget") else None,
        "shelf_spools": forms.maybe_whole("shelf_spools", "Room for spools"),
    }


def _seconds(name: str, what: str) -> int:
    minutes = forms.decimal(name, what)
    if not 0 <= minutes <= MOST_MINUTES:
        raise BadInput("no_such_minutes", f"{what}: enter 0 to {MOST_MINUTES} minutes.")
    return round(minutes * 60)


def _days(name: str, what: str) -> int:
    days = forms.whole(name, what)
    if days > MOST_DAYS:
        raise BadInput("no_such_days", f"{what}: enter at most {MOST_DAYS} days.")
    return days


def _machine(session: Session) -> object:
    return catalogue.add_machine(
        session=session,
        now=doors.now(),
        by=doors.by_form(),
        name=forms.text("name"),
        feeds=forms.whole("feeds", "Feeds", default=1),
        g90_governs_e=forms.text("g90_governs_e") == "yes",
    )


def _silent(session: Session) -> object:
    return catalogue.set_silent(
        session=session,
        now=doors.now(),
        by=doors.by_form(),
        machine_id=forms.whole("machine", "Machine"),
        silent=forms.text("silent") == "yes",
    )


def _place(session: Session) -> object:
    kind = forms.word("kind", PlaceKind, "Kind", default=PlaceKind.SHELF)
    return catalogue.add_place(session=session, now=doors.now(), by=doors.by_form(), name=forms.text("name"), kind=kind)


def _height(session: Session) -> object:
    cm = forms.decimal("height", "Height") if forms.text("height") else None
    place_id = forms.whole("place", "Place")
    height_mm = None if cm is None else round(cm * 10)
    return machines.set_height(
        session=session, now=doors.now(), by=doors.by_form(), place_id=place_id, height_mm=height_mm
    )


def _dryer(session: Session) -> object:
    place_id, hours = forms.whole("place", "Place"), forms.maybe_whole("hours", "Hours")
    return machines.set_dryer(session=session, now=doors.now(), by=doors.by_form(), place_id=place_id, hours=hours)


def _item(session: Session) -> object:
    shades = [shade for shade in (forms.text("shade"), forms.text("second_shade")) if shade]
    return catalogue.add_article(
        session=session,
        now=doors.now(),
        by=doors.by_form(),
        material=forms.text("material"),
        colour=forms.text("colour"),
        finish=forms.word("finish", Finish, "Finish", default=Finish.SATIN),
        srgb=shades,
    )


def _supplier(session: Session) -> object:
    shop = load_shop(session)
    free = forms.text("free_freight")
    return catalogue.add_supplier(
        session=session,
        now=doors.now(),
        by=doors.by_form(),
        entry=SupplierEntry(
            name=forms.text("name"),
            address=request.form.get("address", "").strip(),
            lead_days=forms.maybe_whole("lead_days", "Days of a delivery"),
            mail=forms.text("mail"),
            parcel_minor=forms.money("parcel", "A parcel costs", shop, default=0),
            free_freight_minor=forms.money("free_freight", "Free from", shop) if free else None,
        ),
    )


def _offer(session: Session) -> object:
    shop = load_shop(session)
    shop = replace(shop, currency=suppliers.paid_in(session, forms.whole("supplier", "Supplier"), shop))
    from_spools = forms.maybe_whole("break_from", "Cheaper from")
    breaks = ((from_spools, forms.money("break_price", "Cheaper price", shop)),) if from_spools else ()
    entry = OfferEntry(
        supplier_id=forms.whole("supplier", "Supplier"),
        article_id=forms.whole("article", "Item"),
        spool_mg=forms.grams("spool_grams", "Grams on a spool"),
        price_minor=forms.money("price", "Price of a spool", shop),
        their_number=forms.text("their_number"),
        retail_code=forms.text("retail_code"),
        tare_mg=forms.maybe_grams("tare", "Empty reel"),
        pack=forms.whole("pack", "Spools in a pack", default=1),
        breaks=breaks,
        least_spools=forms.whole("least", "At least", default=1),
        from_day=forms.day("from", "From"),
        until_day=forms.day("until", "Until"),
        ends_before=bool(forms.text("instead")),
    )
    return catalogue.add_offer(session=session, now=doors.now(), by=doors.by_form(), entry=entry)


def _product(session: Session) -> object:
    shop = load_shop(session)
    parts = [
        (forms.whole(f"article_{n}", f"Item {n}"), forms.grams(f"grams_{n}", f"Grams of item {n}"))
        for n in range(1, PARTS_ASKED + 1)
        if forms.text(f"article_{n}")
    ]
    if not parts:
        raise BadInput("no_parts", "Say of which items the product is made, and how many grams of each.")
    price = forms.money("price", "Price", shop) if forms.text("price") else None
    entry = ProductEntry(forms.text("name"), price, tuple(parts))
    return catalogue.add_product(session=session, now=doors.now(), by=doors.by_form(), entry=entry)


def change_offer(session: Session) -> object:
    """Keep the last days of offers, or withdraw one, as the list of offers asks."""
    now, by = doors.now(), doors.by_form()
    if forms.text("ends"):
        numbers = [name.removeprefix("until-") for name in request.form if name.startswith("until-")]
        days = {one: (forms.day(f"was-{one}", "Last day"), forms.day(f"until-{one}", "Last day")) for one in numbers}
        until_days = {forms.whole_from(one, "Offer"): both for one, both in days.items() if both[0] != both[1]}
        return catalogue.end_offers(session=session, now=now, by=by, until_days=until_days)
    offer_id = forms.whole("offer", "Offer")
    return catalogue.retire_offer(session=session, now=now, by=by, offer_id=offer_id)


def _show(refused: Refusal | None = None) -> str:
    with doors.reading() as session:
        shop = load_shop(session)
        context = {
            "shop": shop,
            "lists": _lists(session),
            "silent": joblist.silent_machines(session=session),
            "place_choices": choices.places(session=session),
            "supplier_choices": choices.suppliers(session=session),
            "articles": choices.articles(session=session),
            "retired": mending.retired_named(session=session),
            "materials": choices.materials(session=session),
            "backups": keeping.standing(session, doors.database_file(), now=doors.now()),
        }
    return render_template(
        "setup.html",
        finishes=list(Finish),
        place_kinds=list(PlaceKind),
        each_page=EACH_PAGE,
        parts_asked=PARTS_ASKED,
        today=shop.today(doors.now()),
        database=doors.about_database(),
        bench_words=spoken.words_here().now(),
        words_file=spoken.words_here().path,
        sayings=len(SAYINGS),
        refused=refused,
        form=request.form,
        **context,
    )


def _show_acts(refused: Refusal | None = None) -> str:
    with doors.reading() as session:
        narrowed, which = _acts_asked(session)
        page = narrowing.page_of(acts.count(session=session, which=which), ACTS_EACH_PAGE)
        latest = acts.listed(session=session, which=which, limit=ACTS_EACH_PAGE, skip=page.start)
        told = orderacts.told(session=session, act_ids=[one.act_id for one in latest])
    return render_template("acts.html", acts=latest, told=told, narrowed=narrowed, page=page, refused=refused)


def _acts_asked(session: Session) -> tuple[Narrowed, acts.Which]:
    known = acts.choices(session=session)
    who, stations = ([(str(number), name) for number, name in some] for some in (known.who, known.stations))
    narrowed = narrowing.read(
        narrowing.choice("who", "Who", who),
        narrowing.choice("station", "Where", stations),
        narrowing.choice("kind", "What", narrowing.all_of(*known.kinds)),
        narrowing.days("In the last"),
    )
    since = narrowed.since(load_shop(session), doors.now())
    return narrowed, acts.Which(narrowed.number("who"), narrowed.number("station"), narrowed.text("kind"), since)
