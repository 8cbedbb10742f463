"""Deliveries: book in what came with scans or by hand, open its labels, and what becomes of spools that are not right.

The app factory registers it.
"""

from collections.abc import Mapping

from flask import Blueprint, Response, flash, redirect, render_template, request, url_for
from werkzeug.wrappers import Response as Answer

from spoolkeep.domain.errors import BadInput, Refusal
from spoolkeep.domain.formats import currency_decimals
from spoolkeep.domain.units import MG_PER_G, with_mark
from spoolkeep.domain.words import Lasting
from spoolkeep.services import asides, bookin, choices, deliveries, labels, orderbook
from spoolkeep.services.bookin import Heard
from spoolkeep.services.deliveries import Arrived
from spoolkeep.services.orderbook import LineView, OrderView, came_in_words
from spoolkeep.services.shop import Shop, load_shop
from spoolkeep.store.engine import Session
from spoolkeep.web import doors, forms, narrowing, paper, tables
from spoolkeep.web.answers import status_of
from spoolkeep.web.narrowing import Narrowed
from spoolkeep.web.tables_trade import DELIVERIES, DELIVERY_SPOOLS

pages = Blueprint("deliveries", __name__, url_prefix="/deliveries")
Values = Mapping[str, str]
EACH_PAGE = 20


@pages.get("")
def page() -> str | Response:
    """Show the last deliveries and the form that books one in."""
    came = DELIVERIES.of(lambda session: deliveries.recent(session=session, which=_asked(session)[1], limit=None))
    return tables.asked(came) or _show(request.args.to_dict())


@pages.post("")
def book() -> Answer | tuple[str, int] | str:
    """Take a scan into the form, or book in a delivery, with an order or without, as the form's button says."""
    if forms.text("do") == "hear" or forms.text("scan"):
        return _hear()
    try:
        with doors.writing() as session:
            answer = _book(session, load_shop(session))
            order_id = forms.maybe_whole("order", "Order")
            order = orderbook.view(session=session, now=doors.now(), order_id=order_id) if order_id else None
    except Refusal as refusal:
        return _show(request.form.to_dict(), refused=refusal), status_of(refusal)
    count = len(answer.spool_codes)
    flash(f"Booked in: {'1 spool' if count == 1 else f'{count} spools'}. Print the labels now.", "heard")
    for note in (*answer.notes, *(came_in_words(order) if order else ())):
        flash(note, "attention")
    return redirect(url_for("deliveries.one", delivery_id=answer.delivery_id))


@pages.get("/<int:delivery_id>")
def one(delivery_id: int) -> str | Response:
    """Show a delivery's spools with their labels open."""
    spools = DELIVERY_SPOOLS.of(lambda session: deliveries.spools_of(session=session, delivery_id=delivery_id))
    return tables.asked(spools) or _show_one(delivery_id)


@pages.post("/<int:delivery_id>")
def change(delivery_id: int) -> Answer | tuple[str, int]:
    """Set spools of a delivery aside, let them go, or send them back, as the form's button says."""
    try:
        with doors.writing() as session:
            said = _change(session)
    except Refusal as refusal:
        return _show_one(delivery_id, refused=refusal), status_of(refusal)
    flash(said, "heard")
    return redirect(url_for("deliveries.one", delivery_id=delivery_id))


@pages.get("/<int:delivery_id>/labels.pdf")
def labels_pdf(delivery_id: int) -> Response:
    """Give the labels of a delivery, from a position on the sheet and from a label on."""
    with doors.reading() as session:
        codes = deliveries.codes_of(session=session, delivery_id=delivery_id)
        wanted = codes[max(0, paper.number_asked("from", 1, "From label") - 1) :]
        gathered = labels.of_codes(session=session, now=doors.now(), codes=wanted, stock=paper.stock_asked())
    return paper.pdf(paper.pressed(gathered), f"labels-delivery-{delivery_id}")


def _asked(session: Session) -> tuple[Narrowed, deliveries.Which]:
    suppliers = [(str(number), name) for number, name in choices.suppliers(session=session)]
    narrowed = narrowing.read(
        narrowing.choice("from", "Supplier", suppliers),
        narrowing.words("item", "Item contains"),
        narrowing.days("In the last"),
    )
    since = narrowed.since(load_shop(session), doors.now())
    fits = narrowed.fits("item") if narrowed.text("item") else None
    return narrowed, deliveries.Which(narrowed.number("from"), since, fits)


