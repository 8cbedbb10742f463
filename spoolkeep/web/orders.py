"""Orders: what to order now and why, the orders themselves, and their sheets.

The app factory registers it.
"""

from flask import Blueprint, Response, flash, redirect, render_template, request, url_for
from werkzeug.wrappers import Response as Answer

from spoolkeep.domain.errors import BadInput, NotFound, Refusal
from spoolkeep.domain.terms import MOST_SPOOLS
from spoolkeep.domain.words import OrderState
from spoolkeep.paper.sheets import press_reorder_sheet, press_reorder_sheets
from spoolkeep.services import (
    choices,
    creditnotes,
    orderbook,
    orderdrafts,
    ordermail,
    orderneeds,
    orderplan,
    orders,
    sheets,
)
from spoolkeep.services.deliveries import Which
from spoolkeep.services.orderbook import OVERDUE, Ended, Needs, OrderView
from spoolkeep.services.orderdrafts import DraftAnswer
from spoolkeep.services.orders import Wanted
from spoolkeep.services.shop import load_shop
from spoolkeep.store.engine import Session
from spoolkeep.web import doors, forms, narrowing, paper, tables
from spoolkeep.web.answers import status_of
from spoolkeep.web.narrowing import Narrowed
from spoolkeep.web.tables_trade import CREDITS, ORDER_PLAN, ORDERS, ORDERS_OVER, as_listed

pages = Blueprint("orders", __name__, url_prefix="/orders")
OPEN_ONES = (OVERDUE, "part in", "promised", "sent", "drafted")
"""How open orders stand, in the order of the page."""
OVER = (OrderState.IN, OrderState.CLOSED_SHORT, OrderState.CALLED_OFF)


@pages.get("")
def page() -> str | Response:
    """Show what to order now, and the orders; of those that are over the ones older than `before` in the address."""
    file = tables.asked(
        ORDERS.of(lambda session: _open_ones(session, orderneeds.needs(session=session, now=doors.now()))),
        ORDERS_OVER.of(lambda session: _over(session, limit=None).orders),
        CREDITS.of(lambda session: creditnotes.due(session=session)),
        ORDER_PLAN.of(lambda session: as_listed(orderplan.view(session=session, now=doors.now()))),
    )
    return file or _show(before=_before())


def _asked(session: Session) -> tuple[Narrowed, Which]:
    suppliers = [(str(number), name) for number, name in choices.suppliers(session=session)]
    narrowed = narrowing.read(
        narrowing.choice("supplier", "Supplier", suppliers),
        narrowing.choice("state", "State", narrowing.all_of(*OPEN_ONES, *OVER)),
        narrowing.words("item", "Item contains"),
        narrowing.days("Drafted in the last"),
    )
    since = narrowed.since(load_shop(session), doors.now())
    fits = narrowed.fits("item") if narrowed.text("item") else None
    return narrowed, Which(narrowed.number("supplier"), since, fits)


def _open_ones(session: Session, needs: Needs) -> list[OrderView]:
    """Give the orders that are open and fit the address, by state."""
    narrowed, which = _asked(session)
    now = doors.now()
    found = orderbook.listed(session=session, now=now, open_only=True, limit=None, needs=needs, which=which)
    fitting = [one for one in found if narrowed.text("state") in {"", one.state}]
    return sorted(fitting, key=lambda one: OPEN_ONES.index(one.state))


def _over(session: Session, *, before: int | None = None, limit: int | None = 50) -> Ended:
    """Give the orders that are over and fit the address, the newest first."""
    narrowed, which = _asked(session)
    state = narrowed.text("state")
    if state in OPEN_ONES:
        return Ended((), 0, None)
    now = doors.now()
    return orderbook.ended(session=session, now=now, before=before, limit=limit, which=which, state=state)


def _before() -> int | None:
    given = request.args.get("before", "").strip()
    return forms.whole_from(given, "Older than the order") if given else None


@pages.post("")
def draft() -> str | Answer | tuple[str, int]:
    """Draft one order a supplier from the numbers on the page, or show what they would do."""
    try:
        wanted = _wanted()
        if forms.text("do") == "reckon":
            return _show(instead=wanted)
        with doors.writing() as session:
            orders.check_seen(session, forms.maybe_whole("seen", "The last order seen"))
            packs, told = orders.in_packs(session, wanted)
            answer = orders.draft(session=session, now=doors.now(), by=doors.by_form(), wanted=packs)
    except Refusal as refusal:
        return _show(refused=refusal), status_of(refusal)
    count = len(answer.order_ids)
    drafted = "1 order. Print or send its sheet." if count == 1 else f"{count} orders. Print or send each one's sheet."
    flash(f"Drafted: {drafted}", "heard")
    for words in told:
        flash(words, "attention")
    if len(answer.order_ids) == 1:
        return redirect(url_for("orders.one", order_id=answer.order_ids[0]))
    return redirect(url_for("orders.page"))


