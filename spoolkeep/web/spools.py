"""A spool's own page: its history, and what a person does to it outside jobs.

The app factory registers it.
"""

from collections.abc import Callable
from dataclasses import dataclass

from flask import Blueprint, flash, redirect, render_template, request, url_for
from flask import Response as PdfResponse
from werkzeug.wrappers import Response

from spoolkeep.domain import scales
from spoolkeep.domain.care import About
from spoolkeep.domain.errors import Refusal
from spoolkeep.domain.words import Kind
from spoolkeep.services import (
    airing,
    asides,
    choices,
    failures,
    itemcare,
    labels,
    materials,
    reels,
    spools,
    standby,
    untold,
)
from spoolkeep.services.shop import load_shop
from spoolkeep.services.spools import SpoolAnswer
from spoolkeep.store.engine import Session
from spoolkeep.web import doors, forms, paper, tables
from spoolkeep.web.answers import status_of
from spoolkeep.web.tables_stock import MADE_FROM, SPOOL_EVENTS

pages = Blueprint("spools", __name__, url_prefix="/spools")


RULER = (("outer", "Outer diameter"), ("inner", "Inner diameter"), ("width", "Width"))


@pages.get("/<code>")
def page(code: str) -> str | PdfResponse:
    """Show a spool."""
    history = SPOOL_EVENTS.of(lambda session: spools.view(session=session, spool_code=code).events)
    return tables.asked(history) or _show(code)


@pages.get("/<code>/jobs")
def made_from(code: str) -> str | PdfResponse:
    """Show every job that was made from a spool, and from the others of its lot."""
    file = tables.asked(MADE_FROM.of(lambda session: failures.made_from(session=session, spool_code=code)))
    if file:
        return file
    with doors.reading() as session:
        view = spools.view(session=session, spool_code=code)
        rows = failures.made_from(session=session, spool_code=code)
    return render_template("made_from.html", spool=view, rows=rows)


@pages.get("/<code>/label.pdf")
def label_pdf(code: str) -> PdfResponse:
    """Give one spool's label again."""
    with doors.reading() as session:
        gathered = labels.of_codes(session=session, now=doors.now(), codes=[code], stock=paper.stock_asked())
    return paper.pdf(paper.pressed(gathered), "label")


@pages.post("/<code>")
def act(code: str) -> Response | tuple[str, int]:
    """Do to a spool what the form's button says."""
    try:
        with doors.writing() as session:
            said = _doing()(session, code)
    except Refusal as refusal:
        return _show(code, refused=refusal), status_of(refusal)
    if said.questioned:
        flash(said.questioned, "attention")
    flash(said.words, "heard")
    return redirect(url_for("spools.page", code=said.spool_code))


@dataclass(frozen=True)
class _Said:
    """What was done, in a sentence."""

    spool_code: str
    words: str
    questioned: str = ""


Doing = Callable[[Session, str], _Said]


def _doing() -> Doing:
    doings: dict[str, Doing] = {
        "weigh": _settled(_weigh),
        "tare": _settled(_tare),
        "count": _settled(_count),
        "ruler": _ruler,
        "ran-out": _ran_out,
        "stand-by": _stand_by,
        "reel": _reel,
        "dried": _dried,
        "aside": _aside,
        "let-go": _let_go,
        **{str(kind): _settled(_give_up(kind)) for kind in spools.LEAVES},
    }
    return forms.chosen(doings)


def _settled(settle: Callable[[Session, str], SpoolAnswer]) -> Doing:
    """Give a doing that says what is left afterwards."""

    def do(session: Session, code: str) -> _Said:
        answer = settle(session, code)
        left = load_shop(session).formats.grams(answer.left_mg)
        return _Said(answer.spool_code, f"Booked. {left} left.", answer.questioned)

    return do