def _hear() -> tuple[str, int] | str:
    """Take a scan into the form that is being filled; nothing is booked, and nothing typed is lost."""
    values = {**request.form.to_dict(), "scan": ""}
    if not forms.text("scan"):
        return _show(
            values, asks="Nothing was scanned, and nothing is booked yet. Press the button below to book it in."
        )
    try:
        with doors.reading() as session:
            order_id = forms.maybe_whole("order", "Order")
            heard = bookin.hear(session=session, now=doors.now(), text=forms.text("scan"), order_id=order_id)
            values |= _values_of(session, heard, load_shop(session))
    except Refusal as refusal:
        return _show(values, refused=refusal), status_of(refusal)
    return _show(values, heard=heard)


def _values_of(session: Session, heard: Heard, shop: Shop) -> dict[str, str]:
    """Give what a scan puts into the form."""
    values = {"retail_code": heard.retail_code} if heard.retail_code else {}
    if heard.order_id:
        values["order"] = str(heard.order_id)
    if heard.place_id:
        values["place"] = str(heard.place_id)
    if heard.line_id:
        values |= {f"code-{heard.line_id}": heard.retail_code, "retail_code": ""}
    if heard.order_id and heard.line_id and not forms.text("place"):
        view = orderbook.view(session=session, now=doors.now(), order_id=heard.order_id)
        line = next(one for one in view.lines if one.line_id == heard.line_id)
        values["place"] = str(bookin.place_of_last(session, line.item.article_id) or "")
    if heard.offer:
        offer = heard.offer
        values |= {
            "offer": str(offer.offer_id),
            "article": str(offer.article_id),
            "supplier": str(offer.supplier_id),
            "spools": str(offer.spools),
            "spool_grams": plain_grams(offer.spool_mg),
            "price": "" if offer.is_foreign else plain_money(offer.price_minor, shop),
            "tare": "" if offer.tare_mg is None else plain_grams(offer.tare_mg),
            "place": forms.text("place") or str(offer.place_id or ""),
        }
    return values


def plain_grams(mg: int) -> str:
    """Give grams as a field takes them."""
    return with_mark(f"{mg / MG_PER_G:.3f}".rstrip("0").rstrip("."), ".")


def plain_money(minor: int, shop: Shop) -> str:
    """Give an amount as a field takes it."""
    decimals = currency_decimals(shop.currency)
    return with_mark(f"{minor / 10**decimals:.{decimals}f}", ".")


def _book(session: Session, shop: Shop) -> deliveries.DeliveryAnswer:
    order_id = forms.maybe_whole("order", "Order")
    return deliveries.book_delivery(
        session=session,
        now=doors.now(),
        by=doors.by_form(),
        arrived=_of_order(session, order_id, shop) if order_id else [_alone(shop)],
        supplier_id=forms.maybe_whole("supplier", "Supplier"),
        order_id=order_id,
        freight_minor=forms.money("freight", "Freight", shop, default=0),
        arrived_at=forms.moment("arrived_at", "Arrived", shop),
    )


def _lasting() -> Lasting | None:
    return forms.word("lasting", Lasting, "What differs") if forms.text("lasting") else None


def _alone(shop: Shop) -> Arrived:
    return Arrived(
        article_id=forms.whole("article", "Item"),
        spools=forms.whole("spools", "Spools"),
        spool_mg=forms.grams("spool_grams", "Grams on a spool"),
        price_minor=forms.money("price", "Price of a spool", shop, default=0),
        tare_mg=forms.maybe_grams("tare", "Empty reel"),
        lot=forms.text("lot"),
        place_id=forms.maybe_whole("place", "Place"),
        offer_id=forms.maybe_whole("offer", "Offer"),
        retail_code=forms.text("retail_code"),
        lasting=_lasting(),
        damaged=forms.whole("damaged", "Damaged", default=0),
    )


