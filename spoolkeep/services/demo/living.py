"""The demo workshop's days, lived one after the other until the books are as old as yesterday.

The demo's builder calls it. A day has a chance of its own, so that a day lived twice is the same day.
"""

from collections.abc import Callable, Mapping
from datetime import date, datetime, timedelta
from random import Random
from typing import TypeVar

from spoolkeep.domain.shopday import ShopClock
from spoolkeep.services.demo import buying, customers, floor, shelf
from spoolkeep.services.demo.day import Day
from spoolkeep.services.demo.described import ArticleRow, Described, MachineRow, ProductRow
from spoolkeep.services.demo.hands import Hands
from spoolkeep.services.demo.truth import Truth

DAYS_AT_ONCE = 7
"""How many days go into the books in one transaction."""
_SETS_UP_AT = 5.0


Come = TypeVar("Come", MachineRow, ArticleRow, ProductRow)
Doing = Callable[[Day, datetime], None]


def not_begun(told: Described, *, today: date) -> Truth:
    """Give a history that will end yesterday, and has not begun."""
    days = told.simulation.history_days
    return Truth(told.simulation.seed, today - timedelta(days=days), days)


def live(told: Described, truth: Truth, hands: Hands, *, until: date) -> None:
    """Live the days that are missing, this one the last."""
    clock = ShopClock(told.settings.zone, told.settings.day_starts_hour)
    day = truth.first_day if truth.lived_through is None else truth.lived_through + timedelta(days=1)
    closed_at: datetime | None = None
    while day <= until:
        hands.begin(day)
        one = Day(told, truth, hands, clock, Random(f"{truth.seed} {day}"), day)  # noqa: S311 - no secret
        _live_one(one)
        hours = one.hours_of(day)
        closed_at = hours[1] if hours else closed_at
        truth.lived_through = day
        day += timedelta(days=1)
    if closed_at is not None:
        hands.leave(closed_at)


def _live_one(day: Day) -> None:
    _add_what_is_new(day)
    _say_what_is_known_ahead(day)
    customers.ask(day)
    floor.work(day, _round(day))


def _round(day: Day) -> dict[str, tuple[datetime, Doing]]:
    """Give what people do besides the machines, each at its hour."""
    hours = day.hours_of(day.date)
    if hours is None:
        return {}
    opens, closes = hours
    minutes: dict[str, tuple[int, Doing]] = {
        "takings": (5, customers.tell_takings),
        "deliveries": (20, buying.receive),
        "rests": (110, shelf.tidy),
        "orders": (125, buying.look_at_the_shelf),
    }
    found = {name: (opens + timedelta(minutes=after), doing) for name, (after, doing) in minutes.items()}
    if day.plans:
        found["plans"] = (opens + timedelta(minutes=12), floor.plan_ahead)
    if day.index in day.told.habits.counts_on_days:
        found["count"] = (closes - timedelta(hours=2), shelf.count_all)
    elif day.weekday == day.told.habits.weighs:
        found["scale"] = (closes - timedelta(hours=1), shelf.weigh_some)
    return found


def _add_what_is_new(day: Day) -> None:
    """Add what the workshop gets today: on its first day nearly everything."""
    moment, told, hands = day.at(_SETS_UP_AT), day.told, day.hands
    if day.index == 0:
        hands.set_up(told.settings, moment)
        for place in told.places:
            hands.add_place(place, moment)
        for supplier in told.suppliers.values():
            hands.add_supplier(supplier, moment)
    _add_rows_of_today(day, told.machines, hands.add_machine)
    _add_rows_of_today(day, told.articles, hands.add_item)
    buying.change_offers(day, moment)
    _add_rows_of_today(day, told.products, hands.add_product)
    if day.index == 0:
        buying.stock_up(day, moment + timedelta(hours=1))


def _say_what_is_known_ahead(day: Day) -> None:
    """Let the owner enter the events that begin in so many days."""
    moment = day.at(_SETS_UP_AT)
    for event in day.told.events:
        begins = day.index + event.told_days
        if begins >= event.first_day and (begins - event.first_day) % event.every_days == 0:
            first = day.date + timedelta(days=event.told_days)
            last = first + timedelta(days=event.days - 1)
            for product in event.products:
                if product in day.truth.numbers.products:
                    moment += timedelta(minutes=1)
                    day.hands.foresee(product, event, first, last, now=moment)


def _add_rows_of_today(day: Day, rows: Mapping[str, Come], add: Callable[[Come, datetime], None]) -> None:
    for row in rows.values():
        if row.from_day == day.index:
            add(row, day.at(_SETS_UP_AT))
