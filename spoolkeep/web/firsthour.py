"""The first hour: a new workshop's steps on one page, each done there or skipped, and taken up again.

The app factory registers it.
"""

from typing import Any
from zoneinfo import available_timezones

from flask import Blueprint, flash, redirect, render_template, request, url_for
from werkzeug.wrappers import Response

from spoolkeep.domain.errors import Refusal
from spoolkeep.domain.formats import CURRENCIES
from spoolkeep.domain.spelling import PLAIN_SHADES
from spoolkeep.domain.words import PlaceKind
from spoolkeep.services import choices, firsthour
from spoolkeep.services.firsthour import OnShelf, Several, Step, WorkshopEntry
from spoolkeep.services.shop import load_shop
from spoolkeep.store.engine import Session
from spoolkeep.web import doors, forms, paper
from spoolkeep.web.answers import status_of

pages = Blueprint("firsthour", __name__, url_prefix="/first-hour")
_KEPT = ("place", "full", "tare")
"""What stays in the fields for the next spool."""
_NAMED = 6


@pages.get("")
def page() -> str:
    """Show the steps."""
    return _show()


@pages.post("/workshop")
def name_workshop() -> Response | tuple[str, int]:
    """Keep the workshop's name, zone, currency and locale."""
    entry = WorkshopEntry(
        name=forms.text("name"),
        locale=forms.text("locale"),
        currency=forms.text("currency").upper(),
        zone=forms.text("zone"),
    )
    try:
        with doors.writing() as session:
            firsthour.name_workshop(session=session, now=doors.now(), by=doors.by_form(), entry=entry)
    except Refusal as refusal:
        return _show(refusal), status_of(refusal)
    flash("Kept. Everything else about the workshop has its usual value, and stands in Setup.", "heard")
    return redirect(url_for("firsthour.page"))


@pages.post("")
def enter() -> Response | tuple[str, int]:
    """Do what the form's hidden word says."""
    doings = {"machines": _machines, "places": _places, "spool": _spool, "say": _say}
    try:
        doing = forms.chosen(doings)
        with doors.writing() as session:
            words, where = doing(session)
    except Refusal as refusal:
        return _show(refusal), status_of(refusal)
    if words:
        flash(words, "heard")
    return redirect(where)


def _machines(session: Session) -> tuple[str, str]:
    made = firsthour.add_machines(
        session=session,
        now=doors.now(),
        by=doors.by_form(),
        names=request.form.get("names", ""),
        feeds=forms.whole("feeds", "Feeds of each", default=1),
    )
    return f"{_named(made)}. Wrong? Take it back under Setup → Acts and undo.", url_for("firsthour.page")


def _places(session: Session) -> tuple[str, str]:
    made = firsthour.add_places(
        session=session,
        now=doors.now(),
        by=doors.by_form(),
        names=request.form.get("names", ""),
        kind=forms.word("kind", PlaceKind, "Kind", default=PlaceKind.SHELF),
    )
    return f"{_named(made)}. Wrong? Take it back under Setup → Acts and undo.", url_for("firsthour.page")


def _named(made: Several) -> str:
    more = len(made.names) - _NAMED
    return f"Added: {', '.join(made.names[:_NAMED])}" + (f" and {more} more" if more > 0 else "")


def _spool(session: Session) -> tuple[str, str]:
    names = ("item", "weight", "tare", "full", "place", "count", "shade")
    entry = OnShelf(**{name: forms.text(name) for name in names})
    made = firsthour.shelve(session=session, now=doors.now(), by=doors.by_form(), entry=entry)
    left = load_shop(session).formats.grams(made.left_mg)
    codes = ", ".join(made.codes[:_NAMED])
    kept: dict[str, Any] = {name: forms.text(name) for name in _KEPT if forms.text(name)}
    return f"{made.item}, {left}: {codes}.", url_for("firsthour.page", at=Step.SPOOLS, _anchor=Step.SPOOLS, **kept)


def _say(session: Session) -> tuple[str, str]:
    step = forms.word("step", Step, "Step")
    firsthour.say(session=session, now=doors.now(), by=doors.by_form(), step=step, done=not forms.text("open"))
    return "", url_for("firsthour.page", at=step if forms.text("open") else None)


def _show(refused: Refusal | None = None) -> str:
    with doors.reading() as session:
        shop = load_shop(session)
        hour = firsthour.hour(session, shop)
        offered = paper.choices(session)
        places = [place.name for place in choices.place_list(session=session)]
        items = [name for _, name in choices.articles(session=session)]
    asked = request.args.get("at", "")
    return render_template(
        "first_hour.html",
        hour=hour,
        steps=list(Step),
        opened=asked if asked in set(Step) else hour.next,
        shop=shop,
        offered=offered,
        places=places,
        items=items,
        place_kinds=list(PlaceKind),
        zones=sorted(available_timezones()),
        currencies=CURRENCIES,
        plain_shades=PLAIN_SHADES,
        kept={name: request.args.get(name, "")[:80] for name in _KEPT},
        refused=refused,
        form=request.form,
    )