def _of_order(session: Session, order_id: int, shop: Shop) -> list[Arrived]:
    """Give what came of each line of an order; a line of which nothing came is left out."""
    order = orderbook.view(session=session, now=doors.now(), order_id=order_id)
    tares = choices.tares(session=session, line_ids=[line.line_id for line in order.lines])
    came = [(line, forms.whole(f"spools-{line.line_id}", line.item.name, default=0)) for line in order.lines]
    for line, spools in came:
        if spools and order.is_foreign and not forms.text(f"price-{line.line_id}"):
            words = (
                f"{line.item.name}: it is priced in {order.currency}. Enter what a spool costs you in {shop.currency}."
            )
            raise BadInput("other_currency", words)
    return [_of_line(line, spools, shop, tare_mg=tares.get(line.line_id)) for line, spools in came if spools]


def _of_line(line: LineView, spools: int, shop: Shop, *, tare_mg: int | None) -> Arrived:
    number, name = line.line_id, line.item.name
    grams = f"grams-{number}"
    on_it = forms.text("code_line") == str(number)
    return Arrived(
        article_id=line.item.article_id,
        spools=spools,
        spool_mg=forms.grams(grams, f"{name}, grams on a spool") if forms.text(grams) else line.spool_mg,
        price_minor=forms.money(f"price-{number}", f"{name}, price", shop, default=line.price_minor),
        tare_mg=tare_mg,
        lot=forms.text(f"lot-{number}"),
        order_line_id=number,
        place_id=forms.maybe_whole("place", "Place"),
        retail_code=forms.text(f"code-{number}") or (forms.text("retail_code") if on_it else ""),
        lasting=_lasting(),
        damaged=forms.whole(f"damaged-{number}", f"{name}, damaged", default=0),
    )


def _change(session: Session) -> str:
    """Do what the form's button says with the spools that are ticked, and give it in words."""
    now, by, codes = doors.now(), doors.by_form(), request.form.getlist("spool")
    do = forms.one_of("do", ("aside", "lot", "let go", "back"), "What to do")
    if do == "back":
        why = forms.text("why")
        answer = deliveries.send_back(session=session, now=now, by=by, spool_codes=codes, note=why)
        due = " What they were worth is due as credit, under Orders." if answer.landed_minor else ""
        return f"Sent back: {len(codes)} of these spools. They are off the books.{due}"
    if do == "let go":
        return asides.let_go(session=session, now=now, by=by, spool_codes=codes).words
    if do == "lot" and codes:
        why = forms.text("why") or "does not match"
        return asides.set_lot_aside(session=session, now=now, by=by, spool_code=codes[0], why=why).words
    return asides.set_aside(session=session, now=now, by=by, spool_codes=codes, why=forms.text("why")).words


def _show(values: Values, *, refused: Refusal | None = None, heard: Heard | None = None, asks: str = "") -> str:
    with doors.reading() as session:
        shop = load_shop(session)
        awaited = orderbook.listed(session=session, now=doors.now(), open_only=True, limit=None)
        narrowed, which = _asked(session)
        page = narrowing.page_of(deliveries.count(session=session, which=which), EACH_PAGE)
        context = {
            "recent": deliveries.recent(session=session, which=which, limit=EACH_PAGE, skip=page.start),
            "narrowed": narrowed,
            "page": page,
            "articles": choices.articles(session=session),
            "suppliers": choices.suppliers(session=session),
            "places": choices.places(session=session),
        }
    order = next((one for one in awaited if str(one.order_id) == values.get("order")), None)
    return render_template(
        "deliveries.html",
        awaited=awaited,
        order=order,
        expected=_expected(order, shop),
        lastings=list(Lasting),
        refused=refused,
        heard=heard,
        asks=asks,
        form=values,
        **context,
    )


def _expected(order: OrderView | None, shop: Shop) -> dict[int, tuple[str, str]]:
    """Give what is expected of each line of an order, as its fields take it: grams on a spool, and its price."""
    if order is None:
        return {}
    prices = {one.line_id: "" if order.is_foreign else plain_money(one.price_minor, shop) for one in order.lines}
    return {line.line_id: (plain_grams(line.spool_mg), prices[line.line_id]) for line in order.lines}


def _show_one(delivery_id: int, refused: Refusal | None = None) -> str:
    with doors.reading() as session:
        spools = deliveries.spools_of(session=session, delivery_id=delivery_id)
        codes = [spool.code for spool in spools]
        lacking = labels.letters_lacking(session=session, codes=codes)
        offered = paper.choices(session)
    return render_template(
        "delivery.html",
        delivery_id=delivery_id,
        spools=spools,
        lacking=lacking,
        offered=offered,
        refused=refused,
        form=request.form,
    )
