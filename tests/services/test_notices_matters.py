"""What notices tell of: the morning, nights, orders and deliveries; as the pages say it, and once."""

import json
from datetime import UTC, date, datetime
from zoneinfo import ZoneInfo

import pytest

from spoolkeep.domain.words import DigestWhen, OrderState
from spoolkeep.services import orderdays, orders, today
from spoolkeep.services.catalogue import SupplierEntry
from spoolkeep.services.jobs import FeedGrams
from spoolkeep.services.notices.matters import About
from spoolkeep.services.orders import Wanted
from spoolkeep.store.tables import Workshop
from tests.services.noticedesk import DAY, HOUR, MINUTE, Desk
from tests.services.postbox import Bell
from tests.workshop import by

# ------------------------------------------------------------------ the morning


@pytest.mark.parametrize("changes_on", [date(2026, 3, 29), date(2026, 10, 25)])
@pytest.mark.parametrize("hour", [0, 3, 7])
def test_the_digest_comes_once_each_shop_day_also_when_the_clocks_change(
    desk: Desk, bell: Bell, changes_on: date, hour: int
) -> None:
    with desk.shop.store.write() as session:
        session.get_one(Workshop, 1).zone = "Europe/Lisbon"
    start = datetime.combine(changes_on - DAY, datetime.min.time(), UTC) + 5 * HOUR
    desk.clock.now = start
    desk.add(bell.address, digest=DigestWhen.EVERY_DAY, hour=hour)
    teller = desk.teller()
    while desk.clock.now <= start + 3 * DAY - 2 * HOUR:
        desk.round(teller)
        desk.clock.now += HOUR
    told = [json.loads(body) for _, _, body in bell.told]
    assert {one["kind"] for one in told} == {"digest"}
    days = [one["text"].partition(":")[0] for one in told]
    assert len(days) == len(set(days)) == 3
    at = [datetime.fromisoformat(one["made_at"]).astimezone(ZoneInfo("Europe/Lisbon")) for one in told]
    assert {(one.hour, one.minute) for one in at} == {(hour, 0)}


def test_an_empty_digest_says_in_a_line_that_nothing_needs_anybody(desk: Desk, bell: Bell) -> None:
    desk.clock.now = datetime(2026, 3, 4, 6, 0, tzinfo=UTC)
    desk.shop.deliver()
    desk.add(bell.address, digest=DigestWhen.EVERY_DAY)
    desk.clock.now += HOUR + MINUTE
    desk.round()
    told = json.loads(bell.told[0][2])
    assert told["subject"] == "Nothing needs anybody today"
    assert told["text"].startswith("Wednesday, 4 Mar 2026: nothing needs anybody.\n")
    assert told["matters"] == []


def test_who_wants_a_digest_only_when_needed_gets_none_that_morning_otherwise(desk: Desk, bell: Bell) -> None:
    desk.clock.now = datetime(2026, 3, 4, 6, 0, tzinfo=UTC)
    desk.shop.deliver()
    desk.add(bell.address, digest=DigestWhen.WHEN_NEEDED)
    desk.clock.now += HOUR + MINUTE
    desk.round()
    assert bell.told == []
    assert desk.went()[0].state == "dropped"
    desk.stands_still()
    desk.clock.now += HOUR
    desk.round()
    assert bell.told == [], "it is a morning's digest"
    desk.clock.now += DAY
    desk.round()
    told = json.loads(bell.told[0][2])
    assert told["subject"] == "Larch stands still"
    assert "one thing needs a person" in told["text"]


def test_the_digest_says_the_same_as_the_page_today(desk: Desk, bell: Bell) -> None:
    desk.clock.now = datetime(2026, 3, 5, 6, 0, tzinfo=UTC)
    desk.shop.run_low()
    desk.stands_still()
    desk.add(bell.address, digest=DigestWhen.EVERY_DAY)
    desk.clock.now += HOUR
    desk.round()
    told = json.loads(bell.told[0][2])
    with desk.shop.store.read() as session:
        needs = today.needed(session=session, now=desk.clock.now)
    shown = [one["key"] for one in told["matters"]]
    assert list(dict.fromkeys(shown)) == list(needs.needs)
    counts = {name: getattr(needs, name).count for name in needs.needs if name != "takings_until"}
    total = sum(counts.values()) + ("takings_until" in needs.needs)
    assert f"{total} things need a person" in told["text"]


