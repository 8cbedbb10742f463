"""Tonight: whether what is on the machines lasts until somebody comes again, and what to load before going home.

The app factory registers it.
"""

from dataclasses import replace
from datetime import datetime

from flask import Blueprint, Response, render_template, request

from spoolkeep.domain.errors import Refusal
from spoolkeep.paper import night_sheet
from spoolkeep.services import evening, halfsheet
from spoolkeep.services.evening import Evening
from spoolkeep.services.shop import Shop, load_shop
from spoolkeep.services.tonight import FeedTonight
from spoolkeep.store.engine import Session
from spoolkeep.web import doors, narrowing, paper, tables
from spoolkeep.web.answers import status_of
from spoolkeep.web.bench import axis
from spoolkeep.web.narrowing import Narrowed
from spoolkeep.web.tables_jobs import TONIGHT, TonightRow, tonight_rows

pages = Blueprint("tonight", __name__, url_prefix="/tonight")


@pages.get("")
def page() -> str | Response | tuple[str, int]:
    """Show every feed until the hour, those that will not last first."""
    file = tables.asked(TONIGHT.of(_rows))
    if file:
        return file
    refused: Refusal | None = None
    narrowed = _narrowed()
    with doors.reading() as session:
        shop, now = load_shop(session), doors.now()
        try:
            told = evening.plan(session=session, now=now, until=_until(shop))
        except Refusal as caught:
            refused, told = caught, evening.plan(session=session, now=now)
    hours_total, ticks = axis(shop, now, told.ahead.night.until)
    rendered = render_template(
        "tonight.html",
        whole=told,
        evening=_fitting(told, narrowed),
        narrowed=narrowed,
        until=shop.clock.local(told.ahead.night.until),
        local=shop.clock.local,
        hours_total=hours_total,
        ticks=ticks,
        refused=refused,
        say=halfsheet,
    )
    return (rendered, status_of(refused)) if refused else rendered


@pages.get("/half-sheet.pdf")
def half_sheet_pdf() -> Response:
    """Show the same on half a sheet, to be carried along the shelves."""
    with doors.reading() as session:
        shop, now = load_shop(session), doors.now()
        told = evening.plan(session=session, now=now, until=_until(shop))
        sheet = halfsheet.of_evening(shop, told)
    return paper.pdf(night_sheet.half_sheet(sheet), "tonight")


def _rows(session: Session) -> list[TonightRow]:
    shop = load_shop(session)
    told = evening.plan(session=session, now=doors.now(), until=_until(shop))
    return tonight_rows(_fitting(told, _narrowed()))


def _narrowed() -> Narrowed:
    return narrowing.read(narrowing.words("name", "Feed or item contains"))


def _fitting(told: Evening, narrowed: Narrowed) -> Evening:
    """Give the evening of those feeds alone that the address asks for."""
    fits = narrowed.fits("name")

    def shown(one: FeedTonight) -> bool:
        on = one.feed.in_use
        return fits(f"{one.feed.name} {on.spool.item.name if on else ''}")

    lacking = tuple(one for one in told.ahead.lacking if fits(f"{one.machine.name} {one.item_name}"))
    ahead = replace(told.ahead, feeds=tuple(filter(shown, told.ahead.feeds)), lacking=lacking)
    return replace(told, ahead=ahead, todo=tuple(one for one in told.todo if shown(one.feed)))


def _until(shop: Shop) -> datetime | None:
    """Give the hour in the address. Errors: BadInput where it is none."""
    given = request.args.get("until", "").strip()
    return shop.moment_of(given) if given else None
