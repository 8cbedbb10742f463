"""Buys: what a good kilogram truly costs on each offer, and the best buy of each item.

The app factory registers it.
"""

from flask import Blueprint, Response, render_template, request

from spoolkeep.services import buys
from spoolkeep.services.buys import BuysView
from spoolkeep.services.shop import load_shop
from spoolkeep.store.engine import Session
from spoolkeep.web import doors, tables
from spoolkeep.web.tables_money import BUYS, SELLERS, buys_of

pages = Blueprint("buys", __name__, url_prefix="/money/buys")


@pages.get("")
def page() -> str | Response:
    """Show the true cost of every offer, or of one item's."""
    article_id = request.args.get("item", type=int)

    def read(session: Session) -> BuysView:
        return buys.view(session=session, now=doors.now(), article_id=article_id)

    file = tables.asked(
        BUYS.of(lambda session: buys_of(read(session))), SELLERS.of(lambda session: read(session).sellers)
    )
    if file:
        return file
    with doors.reading() as session:
        shop = load_shop(session)
        view = read(session)
    return render_template(
        "buys.html",
        view=view,
        several=[one for one in view.items if len(one.buys) > 1],
        alone=[one for one in view.items if len(one.buys) == 1],
        is_one=article_id is not None,
        since=shop.today(view.since),
        shop=shop,
    )