def test_no_digest_of_an_hour_before_somebody_was_to_get_it(desk: Desk, bell: Bell) -> None:
    desk.clock.now = datetime(2026, 3, 4, 12, 0, tzinfo=UTC)
    desk.add(bell.address, digest=DigestWhen.EVERY_DAY)
    desk.round()
    assert bell.told == []
    desk.clock.now += 20 * HOUR
    desk.round()
    assert len(bell.told) == 1


def test_a_digest_that_could_not_be_sent_on_its_day_is_given_up(desk: Desk, bell: Bell) -> None:
    bell.status = 500
    desk.clock.now = datetime(2026, 3, 4, 6, 0, tzinfo=UTC)
    desk.add(bell.address, digest=DigestWhen.EVERY_DAY)
    desk.clock.now += HOUR
    desk.round()
    bell.status = 200
    desk.clock.now += DAY
    desk.round()
    assert [one.state for one in desk.went()] == ["sent", "given up"]


# ------------------------------------------------------------------ nights, orders, deliveries


def test_a_night_is_warned_of_from_an_hour_before_the_last_person_leaves(desk: Desk, bell: Bell) -> None:
    desk.add(bell.address, About.NIGHTS)
    desk.shop.plan("Hook", FeedGrams(50_000, desk.feed()), duration_s=6 * 3600)
    desk.clock.now = datetime(2026, 3, 4, 16, 59, tzinfo=UTC)
    desk.round()
    assert bell.told == []
    desk.clock.now += MINUTE
    desk.round()
    desk.clock.now += 30 * MINUTE
    desk.round()
    (told,) = [json.loads(body) for _, _, body in bell.told]
    assert [one["key"] for one in told["matters"]] == ["nights:feed 1:2026-03-04"]
    assert told["matters"][0]["words"] == "Larch feed 1 has no spool, and a job is to come."


def test_an_item_is_warned_of_that_must_be_ordered_by_tomorrow(desk: Desk, bell: Bell) -> None:
    desk.shop.run_low()
    desk.add(bell.address, About.ORDERS)
    desk.round()
    desk.clock.now += DAY
    desk.round()
    (told,) = [json.loads(body) for _, _, body in bell.told]
    with desk.shop.store.read() as session:
        by_day = {row.item.name: row.order.day for row in orderdays.rows(session=session, now=desk.shop.now)}
    tomorrow = desk.shop.now.date() + DAY
    due = [name for name, day in by_day.items() if day is not None and day <= tomorrow]
    assert due == ["PLA Slate black"]
    assert [one["words"] for one in told["matters"]] == [
        "PLA Slate black is to be ordered today: 600\N{NO-BREAK SPACE}g are left."
    ]


def test_a_delivery_is_warned_of_the_day_after_its_promise(desk: Desk, bell: Bell) -> None:
    offer = desk.shop.offered(SupplierEntry("North Quay", lead_days=5), 1900)
    wanted, now = [Wanted(offer, 2)], desk.clock.now
    (order,) = desk.shop.do(lambda s: orders.draft(session=s, now=now, by=by(), wanted=wanted)).order_ids
    promised = now.date() + 3 * DAY
    for state, day in ((OrderState.SENT, None), (OrderState.PROMISED, promised)):
        desk.shop.do(
            lambda s, state=state, day=day: orders.move_on(  # type: ignore[misc] # bound to the loop's values
                session=s, now=now, by=by(), order_id=order, state=state, promised_for=day
            )
        )
    desk.add(bell.address, About.LATE)
    teller = desk.teller()
    for _ in range(6):
        desk.round(teller)
        desk.clock.now += DAY
    (told,) = [json.loads(body) for _, _, body in bell.told]
    assert [one["key"] for one in told["matters"]] == [f"late:order {order}:{promised}"]
    assert told["made_at"].startswith("2026-03-08T"), "the day after"
    assert told["subject"] == "A delivery of North Quay is late"
