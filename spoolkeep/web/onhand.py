"""Orders on hand: what customers ordered, and what that asks of each item.

The app factory registers it.
"""

from collections.abc import Iterable

from flask import Blueprint, flash, redirect, render_template, request, url_for
from flask import Response as File
from werkzeug.wrappers import Response

from spoolkeep.domain.errors import Refusal
from spoolkeep.services import joblist, onhand
from spoolkeep.services.asked import Wanted
from spoolkeep.services.onhand import OnHand
from spoolkeep.services.shop import load_shop
from spoolkeep.store.engine import Session
from spoolkeep.web import doors, forms, narrowing, tables
from spoolkeep.web.answers import status_of
from spoolkeep.web.tables_jobs import ASKED, ON_HAND

pages = Blueprint("onhand", __name__, url_prefix="/jobs/on-hand")


@pages.get("")
def page() -> str | File:
    """Show the orders on hand."""
    file = tables.asked(
        ON_HAND.of(lambda session: _fitting(session, onhand.view(session=session, now=doors.now())[0])),
        ASKED.of(lambda session: onhand.view(session=session, now=doors.now())[1]),
    )
    return file or _show()


@pages.post("")
def tell() -> Response | tuple[str, int]:
    """Enter one line of an order."""
    try:
        with doors.writing() as session:
            wanted = Wanted(
                order=forms.text("order"),
                product=forms.text("product"),
                colour=forms.text("colour"),
                pieces=forms.whole("pieces", "Pieces", 1),
                due_on=forms.day("due_on", "Due"),
            )
            onhand.tell(session=session, now=doors.now(), by=doors.by_form(), wanted=[wanted])
    except Refusal as refusal:
        return _show(refused=refusal), status_of(refusal)
    flash("On hand.", "heard")
    return redirect(url_for("onhand.page"))


@pages.post("/<int:number>")
def close(number: int) -> Response | tuple[str, int]:
    """Say that a line went out, or was called off."""
    called_off = forms.text("do") == "called off"
    try:
        with doors.writing() as session:
            by = doors.by_form()
            onhand.close(session=session, now=doors.now(), by=by, number=number, called_off=called_off)
    except Refusal as refusal:
        return _show(refused=refusal), status_of(refusal)
    flash("Called off." if called_off else "It went out.", "heard")
    return redirect(url_for("onhand.page"))


ASKS = (narrowing.words("find", "Order, product or item"), narrowing.tick("late", "Only those that are late"))


def _fitting(session: Session, lines: Iterable[OnHand]) -> list[OnHand]:
    """Give those lines that the address asks for."""
    narrowed, today = narrowing.read(*ASKS), load_shop(session).today(doors.now())
    fits, is_late = narrowed.fits("find"), narrowed.is_on("late")
    return [
        one
        for one in lines
        if fits(f"{one.order} {one.product} {one.item.name if one.item else ''}")
        and (not is_late or (one.due_on is not None and one.due_on < today))
    ]


def _show(refused: Refusal | None = None) -> str:
    with doors.reading() as session:
        every, asked = onhand.view(session=session, now=doors.now())
        lines = _fitting(session, every)
        products = joblist.products(session=session)
        today = load_shop(session).today(doors.now())
    return render_template(
        "onhand.html",
        lines=lines,
        narrowed=narrowing.read(*ASKS),
        asked=asked,
        products=products,
        today=today,
        refused=refused,
        form=request.form,
    )
