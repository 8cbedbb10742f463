"""A machine by itself: what it can take, and what a change of plastic purges on it.

The app factory registers it.
"""

from collections.abc import Callable

from flask import Blueprint, flash, redirect, render_template, request, url_for
from werkzeug.wrappers import Response

from spoolkeep.domain.errors import Refusal
from spoolkeep.services import choices, machines
from spoolkeep.services.machines import MachineEntry
from spoolkeep.services.shop import load_shop
from spoolkeep.store.engine import Session
from spoolkeep.web import doors, forms
from spoolkeep.web.answers import status_of

pages = Blueprint("machines", __name__, url_prefix="/setup/machines")
FLAGS = ("enclosed", "hardened_nozzle", "runout_sensor", "cardboard_reels", "self_starting", "switches", "keeps_dry")


@pages.get("/<int:machine_id>")
def page(machine_id: int) -> str:
    """Show a machine."""
    return _show(machine_id)


@pages.post("/<int:machine_id>")
def change(machine_id: int) -> Response | tuple[str, int]:
    """Keep what the form says of it."""
    doings: dict[str, Callable[[Session, int], object]] = {"describe": _describe, "purge": _purge}
    try:
        doing = forms.chosen(doings)
        with doors.writing() as session:
            doing(session, machine_id)
    except Refusal as refusal:
        return _show(machine_id, refusal), status_of(refusal)
    flash("Kept.", "heard")
    return redirect(url_for("machines.page", machine_id=machine_id))


def _describe(session: Session, machine_id: int) -> object:
    shop = load_shop(session)
    entry = MachineEntry(
        largest_reel_mm=forms.maybe_whole("largest_reel_mm", "Largest reel"),
        earns_minor_per_hour=forms.money("earns", "It earns in an hour", shop) if forms.text("earns") else None,
        **{name: forms.text(name) == "yes" for name in FLAGS},
    )
    return machines.describe(session=session, now=doors.now(), by=doors.by_form(), machine_id=machine_id, entry=entry)


def _purge(session: Session, machine_id: int) -> object:
    items = forms.maybe_whole("from", "From"), forms.maybe_whole("to", "To")
    mg, by = forms.grams("grams", "Grams"), doors.by_form()
    return machines.tell_purge(session=session, now=doors.now(), by=by, machine_id=machine_id, mg=mg, items=items)


def _show(machine_id: int, refused: Refusal | None = None) -> str:
    with doors.reading() as session:
        machine = machines.view(session=session, machine_id=machine_id)
        articles = choices.articles(session=session)
    return render_template("machine.html", machine=machine, articles=articles, refused=refused, form=request.form)
