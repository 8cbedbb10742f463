"""Orders: what to order now and why, the orders themselves, and their sheets.

The app factory registers it.
"""

from flask import Blueprint, Response, flash, redirect, render_template, request, url_for
from werkzeug.wrappers import Response as Answer

from spoolkeep.domain.errors import Refusal
from spoolkeep.domain.words import OrderState
from spoolkeep.paper.sheets import press_reorder_sheet
from spoolkeep.services import creditnotes, orders, sheets
from spoolkeep.services.orders import Wanted
from spoolkeep.services.shop import load_shop
from spoolkeep.web import doors, forms, paper
from spoolkeep.web.answers import status_of

pages = Blueprint("orders", __name__, url_prefix="/orders")


@pages.get("")
def page() -> str:
    """Show what to order now, and the orders."""
    return _show()


@pages.post("")
def draft() -> Answer | tuple[str, int]:
    """Draft one order a supplier from the numbers on the page."""
    try:
        wanted = [
            Wanted(forms.whole_from(name.removeprefix("offer-"), "Offer"), forms.whole(name, "Spools", default=0))
            for name in request.form
            if name.startswith("offer-") and name.removeprefix("offer-").isdecimal()
        ]
        with doors.writing() as session:
            answer = orders.draft(session=session, now=doors.now(), by=doors.by_form(), wanted=wanted)
    except Refusal as refusal:
        return _show(refused=refusal), status_of(refusal)
    count = len(answer.order_ids)
    drafted = "1 order. Print or send its sheet." if count == 1 else f"{count} orders. Print or send each one's sheet."
    flash(f"Drafted: {drafted}", "heard")
    if len(answer.order_ids) == 1:
        return redirect(url_for("orders.one", order_id=answer.order_ids[0]))
    return redirect(url_for("orders.page"))


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
    except Refusal as refusal:
        return _show_one(order_id, refused=refusal), status_of(refusal)
    flash(f"The order is {forms.text('state')}.", "heard")
    return redirect(url_for("orders.one", order_id=order_id))


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


def _show(refused: Refusal | None = None) -> str:
    with doors.reading() as session:
        shop = load_shop(session)
        advice = orders.advise(session=session, now=doors.now())
        listed = orders.listed(session=session, now=doors.now())
        due = creditnotes.due(session=session)
    return render_template(
        "orders.html", advice=advice, orders=listed, credits=due, shop=shop, refused=refused, form=request.form
    )


def _show_one(order_id: int, refused: Refusal | None = None) -> str:
    with doors.reading() as session:
        order = orders.view(session=session, now=doors.now(), order_id=order_id)
    return render_template("order.html", order=order, refused=refused, form=request.form)