def _wanted() -> dict[int, int]:
    """Give the spools that the page asks for, by offer. Errors: BadInput."""
    found = {}
    for name in request.form:
        offer = name.removeprefix("offer-")
        if offer != name and offer.isdecimal():
            spools = forms.whole(name, "Spools", default=0)
            if not 0 <= spools <= MOST_SPOOLS:
                raise BadInput("no_such_number", f"Order 0 to {MOST_SPOOLS} spools of an item.")
            found[forms.whole_from(offer, "Offer")] = spools
    return found


@pages.post("/credits/<int:number>")
def credit_came(number: int) -> Answer | tuple[str, int]:
    """Enter what came of a credit."""
    try:
        with doors.writing() as session:
            shop = load_shop(session)
            minor = forms.money("came", "What came", shop)
            answer = creditnotes.came(session=session, now=doors.now(), by=doors.by_form(), number=number, minor=minor)
    except Refusal as refusal:
        return _show(refused=refusal), status_of(refusal)
    short = f" {shop.formats.money(answer.short_minor)} less than was asked." if answer.short_minor > 0 else ""
    flash(f"It came.{short}", "attention" if short else "heard")
    return redirect(url_for("orders.page", _anchor="credits"))


@pages.get("/<int:order_id>")
def one(order_id: int) -> str:
    """Show one order."""
    return _show_one(order_id)


@pages.post("/<int:order_id>")
def move_on(order_id: int) -> Answer | tuple[str, int]:
    """Send, promise, close short or call off an order."""
    try:
        with doors.writing() as session:
            orders.move_on(
                session=session,
                now=doors.now(),
                by=doors.by_form(),
                order_id=order_id,
                state=forms.word("state", OrderState, "The order"),
                promised_for=forms.day("promised_for", "Promised for"),
            )
            told = _told(session, order_id)
    except Refusal as refusal:
        return _show_one(order_id, refused=refusal), status_of(refusal)
    late = forms.text("state") in {OrderState.SENT, OrderState.PROMISED} and told
    flash(f"The order is {forms.text('state')}.{f' {told}.' if late else ''}", "attention" if late else "heard")
    return redirect(url_for("orders.one", order_id=order_id))


def _told(session: Session, order_id: int) -> str:
    """Give when an order comes and when it is needed, where it comes too late; else nothing."""
    needs = orderneeds.needs(session=session, now=doors.now())
    arrival = orderbook.view(session=session, now=doors.now(), order_id=order_id, needs=needs).arrival
    words = arrival.words(load_shop(session).formats) if arrival and arrival.days_without else ""
    return words[:1].upper() + words[1:]


@pages.post("/<int:order_id>/draft")
def change(order_id: int) -> Answer | tuple[str, int]:
    """Change a draft: its note and day, the numbers of its lines, or a further line, as the form's button says."""
    try:
        with doors.writing() as session:
            answer = _change(session, order_id)
    except Refusal as refusal:
        return _show_one(order_id, refused=refusal), status_of(refusal)
    flash("The order is changed. What it was can be had back under Acts and undo.", "heard")
    for note in answer.notes:
        flash(note, "attention")
    return redirect(url_for("orders.one", order_id=order_id))


def _change(session: Session, order_id: int) -> DraftAnswer:
    now, by = doors.now(), doors.by_form()
    do = forms.one_of("do", ("note", "lines", "add"), "What to change")
    if do == "note":
        day = forms.day("needed_by", "Needed by")
        note = forms.text("note")
        return orderdrafts.note_and_day(session=session, now=now, by=by, order_id=order_id, note=note, needed_by=day)
    if do == "lines":
        named = [name for name in request.form if name.startswith("spools-")]
        spools = {forms.whole_from(name.removeprefix("spools-"), "Line"): forms.whole(name, "Spools") for name in named}
        return orderdrafts.set_spools(session=session, now=now, by=by, order_id=order_id, spools=spools)
    wanted = Wanted(forms.whole("offer", "Offer"), forms.whole("spools", "Spools"))
    if not wanted.spools:
        raise BadInput("nothing_ordered", "Choose at least 1 spool to add.")
    return orderdrafts.add_line(session=session, now=now, by=by, order_id=order_id, wanted=wanted)


