"""Count: a walk along the shelves with a scanner, and the press that settles it.

The app factory registers it.
"""

from flask import Blueprint, flash, redirect, render_template, request, url_for
from werkzeug.wrappers import Response

from spoolkeep.domain.errors import Refusal
from spoolkeep.services import counting
from spoolkeep.web import doors, forms
from spoolkeep.web.answers import status_of

pages = Blueprint("count", __name__, url_prefix="/count")


@pages.get("")
def page() -> str:
    """Show the walk that is under way."""
    return _show()


@pages.post("")
def scan() -> tuple[str, int]:
    """Take a scan of a place or a spool."""
    try:
        with doors.writing() as session:
            by = doors.by_station(session, request.form.get("key", ""))
            said = counting.scan(session=session, now=doors.now(), by=by, text=request.form.get("code", ""))
    except Refusal as refusal:
        return _show(kind="refused", words=refusal.words), status_of(refusal)
    return _show(kind=said.kind, words=said.words, signs=("wait", "spool", "place")), 200


@pages.post("/settle")
def settle() -> Response | tuple[str, int]:
    """Settle the walk, and write off the missing spools that are ticked; or forget it, as the button says."""
    try:
        with doors.writing() as session:
            if forms.text("do") == "drop":
                counting.drop(session=session, walk_id=forms.whole("walk", "Count"))
                return redirect(url_for("count.page"))
            answer = counting.settle(
                session=session,
                now=doors.now(),
                by=doors.by_form(),
                walk_id=forms.whole("walk", "Count"),
                write_off=request.form.getlist("write_off"),
            )
    except Refusal as refusal:
        return _show(kind="refused", words=refusal.words), status_of(refusal)
    words = f"Settled: {answer.moved} moved, {answer.missing} missing, {answer.written_off} of them written off."
    flash(f"{words} It can be undone under Acts.", "heard")
    return redirect(url_for("count.page"))


def _show(*, kind: str = "", words: str = "", signs: tuple[str, ...] = ()) -> str:
    with doors.reading() as session:
        walk = counting.view(session=session)
    template = "count_live.html" if request.headers.get("X-Fragment") else "count.html"
    return render_template(template, walk=walk, kind=kind, words=words, signs=signs)
