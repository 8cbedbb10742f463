"""Tonight: whether what is on the machines lasts until somebody comes again, and what to load before going home.

The app factory registers it.
"""

from datetime import datetime

from flask import Blueprint, Response, render_template, request

from spoolkeep.domain.errors import Refusal
from spoolkeep.paper import night_sheet
from spoolkeep.services import evening, halfsheet
from spoolkeep.services.shop import Shop, load_shop
from spoolkeep.web import doors, paper
from spoolkeep.web.answers import status_of
from spoolkeep.web.bench import axis

pages = Blueprint("tonight", __name__, url_prefix="/tonight")


@pages.get("")
def page() -> str | tuple[str, int]:
    """Show every feed until the hour, those that will not last first."""
    refused: Refusal | None = None
    with doors.reading() as session:
        shop, now = load_shop(session), doors.now()
        try:
            told = evening.plan(session=session, now=now, until=_until(shop))
        except Refusal as caught:
            refused, told = caught, evening.plan(session=session, now=now)
    hours_total, ticks = axis(shop, now, told.ahead.night.until)
    rendered = render_template(
        "tonight.html",
        evening=told,
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


def _until(shop: Shop) -> datetime | None:
    """Give the hour in the address. Errors: BadInput where it is none."""
    given = request.args.get("until", "").strip()
    return shop.moment_of(given) if given else None