@pages.post("/sent")
def send_all() -> Answer | tuple[str, int]:
    """Say of all drafts that the page showed that they are sent: one act."""
    try:
        with doors.writing() as session:
            ids = [forms.whole_from(number, "Order") for number in request.form.getlist("order")]
            orderdrafts.send_all(session=session, now=doors.now(), by=doors.by_form(), order_ids=ids)
    except Refusal as refusal:
        return _show(refused=refusal), status_of(refusal)
    many = "1 order is" if len(ids) == 1 else f"{len(ids)} orders are"
    flash(f"{many} sent. One undo takes all of it back.", "heard")
    return redirect(url_for("orders.page", _anchor="orders"))


@pages.get("/sheets.pdf")
def sheets_pdf() -> Response | Answer:
    """Give the sheets of all drafts as one file to print; without a draft it leads back to the orders, and says so."""
    with doors.reading() as session:
        try:
            drafted = sheets.of_drafts(session=session, now=doors.now())
        except NotFound as refusal:
            flash(refusal.words, "attention")
            return redirect(url_for("orders.page"))
        formats = load_shop(session).formats
    return paper.pdf(press_reorder_sheets(drafted, formats=formats), "orders-drafted")


@pages.get("/<int:order_id>/sheet.pdf")
def sheet_pdf(order_id: int) -> Response:
    """Give an order's sheet to print."""
    with doors.reading() as session:
        sheet = sheets.sheet_of(session=session, now=doors.now(), order_id=order_id)
        formats = load_shop(session).formats
    return paper.pdf(press_reorder_sheet(sheet, formats=formats), f"order-{sheet.reference}")


@pages.get("/<int:order_id>/sheet.csv")
def sheet_csv(order_id: int) -> Response:
    """Give an order's sheet as CSV."""
    with doors.reading() as session:
        sheet = sheets.sheet_of(session=session, now=doors.now(), order_id=order_id)
    return paper.csv(sheets.as_csv(sheet), f"order-{sheet.reference}")


@pages.get("/<int:order_id>/sheet.xlsx")
def sheet_workbook(order_id: int) -> Response:
    """Give an order's sheet as XLSX."""
    with doors.reading() as session:
        sheet = sheets.sheet_of(session=session, now=doors.now(), order_id=order_id)
    return paper.workbook(sheets.as_workbook(sheet), f"order-{sheet.reference}")


def _show(refused: Refusal | None = None, instead: dict[int, int] | None = None, before: int | None = None) -> str:
    with doors.reading() as session:
        shop = load_shop(session)
        plan = orderplan.view(session=session, now=doors.now(), instead=instead)
        seen = orders.last_id(session)
        needs = orderneeds.needs(session=session, now=doors.now())
        narrowed, _ = _asked(session)
        awaited, over = _open_ones(session, needs), _over(session, before=before)
        drafted = orderbook.drafts(session=session, now=doors.now())
        due = creditnotes.due(session=session)
    return render_template(
        "orders.html",
        plan=plan,
        seen=seen,
        asked=instead is not None,
        orders=awaited,
        over=over,
        narrowed=narrowed,
        before=before,
        drafts=drafted,
        credits=due,
        shop=shop,
        refused=refused,
        form=request.form,
    )


def _show_one(order_id: int, refused: Refusal | None = None) -> str:
    with doors.reading() as session:
        shop = load_shop(session)
        needs = orderneeds.needs(session=session, now=doors.now())
        order = orderbook.view(session=session, now=doors.now(), order_id=order_id, needs=needs)
        addable = orderdrafts.addable(session=session, now=doors.now(), order=order)
    sheet = sheets.of_order(order, shop)
    return render_template(
        "order.html",
        order=order,
        addable=addable,
        mail=ordermail.mail_of(sheet, to=order.supplier_mail, formats=shop.formats),
        terms=sheet.terms,
        shop=shop,
        refused=refused,
        form=request.form,
        typed=_typed(order),
    )


def _typed(order: OrderView) -> dict[str, str]:
    """Give what a draft's fields hold: what was typed before it was refused, else what stands.

    A day that nobody said stands in no field: it follows the lines.
    """
    need = order.arrival.need if order.arrival else None
    stands = {"note": order.note, "needed_by": need.by.isoformat() if need and need.is_said else ""}
    stands |= {f"spools-{line.line_id}": str(line.spools) for line in order.lines}
    return stands | {name: value for name, value in request.form.items() if name in stands}
