"""Search: one field for everything, as a page that works without a script and as the part that the script asks for.

The app factory registers it, and `search.js` asks it while a person types.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import groupby
from typing import Any

from flask import Blueprint, redirect, render_template, request, url_for
from werkzeug.wrappers import Response

from spoolkeep.services import search
from spoolkeep.services.search import Hit
from spoolkeep.services.shop import Shop, load_shop
from spoolkeep.web import doors
from spoolkeep.web.rules import may

pages = Blueprint("search", __name__)

PLACES = (
    ("Today", "today.page", ""),
    ("Bench", "bench.page", ""),
    ("Stock", "stock.page", ""),
    ("Jobs", "jobs.page", ""),
    ("Deliveries", "deliveries.page", ""),
    ("Orders", "orders.page", ""),
    ("Money", "money.page", ""),
    ("Setup", "setup.page", ""),
    ("Acts and undo", "setup.last_acts", ""),
    ("Report or plan a job", "jobs.page", "report"),
    ("Draws that wait for a spool", "jobs.page", "open-draws"),
    ("Machines standing still", "jobs.page", "stops"),
    ("Book in a delivery", "deliveries.page", "book"),
    ("Draft an order", "orders.page", "now"),
    ("Enter takings", "money.page", "takings"),
    ("Material share", "money.page", "share"),
    ("The best buy: true cost of a good kilogram", "buys.page", ""),
    ("Is it worth it? Free freight, a cheaper price", "worth.page", ""),
    ("Machines and feeds", "setup.page", "machine"),
    ("Places", "setup.page", "place"),
    ("Labels for feeds and places, bench cards, label stock", "labels.page", ""),
    ("Count the shelves", "count.page", ""),
    ("Items", "setup.page", "item"),
    ("Suppliers", "setup.page", "supplier"),
    ("Offers", "setup.page", "offer"),
    ("Settings", "setup.page", "settings"),
    ("Database", "setup.page", "database"),
)
"""What can be found of the pages themselves: words, endpoint and the part of the page."""

WORDS = {
    "item": "Items",
    "spool": "Spools",
    "machine": "Machines",
    "feed": "Feeds",
    "job": "Jobs",
    "order": "Orders",
    "delivery": "Deliveries",
    "product": "Products",
    "place": "Places",
    "page": "Pages",
}
HOMES = {
    "item": "stock.item",
    "spool": "spools.page",
    "machine": "bench.page",
    "feed": "bench.page",
    "job": "jobs.ending",
    "order": "orders.one",
    "delivery": "deliveries.one",
    "product": "jobs.page",
    "place": "setup.page",
}
"""The page of what was found; who may not open it does not find it."""
_NAMED = {"item": "article_id", "spool": "code", "job": "job_id", "order": "order_id", "delivery": "delivery_id"}


@dataclass(frozen=True)
class Link:
    """A hit and where it leads."""

    hit: Hit
    note: str
    href: str


@pages.get("/search")
def page() -> str | Response:
    """Show what a text names; a whole code leads straight to what carries it."""
    text = request.args.get("q", "")
    part = bool(request.headers.get("X-Fragment"))
    with doors.reading() as session:
        shop = load_shop(session)
        hits = search.found(session=session, text=text)
    links = [_link(hit, shop) for hit in hits if may(doors.caller(), HOMES[hit.kind])]
    if not part and len(links) == 1 and links[0].hit.exact:
        return redirect(links[0].href)
    links += _places(text)
    groups = [(WORDS[kind], list(some)) for kind, some in groupby(links, key=lambda link: link.hit.kind)]
    return render_template(
        "search_hits.html" if part else "search.html", q=" ".join(text.split()), groups=groups, count=len(links)
    )


def _places(text: str) -> Iterator[Link]:
    match = search.matcher(text)
    for words, endpoint, anchor in sorted(PLACES, key=lambda place: -match(place[0])):
        if match(words) and may(doors.caller(), endpoint):
            yield Link(Hit("page", anchor, words), "", url_for(endpoint, _anchor=anchor or None))


def _link(hit: Hit, shop: Shop) -> Link:
    when = shop.formats.day(shop.today(hit.at)) if hit.at else ""
    note = ", ".join(filter(None, (hit.note, when)))
    return Link(hit, note, _address(hit.kind, hit.key))


def _address(kind: str, key: str) -> str:
    home = HOMES[kind]
    if kind == "product":
        return url_for(home, product=key, _anchor="report")
    if kind in {"machine", "feed", "place"}:
        return url_for(home, _anchor=f"{kind}-{key}")
    named: dict[str, Any] = {_NAMED[kind]: key if kind == "spool" else int(key)}
    return url_for(home, **named)
