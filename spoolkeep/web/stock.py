"""Stock: a row an item, and an item's own page.

The app factory registers it.
"""

from collections.abc import Iterable
from datetime import date, timedelta

from flask import Blueprint, Response, render_template

from spoolkeep.services import finding, labels, orders, stock
from spoolkeep.services.orders import OrderView
from spoolkeep.services.shop import Shop, load_shop
from spoolkeep.web import doors, paper

pages = Blueprint("stock", __name__, url_prefix="/stock")
WEEKS_AHEAD = 8


@pages.get("")
def page() -> str:
    """Show every item's stock."""
    with doors.reading() as session:
        shop = load_shop(session)
        rows = stock.rows(session=session, now=doors.now())
        awaited = orders.listed(session=session, now=doors.now(), open_only=True)
    today = shop.today(doors.now())
    return render_template(
        "stock.html",
        rows=rows,
        arrivals=arrivals(awaited, today),
        today=today,
        days_total=WEEKS_AHEAD * 7,
        ticks=week_ticks(shop, today),
    )


@pages.get("/<int:article_id>")
def item(article_id: int) -> str:
    """Show one item: its figures and its spools."""
    with doors.reading() as session:
        shop = load_shop(session)
        found = finding.item(session, article_id)
        row = next((row for row in stock.rows(session=session, now=doors.now()) if row.item == found), None)
        spools = stock.spools_of(session=session, article_id=article_id)
        awaited = orders.listed(session=session, now=doors.now(), open_only=True)
    today = shop.today(doors.now())
    return render_template(
        "item.html",
        stocks=paper.STOCKS,
        dots=paper.DOTS,
        item=found,
        row=row,
        spools=spools,
        arrivals=arrivals(awaited, today),
        today=today,
        days_total=WEEKS_AHEAD * 7,
        ticks=week_ticks(shop, today),
    )


def arrivals(awaited: Iterable[OrderView], today: date) -> dict[int, list[int]]:
    """Give, by item, in how many days the spools are promised that have not come; a passed promise is none."""
    found: dict[int, list[int]] = {}
    for order in awaited:
        for line in order.lines:
            if order.promised_for and order.promised_for >= today and line.arrived < line.spools:
                found.setdefault(line.item.article_id, []).append((order.promised_for - today).days)
    return found


@pages.get("/<int:article_id>/labels.pdf")
def labels_pdf(article_id: int) -> Response:
    """Give the labels of an item's spools that have something left."""
    with doors.reading() as session:
        codes = [spool.code for spool in stock.spools_of(session=session, article_id=article_id)]
        gathered = labels.of_spools(session=session, now=doors.now(), codes=codes)
    return paper.pdf(paper.pressed(gathered), f"labels-item-{article_id}")


def week_ticks(shop: Shop, today: date) -> list[tuple[int, str]]:
    """Give a tick for today and for every second week ahead."""
    return [
        (days, "today" if days == 0 else shop.formats.short_day(today + timedelta(days=days)))
        for days in range(0, WEEKS_AHEAD * 7, 14)
    ]
