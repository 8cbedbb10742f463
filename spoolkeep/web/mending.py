"""Mending what was entered: an item, a name, what is retired, what was entered twice, a spool under the wrong item.

The app factory registers it.
"""

from collections.abc import Callable
from decimal import Decimal

from flask import Blueprint, flash, redirect, render_template, request, url_for
from werkzeug.wrappers import Response

from spoolkeep.domain.errors import BadInput, Refusal
from spoolkeep.domain.words import Finish
from spoolkeep.services import finding, mending, merging, moving
from spoolkeep.services.limits import MOST_WHOLE
from spoolkeep.services.mending import MOST_SHADES, ItemEntry
from spoolkeep.store.engine import Session
from spoolkeep.web import doors, forms
from spoolkeep.web.answers import status_of

pages = Blueprint("mending", __name__)
Answer = Response | tuple[str, int]
MOST_TYPED = 1000
_UM_PER_MM, _MG_PER_G = 1000, 1000


@pages.get("/setup/items/<int:article_id>")
def item(article_id: int) -> str | Response:
    """Show what can be changed about an item, and before a merge what it would carry over."""
    with doors.reading() as session:
        now_id = finding.item_now(session, article_id)
    if now_id != article_id:
        return redirect(url_for("mending.item", article_id=now_id))
    return _show_item(article_id)


@pages.post("/setup/items/<int:article_id>")
def change_item(article_id: int) -> Answer:
    """Do to an item what the form says."""
    doings: dict[str, Callable[[Session, int], str]] = {
        "change": _change,
        "retire": _retire_item,
        "take back": _retire_item,
        "merge": _merge_item,
    }
    try:
        doing = forms.chosen(doings)
        with doors.writing() as session:
            said = doing(session, article_id)
            now_id = finding.item_now(session, article_id)
    except Refusal as refusal:
        return _show_item(article_id, refusal), status_of(refusal)
    flash(said, "heard")
    return redirect(url_for("stock.item", article_id=now_id))


def _change(session: Session, article_id: int) -> str:
    density = forms.decimal("density", "Density") if forms.text("density") else None
    entry = ItemEntry(
        colour=forms.text("colour"),
        finish=forms.word("finish", Finish, "Finish"),
        shades=tuple(filter(None, (forms.text(f"shade_{number}") for number in range(1, MOST_SHADES + 1)))),
        diameter_um=round(_within(forms.decimal("diameter", "Diameter")) * _UM_PER_MM),
        density_mg_per_cm3=None if density is None else round(_within(density) * _MG_PER_G),
    )
    mending.change_item(session=session, now=doors.now(), by=doors.by_form(), article_id=article_id, entry=entry)
    return "Kept."


def _within(number: Decimal) -> Decimal:
    """Give a number of mm or g/cm³ that is small enough to be one; the service says which may be. Errors: BadInput."""
    if abs(number) > MOST_TYPED:
        raise BadInput("too_large", f"{number:g} is too large. Write it like 1.75.")
    return number


def _retire_item(session: Session, article_id: int) -> str:
    retired, now, by = forms.text("do") == "retire", doors.now(), doors.by_form()
    mending.retire_item(session=session, now=now, by=by, article_id=article_id, retired=retired)
    return "Retired. What was booked stays, and so do its spools." if retired else "Taken back."


def _merge_item(session: Session, article_id: int) -> str:
    into_id = forms.whole("into", "Merge into")
    merging.merge_items(session=session, now=doors.now(), by=doors.by_form(), article_id=article_id, into_id=into_id)
    return "Merged. Under Acts and undo the whole of it can be taken back."


def _show_item(article_id: int, refused: Refusal | None = None) -> str:
    into_id = _asked()
    with doors.reading() as session:
        view = mending.item_view(session=session, article_id=article_id)
        ahead = merging.items_ahead(session=session, article_id=article_id, into_id=into_id) if into_id else None
    return render_template(
        "mend_item.html",
        view=view,
        ahead=ahead,
        finishes=list(Finish),
        refused=refused,
        form=request.form,
    )


def _asked() -> int | None:
    """Give the number of what the address asks to merge into or to move to."""
    number = request.args.get("into", type=int)
    return number if number is not None and 0 < number <= MOST_WHOLE else None


@pages.get("/setup/<kind>/<int:number>")
def named(kind: str, number: int) -> str | Response:
    """Show how a place, machine, product or supplier is called, and whether it is retired."""
    with doors.reading() as session:
        now_id = finding.supplier_now(session, number) if kind == "supplier" else number
    if now_id != number:
        return redirect(url_for("mending.named", kind=kind, number=now_id))
    return _show_named(kind, number)


@pages.post("/setup/<kind>/<int:number>")
def change_named(kind: str, number: int) -> Answer:
    """Do to it what the form says."""
    doings: dict[str, Callable[[Session, str, int], str]] = {
        "rename": _rename,
        "retire": _retire,
        "take back": _retire,
        "merge": _merge_supplier,
    }
    try:
        doing = forms.chosen(doings)
        with doors.writing() as session:
            said = doing(session, kind, number)
    except Refusal as refusal:
        return _show_named(kind, number, refusal), status_of(refusal)
    flash(said, "heard")
    return redirect(url_for("setup.page", _anchor=kind))


def _rename(session: Session, kind: str, number: int) -> str:
    name, now, by = forms.text("name"), doors.now(), doors.by_form()
    mending.rename(session=session, now=now, by=by, kind=kind, number=number, name=name)
    return "Kept. The former name still finds it."


def _retire(session: Session, kind: str, number: int) -> str:
    retired, now, by = forms.text("do") == "retire", doors.now(), doors.by_form()
    mending.retire(session=session, now=now, by=by, kind=kind, number=number, retired=retired)
    return "Retired." if retired else "Taken back."


def _merge_supplier(session: Session, kind: str, number: int) -> str:
    if kind != "supplier":
        raise BadInput("unknown_act", "Choose what to change.")
    into_id = forms.whole("into", "Merge into")
    merging.merge_suppliers(session=session, now=doors.now(), by=doors.by_form(), supplier_id=number, into_id=into_id)
    return "Merged. Under Acts and undo the whole of it can be taken back."


def _show_named(kind: str, number: int, refused: Refusal | None = None) -> str:
    into_id = _asked() if kind == "supplier" else None
    with doors.reading() as session:
        view = mending.named_view(session=session, kind=kind, number=number)
        ahead = merging.suppliers_ahead(session=session, supplier_id=number, into_id=into_id) if into_id else None
    return render_template("mend_named.html", view=view, ahead=ahead, refused=refused, form=request.form)


@pages.get("/spools/<code>/item")
def spool(code: str) -> str:
    """Show under which item a spool is booked, and before a move what it would carry over."""
    return _show_spool(code)


@pages.post("/spools/<code>/item")
def move(code: str) -> Answer:
    """Book a spool under another item."""
    try:
        with doors.writing() as session:
            into_id = forms.whole("into", "Item")
            now, by = doors.now(), doors.by_form()
            moving.move_spool(session=session, now=now, by=by, spool_code=code, article_id=into_id)
    except Refusal as refusal:
        return _show_spool(code, refusal), status_of(refusal)
    flash("Moved, with all that was drawn from it. Print its label again.", "heard")
    return redirect(url_for("spools.page", code=code))


def _show_spool(code: str, refused: Refusal | None = None) -> str:
    with doors.reading() as session:
        view = moving.view(session=session, spool_code=code, into_id=_asked())
    return render_template("mend_spool.html", view=view, refused=refused)
