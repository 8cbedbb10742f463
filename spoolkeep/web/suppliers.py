"""A supplier by itself: its terms, closed days and offers, how long its deliveries took, and its orders.

The app factory registers it.
"""

from collections.abc import Callable
from dataclasses import replace

from flask import Blueprint, flash, redirect, render_template, request, url_for
from werkzeug.wrappers import Response

from spoolkeep.domain.errors import Refusal
from spoolkeep.services import finding, foresight, suppliers
from spoolkeep.services.catalogue import SupplierEntry
from spoolkeep.services.shop import load_shop
from spoolkeep.services.suppliers import SupplierPage
from spoolkeep.store.engine import Session
from spoolkeep.web import doors, forms, tables
from spoolkeep.web.answers import status_of
from spoolkeep.web.setup import change_offer
from spoolkeep.web.tables_trade import LEAD_TIMES, OFFERS

pages = Blueprint("suppliers", __name__, url_prefix="/orders/suppliers")
WEEKDAYS = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")


@pages.get("/<int:supplier_id>")
def page(supplier_id: int) -> str | Response:
    """Show a supplier; what was merged into another leads there."""

    def view(session: Session) -> SupplierPage:
        return suppliers.view(session=session, now=doors.now(), supplier_id=supplier_id)

    with doors.reading() as session:
        now_id = finding.supplier_now(session, supplier_id)
    if now_id != supplier_id:
        return redirect(url_for("suppliers.page", supplier_id=now_id))
    took = LEAD_TIMES.of(lambda session: view(session).known.parts)
    return tables.asked(took, OFFERS.of(lambda session: view(session).offers)) or _show(supplier_id)


@pages.post("/<int:supplier_id>")
def change(supplier_id: int) -> Response | tuple[str, int]:
    """Keep what the form says of it."""
    doings: dict[str, Callable[[Session, int], object]] = {
        "describe": _describe,
        "break": _break,
        "no break": _no_break,
        "close": _close,
        "open": _open,
        "offers": _change_offer,
    }
    try:
        doing = forms.chosen(doings)
        with doors.writing() as session:
            doing(session, supplier_id)
    except Refusal as refusal:
        return _show(supplier_id, refusal), status_of(refusal)
    flash("Kept.", "heard")
    return redirect(url_for("suppliers.page", supplier_id=supplier_id))


def _describe(session: Session, supplier_id: int) -> object:
    shop = load_shop(session)
    currency = forms.text("currency").upper() or None
    paid = replace(shop, currency=currency or shop.currency)
    entry = SupplierEntry(
        name=forms.text("name"),
        address=forms.text("address"),
        mail=forms.text("mail"),
        note=forms.text("note"),
        lead_days=forms.maybe_whole("lead_days", "Days of a delivery"),
        lead_spread_days=forms.maybe_whole("lead_spread_days", "Give or take"),
        order_days=sum(1 << day for day in range(len(WEEKDAYS)) if forms.text(f"order_day_{day}") == "yes"),
        parcel_minor=forms.money("parcel", "A parcel costs", paid, default=0),
        free_freight_minor=forms.money("free_freight", "Free from", paid) if forms.text("free_freight") else None,
        least_minor=forms.money("least", "An order is worth at least", paid) if forms.text("least") else None,
        currency=currency,
    )
    return suppliers.describe(
        session=session, now=doors.now(), by=doors.by_form(), supplier_id=supplier_id, entry=entry
    )


def _break(session: Session, supplier_id: int) -> object:
    return suppliers.add_break(
        session=session,
        now=doors.now(),
        by=doors.by_form(),
        supplier_id=supplier_id,
        from_spools=forms.whole("from_spools", "From"),
        off_ppm=forms.ppm("off", "Taken off"),
    )


def _no_break(session: Session, _: int) -> object:
    break_id = forms.whole("break", "What is taken off")
    return suppliers.retire_break(session=session, now=doors.now(), by=doors.by_form(), break_id=break_id)


def _close(session: Session, supplier_id: int) -> object:
    first, last = forms.closed_days()
    return foresight.close(
        session=session,
        now=doors.now(),
        by=doors.by_form(),
        from_day=first,
        until_day=last,
        why=forms.text("why"),
        supplier_id=supplier_id,
    )


def _open(session: Session, supplier_id: int) -> object:
    first, last = forms.closed_days()
    return foresight.open_again(
        session=session,
        now=doors.now(),
        by=doors.by_form(),
        from_day=first,
        until_day=last,
        supplier_id=supplier_id,
    )


def _change_offer(session: Session, _: int) -> object:
    return change_offer(session)


def _show(supplier_id: int, refused: Refusal | None = None) -> str:
    with doors.reading() as session:
        supplier = suppliers.view(session=session, now=doors.now(), supplier_id=supplier_id)
        shop = load_shop(session)
        paid = replace(shop, currency=suppliers.paid_in(session, supplier_id, shop))
    carried = [name for day, name in enumerate(WEEKDAYS) if supplier.known.carrier_weekdays >> day & 1]
    return render_template(
        "supplier.html",
        supplier=supplier,
        weekdays=WEEKDAYS,
        carried=carried,
        paid=paid,
        today=shop.today(doors.now()),
        refused=refused,
        form=request.form,
    )
