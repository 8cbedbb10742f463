"""Rests to use up: opened spools with too little for a usual job, what they still fit, and what is only scrap.

The app factory registers it.
"""

from flask import Blueprint, flash, redirect, render_template, request, url_for
from flask import Response as File
from werkzeug.wrappers import Response

from spoolkeep.domain.errors import Refusal
from spoolkeep.services import rests
from spoolkeep.services.rests import Rest
from spoolkeep.store.engine import Session
from spoolkeep.web import doors, narrowing, tables
from spoolkeep.web.answers import status_of
from spoolkeep.web.tables_stock import RESTS

pages = Blueprint("rests", __name__, url_prefix="/stock/rests")


@pages.get("")
def page() -> str | File:
    """Show the rests."""
    return tables.asked(RESTS.of(_fitting)) or _show()


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


ASKS = (
    narrowing.words("find", "Item or place"),
    narrowing.tick("planned", "Only those that a planned job fits on"),
)


def _fitting(session: Session) -> list[Rest]:
    """Give those rests that the address asks for."""
    narrowed = narrowing.read(*ASKS)
    fits, has_job = narrowed.fits("find"), narrowed.is_on("planned")
    found = rests.listed(session=session, now=doors.now())
    return [
        one for one in found if fits(f"{one.spool.item.name} {one.spool.place}") and (bool(one.jobs) or not has_job)
    ]


def _show(refused: Refusal | None = None) -> str:
    with doors.reading() as session:
        found = _fitting(session)
    return render_template("rests.html", rests=found, narrowed=narrowing.read(*ASKS), refused=refused)
