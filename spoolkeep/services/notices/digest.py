"""The morning's digest: what needs a person today, in the words of a letter, by the same service as the page Today.

The sending of notices calls it. It only reads.
"""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy.orm import Session

from spoolkeep.domain.notices import Matter
from spoolkeep.services import today
from spoolkeep.services.notices.matters import feed_words
from spoolkeep.services.orderbook import TooLate
from spoolkeep.services.shop import Shop, load_shop
from spoolkeep.services.today import FeedEnd, ItemDue, OrderDue, Some, Today, Waiting
from spoolkeep.services.toweigh import ToWeigh

WEEKDAYS = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")


@dataclass(frozen=True)
class Morning:
    """What a digest says of a day."""

    matters: tuple[Matter, ...]
    day: str
    tonight: str


@dataclass(frozen=True)
class _Way:
    """What to do about a kind of need, and where."""

    act: str
    page: str
    path: str


def morning(*, session: Session, now: datetime) -> Morning:
    """Give what needs a person today, the worst first, and how the night looks."""
    shop = load_shop(session)
    needed = today.needed(session=session, now=now)
    matters = [matter for name in needed.needs for matter in _told(name, needed, shop)]
    day = f"{WEEKDAYS[needed.day.weekday()]}, {shop.formats.day(needed.day)}"
    tonight = ""
    if not needed.feeds and (needed.steps is None or needed.steps.has_spools):
        opening = shop.formats.clock(needed.opening)
        tonight = f"Tonight: by the books what is loaded lasts until tomorrow's opening at {opening}."
    return Morning(tuple(matters), day, tonight)


def _told(name: str, needed: Today, shop: Shop) -> list[Matter]:
    """Give the matters of one kind of need: its first few, and one that says how many more there are."""
    way = _WAYS[name]
    if name == "takings_until":
        assert needed.takings_until is not None  # noqa: S101 - it is among the needs
        words = f"Yesterday's takings are not entered; the last are of {shop.formats.day(needed.takings_until)}."
        return [_matter(name, "Yesterday's takings are not entered", words, way)]
    some: Some[Any] = getattr(needed, name)
    found = [_matter(name, *_WORDS[name](one, needed, shop), way) for one in some.first]
    rest = some.count - len(found)
    if rest:
        more = f"{shop.formats.number(rest)} more of these: {_MANY[name]}"
        found.append(_matter(name, more, f"{more}.", way, many=rest))
    return found


def _matter(name: str, head: str, words: str, way: _Way, *, many: int = 1) -> Matter:
    return Matter(name, head, words, way.act, way.page, way.path, many)


def _stop(one: Waiting, _needed: Today, shop: Shop) -> tuple[str, str]:
    head = f"{one.name} stands still"
    since = f" since {shop.formats.moment(one.at)}" if one.at else ""
    return head, f"{head}{since}{f', for want of {one.item.name}' if one.item else ''}."


def _feed(one: FeedEnd, _needed: Today, shop: Shop) -> tuple[str, str]:
    return feed_words(one, shop)


def _item(one: ItemDue, _needed: Today, shop: Shop) -> tuple[str, str]:
    head = f"{one.item.name} is to be ordered"
    if one.short_mg:
        return head, f"{head}: {shop.formats.grams(one.short_mg)} short of what is committed."
    late = ", too short for a delivery" if one.late else ""
    return head, f"{head}: it lasts {shop.formats.days(one.lasts_days)}{late}."


def _job(one: Waiting, _needed: Today, shop: Shop) -> tuple[str, str]:
    head = f"{one.name} is past its time"
    return head, f"{head}, due {shop.formats.moment(one.at)}." if one.at else f"{head}."


def _too_late(one: TooLate, _needed: Today, shop: Shop) -> tuple[str, str]:
    short = one.arrival.days_without
    late = "comes too late" if one.arrival.is_likely else "may come too late"
    head = f"An order from {one.supplier} {late if short else 'has no promised day'}"
    return head, f"{head}: {one.code}, {one.arrival.words(shop.formats)}."


def _delivery(one: OrderDue, needed: Today, shop: Shop) -> tuple[str, str]:
    when = "is overdue" if one.late else "is due today" if one.due_on == needed.day else "should come any day"
    head = f"A delivery of {one.supplier} {when}"
    told = "promised for" if one.promised else "by the usual days"
    return head, f"{head}: {one.code}, {told} {shop.formats.short_day(one.due_on)}."


def _draw(one: Waiting, _needed: Today, shop: Shop) -> tuple[str, str]:
    item = f" of {one.item.name}" if one.item else ""
    return "A draw waits for its spool", (
        f"A draw waits for its spool: {one.name or 'no job'}, {shop.formats.grams(one.mg)}{item}."
    )


def _weighing(one: Waiting, _needed: Today, _shop: Shop) -> tuple[str, str]:
    head = f"Spool {one.spool_code} asks for the scale"
    return head, f"{head}: more was drawn than was left."


def _doubt(one: ToWeigh, _needed: Today, shop: Shop) -> tuple[str, str]:
    head = f"{one.feed} may not last for “{one.job}”"
    between = f"{shop.formats.grams(one.low_mg)} to {shop.formats.grams(one.high_mg)}"
    words = f"{head}: {one.item.name}, probably {between}, and {shop.formats.grams(one.needs_mg)} are needed."
    return head, words


def _draft(one: OrderDue, _needed: Today, shop: Shop) -> tuple[str, str]:
    head = f"An order to {one.supplier} is not sent"
    return head, f"{head}: {one.code}, drafted {shop.formats.short_day(one.due_on)}."


def _failed(one: Waiting, _needed: Today, _shop: Shop) -> tuple[str, str]:
    head = f"Notices to {one.name} do not arrive"
    return head, f"{head}."


_WORDS: dict[str, Callable[[Any, Today, Shop], tuple[str, str]]] = {
    "stops": _stop,
    "feeds": _feed,
    "items": _item,
    "jobs": _job,
    "late_orders": _too_late,
    "deliveries": _delivery,
    "draws": _draw,
    "weighings": _weighing,
    "doubts": _doubt,
    "drafts": _draft,
    "notices": _failed,
}
_WAYS = {
    "stops": _Way("Say when it runs again", "Jobs", "/jobs#stops"),
    "feeds": _Way("See what to load", "Tonight", "/tonight"),
    "items": _Way("Order", "Orders", "/orders"),
    "jobs": _Way("End it", "Jobs", "/jobs#to-come"),
    "late_orders": _Way("See the order", "Orders", "/orders#orders"),
    "deliveries": _Way("Book it in when it comes", "Deliveries", "/deliveries"),
    "draws": _Way("Name the spool", "Jobs", "/jobs#open-draws"),
    "weighings": _Way("Weigh it", "Today", "/"),
    "doubts": _Way("Weigh it", "Today", "/"),
    "drafts": _Way("Send it", "Orders", "/orders#orders"),
    "notices": _Way("See why", "Notices", "/setup/notices"),
    "takings_until": _Way("Enter them", "Money", "/money#takings"),
}
_MANY = {
    "stops": "machines that stand still",
    "feeds": "feeds that cannot be left until tomorrow's opening",
    "items": "items to be ordered",
    "jobs": "jobs past their time",
    "late_orders": "orders that may come too late or have no promised day",
    "deliveries": "deliveries overdue or due",
    "draws": "draws that wait for their spool",
    "weighings": "spools that ask for the scale",
    "doubts": "spools that may not last for what comes next",
    "drafts": "orders drafted and not sent",
    "notices": "addressees who do not get their notices",
}
