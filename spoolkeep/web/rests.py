"""Rests to use up: opened spools with too little for a usual job, what they still fit, and what is only scrap.

The app factory registers it.
"""

from flask import Blueprint, flash, redirect, render_template, request, url_for
from werkzeug.wrappers import Response

from spoolkeep.domain.errors import Refusal
from spoolkeep.services import rests
from spoolkeep.web import doors
from spoolkeep.web.answers import status_of

pages = Blueprint("rests", __name__, url_prefix="/stock/rests")


@pages.get("")
def page() -> str:
    """Show the rests."""
    return _show()


@pages.post("")
def scrap() -> Response | tuple[str, int]:
    """Throw away those that are ticked."""
    codes = request.form.getlist("scrap")
    try:
        with doors.writing() as session:
            done = rests.scrap(session=session, now=doors.now(), by=doors.by_form(), spool_codes=codes)
    except Refusal as refusal:
        return _show(refusal), status_of(refusal)
    spools = "1 rest is" if done.spools == 1 else f"{done.spools} rests are"
    flash(f"{spools} scrapped, {done.mg / 1000:g} g in all. Acts and undo takes it back.", "heard")
    return redirect(url_for("rests.page"))


def _show(refused: Refusal | None = None) -> str:
    with doors.reading() as session:
        found = rests.listed(session=session, now=doors.now())
    return render_template("rests.html", rests=found, refused=refused)