def _ran_out(session: Session, code: str) -> _Said:
    at = forms.moment("at", "When", load_shop(session))
    answer = standby.ran_out(session=session, now=doors.now(), by=doors.by_form(), spool_code=code, at=at)
    return _Said(answer.spool_code, answer.words)


def _stand_by(session: Session, code: str) -> _Said:
    feed = forms.text("feed")
    answer = standby.stand_by(session=session, now=doors.now(), by=doors.by_form(), spool_code=code, feed_code=feed)
    return _Said(answer.spool_code, answer.words)


def _reel(session: Session, code: str) -> _Said:
    emptied = forms.text("reel_of")
    answer = reels.take_over_reel(
        session=session, now=doors.now(), by=doors.by_form(), spool_code=code, reel_of=emptied
    )
    tare = load_shop(session).formats.grams(answer.tare_mg)
    return _Said(answer.spool_code, f"Its reel weighs {tare} empty, as before.")


def _dried(session: Session, code: str) -> _Said:
    day = forms.day("on", "Dried on")
    itemcare.dried(session=session, now=doors.now(), by=doors.by_form(), spool_code=code, on=day)
    return _Said(code, "Noted: it was dried.")


def _aside(session: Session, code: str) -> _Said:
    why = forms.text("why")
    said = asides.set_aside(session=session, now=doors.now(), by=doors.by_form(), spool_codes=[code], why=why)
    return _Said(code, said.words)


def _let_go(session: Session, code: str) -> _Said:
    return _Said(code, asides.let_go(session=session, now=doors.now(), by=doors.by_form(), spool_codes=[code]).words)


def _weigh(session: Session, code: str) -> SpoolAnswer:
    typed = scales.reading_mg(forms.text("gross"))
    gross = forms.grams("gross", "Reading") if typed is None else typed
    return spools.weigh(session=session, now=doors.now(), by=doors.by_form(), spool_code=code, gross_mg=gross)


def _tare(session: Session, code: str) -> SpoolAnswer:
    tare = forms.grams("tare", "Tare")
    return spools.set_tare(session=session, now=doors.now(), by=doors.by_form(), spool_code=code, tare_mg=tare)


def _count(session: Session, code: str) -> SpoolAnswer:
    left = forms.grams("left", "Left")
    return spools.count(session=session, now=doors.now(), by=doors.by_form(), spool_code=code, left_mg=left)


def _ruler(session: Session, code: str) -> _Said:
    outer, inner, width = (float(forms.decimal(name, label)) for name, label in RULER)
    now, by, lengths = doors.now(), doors.by_form(), (outer, inner, width)
    found = spools.by_ruler(session=session, now=now, by=by, spool_code=code, lengths_mm=lengths)
    grams = load_shop(session).formats.grams
    words = f"Counted as {grams(found.mg)} by the ruler: between {grams(found.low_mg)} and {grams(found.high_mg)}."
    return _Said(code, words)


def _give_up(kind: Kind) -> Callable[[Session, str], SpoolAnswer]:
    def do(session: Session, code: str) -> SpoolAnswer:
        mg = forms.maybe_grams("grams", "Grams")
        return spools.give_up(session=session, now=doors.now(), by=doors.by_form(), spool_code=code, kind=kind, mg=mg)

    return do


def _show(code: str, refused: Refusal | None = None) -> str:
    with doors.reading() as session:
        view = spools.view(session=session, spool_code=code)
        feeds = [(one.code, one.name) for one in choices.feeds(session=session)]
        offered = paper.choices(session)
        water = airing.told(session=session, now=doors.now(), spool_code=code)
        minds = materials.of_item(session=session, article_id=view.item.article_id, finish=view.item.finish)
        probably = untold.probably_left(session=session, spool_code=code)
    return render_template(
        "spool.html",
        spool=view,
        probably=probably,
        water=water,
        minds=[one for one in minds if one.about in {About.DRYING, About.KEEPING}],
        feeds=feeds,
        refused=refused,
        form=request.form,
        offered=offered,
    )
