"""A spool's own page: its history, and what a person does to it outside jobs.

The app factory registers it.
"""

from collections.abc import Callable

from flask import Blueprint, flash, redirect, render_template, request, url_for
from flask import Response as PdfResponse
from werkzeug.wrappers import Response

from spoolkeep.domain.errors import BadInput, Refusal
from spoolkeep.domain.words import Kind
from spoolkeep.services import labels, spools
from spoolkeep.services.shop import load_shop
from spoolkeep.services.spools import SpoolAnswer
from spoolkeep.store.engine import Session
from spoolkeep.web import doors, forms, paper
from spoolkeep.web.answers import status_of

pages = Blueprint("spools", __name__, url_prefix="/spools")


@pages.get("/<code>")
def page(code: str) -> str:
    """Show a spool."""
    return _show(code)


@pages.get("/<code>/label.pdf")
def label_pdf(code: str) -> PdfResponse:
    """Give one spool's label again."""
    with doors.reading() as session:
        gathered = labels.of_spools(session=session, now=doors.now(), codes=[code])
    return paper.pdf(paper.pressed(gathered), "label")


@pages.post("/<code>")
def act(code: str) -> Response | tuple[str, int]:
    """Do to a spool what the form's button says."""
    try:
        with doors.writing() as session:
            answer = _doing()(session, code)
            grams = load_shop(session).formats.grams
    except Refusal as refusal:
        return _show(code, refused=refusal), status_of(refusal)
    if answer.questioned:
        flash(answer.questioned, "attention")
    flash(f"Booked. {grams(answer.left_mg)} left.", "heard")
    return redirect(url_for("spools.page", code=answer.spool_code))


def _doing() -> Callable[[Session, str], SpoolAnswer]:
    doings: dict[str, Callable[[Session, str], SpoolAnswer]] = {
        "weigh": _weigh,
        "tare": _tare,
        "count": _count,
        **{str(kind): _give_up(kind) for kind in spools.LEAVES},
    }
    chosen = forms.text("do")
    if chosen not in doings:
        raise BadInput("unknown_act", "Choose what to do with the spool.")
    return doings[chosen]


def _weigh(session: Session, code: str) -> SpoolAnswer:
    gross = forms.grams("gross", "Reading")
    return spools.weigh(session=session, now=doors.now(), by=doors.by_form(), spool_code=code, gross_mg=gross)


def _tare(session: Session, code: str) -> SpoolAnswer:
    tare = forms.grams("tare", "Tare")
    return spools.set_tare(session=session, now=doors.now(), by=doors.by_form(), spool_code=code, tare_mg=tare)


def _count(session: Session, code: str) -> SpoolAnswer:
    left = forms.grams("left", "Left")
    return spools.count(session=session, now=doors.now(), by=doors.by_form(), spool_code=code, left_mg=left)


def _give_up(kind: Kind) -> Callable[[Session, str], SpoolAnswer]:
    def do(session: Session, code: str) -> SpoolAnswer:
        mg = forms.maybe_grams("grams", "Grams")
        return spools.give_up(session=session, now=doors.now(), by=doors.by_form(), spool_code=code, kind=kind, mg=mg)

    return do


def _show(code: str, refused: Refusal | None = None) -> str:
    with doors.reading() as session:
        view = spools.view(session=session, spool_code=code)
    return render_template(
        "spool.html", spool=view, refused=refused, form=request.form, stocks=paper.STOCKS, dots=paper.DOTS
    )
