"""Materials: how each is dried and kept, and what is to be minded of it.

The app factory registers it.
"""

from collections.abc import Callable

from flask import Blueprint, flash, redirect, render_template, request, url_for
from werkzeug.wrappers import Response

from spoolkeep.domain.errors import Refusal
from spoolkeep.services import materials
from spoolkeep.services.catalogue import Made
from spoolkeep.services.materials import MaterialEntry
from spoolkeep.store.engine import Session
from spoolkeep.web import doors, forms
from spoolkeep.web.answers import status_of

pages = Blueprint("materials", __name__, url_prefix="/setup/materials")
MG_PER_G = 1000


@pages.get("")
def page() -> str:
    """Show the materials."""
    return _show()


@pages.post("")
def change() -> Response | tuple[str, int]:
    """Keep what the form says of one, or add one."""
    doings: dict[str, Callable[[Session], Made]] = {"add": _add, "describe": _describe}
    try:
        doing = forms.chosen(doings)
        with doors.writing() as session:
            done = doing(session)
    except Refusal as refusal:
        return _show(refusal), status_of(refusal)
    flash("Kept.", "heard")
    return redirect(url_for("materials.page", _anchor=f"material-{done.row_id}"))


def _add(session: Session) -> Made:
    return materials.add(session=session, now=doors.now(), by=doors.by_form(), code=forms.text("code"), entry=_entry())


def _describe(session: Session) -> Made:
    number = forms.whole("material", "Material")
    return materials.describe(session=session, now=doors.now(), by=doors.by_form(), material_id=number, entry=_entry())


def _entry() -> MaterialEntry:
    return MaterialEntry(
        name=forms.text("name"),
        density_mg_per_cm3=round(forms.decimal("density", "Density") * MG_PER_G),
        dry_celsius=forms.maybe_whole("dry_celsius", "Degrees"),
        dry_hours=forms.maybe_whole("dry_hours", "Hours in the dryer"),
        out_hours=forms.maybe_whole("out_hours", "Hours in the air"),
        asks_enclosed=forms.text("asks_enclosed") == "yes",
        asks_hardened=forms.text("asks_hardened") == "yes",
        care=forms.text("care"),
    )


def _show(refused: Refusal | None = None) -> str:
    with doors.reading() as session:
        listed = materials.listing(session=session)
    return render_template("materials.html", materials=listed, refused=refused, form=request.form if refused else {})
