"""The wall: machines and what ends first, for a screen that everybody passes and nobody touches.

The app factory registers it.
"""

from flask import Blueprint, render_template

from spoolkeep.services import orderbook, orderdays
from spoolkeep.services.shop import load_shop
from spoolkeep.web import bench, doors, stock

pages = Blueprint("wall", __name__, url_prefix="/wall")
SHOWN = 16
"""Items, as many as a screen on a wall holds."""


@pages.get("")
def page() -> str:
    """Show the machines as at the Bench, and the items that end first."""
    with doors.reading() as session:
        shop = load_shop(session)
        rows = orderdays.rows(session=session, now=doors.now())
        awaited = orderbook.listed(session=session, now=doors.now(), open_only=True)
    today = shop.today(doors.now())
    return render_template(
        "wall.html",
        machines=bench.machines_shown(),
        latest=(),
        rows=rows[:SHOWN],
        more=max(0, len(rows) - SHOWN),
        arrivals=stock.arrivals(awaited, today),
        today=today,
        days_total=stock.WEEKS_AHEAD * 7,
        ticks=stock.week_ticks(shop, today),
    )
