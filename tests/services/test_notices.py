"""Notices: each matter told once to each addressee, tried again, given up, and never in anybody's way.

Mail goes to a real server in the test, webhooks to a real receiver; both on both databases.
"""

import itertools
import json
import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from sqlalchemy import select
from sqlmodel import col

from spoolkeep.domain.words import DigestWhen, MailSafety, NoticeKind, NoticeWay, OrderState
from spoolkeep.services import catalogue, joblist, orderdays, orders, stops, today
from spoolkeep.services.catalogue import SupplierEntry
from spoolkeep.services.jobs import FeedGrams
from spoolkeep.services.notices import addressees, mail, mailserver, outbox, webhook
from spoolkeep.services.notices.addressees import Wants, Went
from spoolkeep.services.notices.mailserver import Posting
from spoolkeep.services.notices.matters import About
from spoolkeep.services.notices.sending import Teller
from spoolkeep.services.orders import Wanted
from spoolkeep.store.engine import Store, open_store
from spoolkeep.store.tables import Notice, NoticeMatter, Workshop
from tests.services import postbox
from tests.services.postbox import Bell, Post
from tests.workshop import TestWorkshop, by

MINUTE, HOUR, DAY = timedelta(minutes=1), timedelta(hours=1), timedelta(days=1)
SECRET = b"the secret of an instance, for tests"
LONGEST_S = 20.0


@pytest.fixture
def shop(store: Store, now: datetime) -> TestWorkshop:
    return TestWorkshop(store, now)


@pytest.fixture
def bell() -> Iterator[Bell]:
    with postbox.receiver() as found:
        yield found


@pytest.fixture
def post() -> Iterator[Post]:
    with postbox.mail_server() as found:
        yield found


@dataclass
class Clock:
    """A clock that a test sets; what passes by itself is another matter."""

    now: datetime
    ticks: float = 0.0


@dataclass
class Desk:
    """A workshop whose notices are sent round by round."""

    shop: TestWorkshop
    clock: Clock
    folder: Path

    def teller(self) -> Teller:
        """Give a sender, as each process has one."""
        return Teller(
            self.shop.store,
            folder=self.folder,
            secret=SECRET,
            clock=lambda: self.clock.now,
            ticks=lambda: self.clock.ticks or time.monotonic(),
            tls=postbox.trusting(),
        )

    def round(self, teller: Teller | None = None) -> int:
        """Look, send what is due, and wait until it is sent."""
        whose = teller or self.teller()
        begun = whose.round(look=True)
        whose.wait(LONGEST_S)
        return begun

    def add(self, address: str, *about: About, digest: DigestWhen = DigestWhen.NEVER, hour: int = 7) -> int:
        """Give the number of a new addressee, by mail or webhook as its address is."""
        with self.shop.store.read() as session:
            count = len(addressees.listing(session=session))
        address = f"{address}?{count}" if "://" in address else f"{count}{address}"
        way = NoticeWay.WEBHOOK if "://" in address else NoticeWay.MAIL
        wants = Wants("Ada", way, address, digest, hour, frozenset(about))
        return self.shop.do(lambda s: addressees.add(session=s, now=self.clock.now, by_id=1, wants=wants))

    def by_mail(self, port: int, *, safety: MailSafety = MailSafety.PLAIN, user: str = "") -> None:
        """Enter a mail server of this machine."""
        told = Posting("http://spools.lan:8460", "localhost", port, safety, user, "workshop@example.org")
        self.shop.do(lambda s: mailserver.keep(session=s, now=self.clock.now, by=by(), told=told))

    def stands_still(self, machine: str = "Larch") -> int:
        """Let a machine stand still; give the stop's number."""
        machine_id, at = self.shop.machine(machine), self.clock.now - MINUTE
        return self.shop.do(
            lambda s: stops.book_stop(session=s, now=self.clock.now, by=by(), machine_id=machine_id, from_at=at, why="")
        ).stop_id

    def feed(self) -> int:
        """Give the number of the machine's first feed."""
        with self.shop.store.read() as session:
            return joblist.feeds_of(session=session, machine_id=self.shop.machine())[0].feed_id

    def trial(self, addressee_id: int, key: str = "form-1") -> None:
        """Ask for a trial."""
        self.shop.do(lambda s: addressees.trial(session=s, now=self.clock.now, addressee_id=addressee_id, key=key))

    def went(self) -> list[Went]:
        """Give the notices, the newest first."""
        with self.shop.store.read() as session:
            return addressees.last(session=session, limit=100)

    def why(self) -> str:
        """Give why the newest was not sent."""
        return self.went()[0].error


@pytest.fixture
def desk(shop: TestWorkshop, tmp_path: Path) -> Desk:
    return Desk(shop, Clock(shop.now), tmp_path)


# ------------------------------------------------------------------ once


def test_nothing_is_looked_at_and_nothing_sent_until_somebody_is_to_get_it(desk: Desk, bell: Bell) -> None:
    desk.stands_still()
    assert desk.round() == 0
    assert desk.went() == []
    assert bell.told == []


def test_a_machine_that_stands_still_is_told_once_to_each(desk: Desk, bell: Bell, post: Post) -> None:
    desk.by_mail(post.port)
    desk.add(bell.address, About.STOPS)
    desk.add("ada@example.org", About.STOPS)
    stop = desk.stands_still()
    for _ in range(3):
        desk.round()
        desk.clock.now += 10 * MINUTE
    assert [json.loads(body)["matters"][0]["key"] for _, _, body in bell.told] == [f"stops:{stop}"]
    assert [str(one["Subject"]) for one in post.taken] == ["Larch stands still"]
    ((sender, to),) = post.envelopes
    assert "<workshop@example.org>" in sender
    assert ["<1ada@example.org>" in one for one in to] == [True]
    text = post.taken[0].get_content()
    assert f"http://spools.lan:8460/jobs/stops/{stop}" in text
    assert "no fire alarm" in text


def test_matters_that_are_found_together_go_in_one_message(desk: Desk, bell: Bell) -> None:
    desk.add(bell.address, About.STOPS, About.ORDERS)
    desk.shop.run_low()
    desk.stands_still()
    desk.round()
    (only,) = bell.told
    told = json.loads(only[2])
    assert told["subject"] == "Larch stands still; and 1 more"
    assert [one["key"].partition(":")[0] for one in told["matters"]] == ["stops", "orders"]


def test_what_an_addressee_did_not_choose_is_not_told(desk: Desk, bell: Bell) -> None:
    desk.add(bell.address, About.NIGHTS)
    desk.stands_still()
    desk.round()
    assert bell.told == []


def test_two_senders_at_once_send_each_notice_once(desk: Desk, bell: Bell) -> None:
    for _ in range(4):
        desk.add(bell.address, About.STOPS)
    desk.stands_still()
    address = desk.shop.store.engine.url.render_as_string(hide_password=False)
    stores = [open_store(address) for _ in range(3)]  # as each process has one
    tellers = [replace(desk.teller(), store=one) for one in stores]
    together = threading.Barrier(len(tellers))

    def run(teller: Teller) -> None:
        for _ in range(4):
            together.wait(LONGEST_S)
            teller.round(look=True)
        teller.wait(LONGEST_S)

    threads = [threading.Thread(target=run, args=(teller,)) for teller in tellers]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(3 * LONGEST_S)
    for one in stores:
        one.close()
    marks = [headers[webhook.MARK_HEADER] for _, headers, _ in bell.told]
    assert len(marks) == 4
    assert len(set(marks)) == 4


def test_a_matter_that_was_over_long_enough_is_told_when_it_comes_again(desk: Desk) -> None:
    stands = {"orders:item 1"}
    addressee = desk.add("ada@example.org", About.ORDERS)

    def put() -> bool:
        return desk.shop.do(
            lambda s: outbox.put(
                s,
                desk.clock.now,
                addressee_id=addressee,
                kind=NoticeKind.WARNING,
                key=str(desk.clock.now),
                matters=stands,
            )
        )

    def settle(*stand: str) -> None:
        desk.shop.do(lambda s: outbox.settle(s, desk.clock.now, told=["orders:"], stand=stand))

    assert put()
    settle()
    desk.clock.now += HOUR
    settle(*stands)
    assert not put(), "it was away for an hour only"
    settle()
    desk.clock.now += outbox.OVER_FOR
    settle()
    assert put()


# ------------------------------------------------------------------ tried again, given up, over


def test_what_was_refused_is_tried_again_after_1_5_15_60_minutes_and_then_hourly_for_a_day(
    desk: Desk, bell: Bell
) -> None:
    bell.status = 503
    desk.add(bell.address, About.STOPS)
    desk.stands_still()
    teller, began, tried = desk.teller(), desk.clock.now, []
    while desk.clock.now <= began + 26 * HOUR:
        before = len(bell.told)
        desk.round(teller)
        if len(bell.told) > before:
            tried.append(round((desk.clock.now - began) / MINUTE))
        desk.clock.now += MINUTE if tried and desk.clock.now < began + 25 * MINUTE else 20 * MINUTE
    assert tried[:4] == [0, 1, 6, 21]
    assert all(60 <= later - earlier <= 80 for earlier, later in itertools.pairwise(tried[3:]))
    assert tried[-1] <= 24 * 60
    assert len({headers[webhook.MARK_HEADER] for _, headers, _ in bell.told}) == 1
    (one,) = desk.went()
    assert one.state == "given up"
    assert one.error == f"localhost:{bell.port} refused the notice with status 503. Look there for the reason."
    with desk.shop.store.read() as session:
        failed = today.needed(session=session, now=desk.clock.now).notices
    assert [(waiting.name, waiting.at) for waiting in failed.first] == [("Ada", one.at)]


def test_once_a_notice_arrives_again_nobody_is_told_of_what_was_given_up(desk: Desk, bell: Bell) -> None:
    bell.status = 500
    number = desk.add(bell.address, About.STOPS)
    desk.stands_still()
    teller = desk.teller()
    for _ in range(40):
        desk.round(teller)
        desk.clock.now += HOUR
    assert desk.went()[0].state == "given up"
    bell.status = 204
    bell.length = 0
    desk.trial(number)
    desk.round(teller)
    assert desk.went()[0].state == "sent"
    with desk.shop.store.read() as session:
        assert not today.needed(session=session, now=desk.clock.now).notices


def test_what_was_refused_for_a_while_arrives_later(desk: Desk, post: Post) -> None:
    desk.by_mail(post.port)
    desk.add("ada@example.org", About.STOPS)
    desk.stands_still()
    post.answers["RCPT"] = "450 come again later"
    desk.round()
    assert desk.why() == "The mail server takes no mail for this address (450). Look at the addressee's address."
    del post.answers["RCPT"]
    desk.round()
    assert post.taken == [], "it waits a minute"
    desk.clock.now += MINUTE
    desk.round()
    assert len(post.taken) == 1
    assert desk.went()[0].state == "sent"


def test_a_matter_that_is_over_before_it_was_sent_is_not_sent(desk: Desk, bell: Bell) -> None:
    bell.status = 500
    desk.add(bell.address, About.STOPS)
    stop = desk.stands_still()
    desk.round()
    desk.clock.now += 10 * MINUTE
    desk.shop.do(lambda s: stops.end_stop(session=s, now=desk.clock.now, by=by(), stop_id=stop))
    bell.status = 200
    desk.round()
    assert len(bell.told) == 1
    assert desk.went()[0].state == "dropped"
    with desk.shop.store.read() as session:
        assert session.scalars(select(col(NoticeMatter.id))).all() == []


def test_a_paused_addressee_gets_nothing_and_afterwards_what_still_stands(desk: Desk, bell: Bell) -> None:
    number = desk.add(bell.address, About.STOPS)
    desk.stands_still()

    def pause(*, paused: bool) -> None:
        desk.shop.do(
            lambda s: addressees.pause(session=s, now=desk.clock.now, by_id=1, addressee_id=number, paused=paused)
        )

    pause(paused=True)
    desk.round()
    assert bell.told == []
    pause(paused=False)
    desk.round()
    assert len(bell.told) == 1


def test_whoever_is_removed_leaves_neither_name_nor_address_nor_notice(desk: Desk, bell: Bell) -> None:
    number = desk.add(bell.address, About.STOPS)
    desk.stands_still()
    desk.round()
    desk.shop.do(lambda s: addressees.remove(session=s, now=desk.clock.now, by_id=1, addressee_id=number))
    assert desk.went() == []
    with desk.shop.store.read() as session:
        assert addressees.listing(session=session) == []
    assert desk.add(bell.address, About.STOPS) != number, "its key was made of its number"


def test_old_notices_are_forgotten_but_not_what_still_stands(desk: Desk, bell: Bell) -> None:
    desk.add(bell.address, About.STOPS)
    first = desk.stands_still()
    desk.round()
    desk.clock.now += 91 * DAY
    desk.round()
    assert len(bell.told) == 1, "it stands since then, and was told"
    desk.shop.do(lambda s: stops.end_stop(session=s, now=desk.clock.now, by=by(), stop_id=first))
    for _ in range(3):
        desk.round()
        desk.clock.now += 2 * DAY
    assert desk.went() == []


# ------------------------------------------------------------------ never in the way


def test_a_server_that_never_answers_holds_up_nobody(desk: Desk, bell: Bell, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(mail, "LONGEST_S", 3.0)
    with postbox.silent() as port:
        desk.by_mail(port)
        for _ in range(3):
            desk.add("ada@example.org", About.STOPS)
        desk.add(bell.address, About.STOPS)
        desk.stands_still()
        teller, began = desk.teller(), time.monotonic()
        teller.round(look=True)
        with desk.shop.store.write() as session:
            session.get_one(Workshop, 1).name = "Booked meanwhile"
        assert time.monotonic() - began < 2.5, "a round waits for no server"
        while not bell.told and time.monotonic() - began < LONGEST_S:
            time.sleep(0.01)
        assert time.monotonic() - began < 2.9, "the webhook did not wait for the mail server"
        teller.wait(LONGEST_S)
    errors = {one.error for one in desk.went() if one.state == "tried"}
    assert errors == {f"The mail server at localhost, port {port} did not answer in time. Is it the right port?"}


def test_after_a_crash_between_sending_and_writing_it_down_it_comes_again_under_the_same_mark(
    desk: Desk, bell: Bell, monkeypatch: pytest.MonkeyPatch
) -> None:
    desk.add(bell.address, About.STOPS)
    desk.stands_still()

    def crash(*_: object, **__: object) -> None:
        raise RuntimeError("the power went")

    with monkeypatch.context() as patched:
        patched.setattr(outbox, "sent", crash)
        desk.round()
    assert desk.went()[0].state == "being sent"
    desk.round()
    assert len(bell.told) == 1, "whoever claimed it may still be sending"
    desk.clock.now += outbox.CLAIMED_FOR
    desk.round()
    desk.round()
    marks = [headers[webhook.MARK_HEADER] for _, headers, _ in bell.told]
    assert len(marks) == 2
    assert len(set(marks)) == 1


def test_a_clock_set_back_sends_nothing_twice_and_holds_nothing_up_for_long(desk: Desk, bell: Bell) -> None:
    desk.clock.now = datetime(2026, 3, 4, 7, 30, tzinfo=UTC)
    desk.add(bell.address, About.STOPS)
    desk.stands_still()
    desk.round()
    desk.clock.now -= HOUR
    desk.round()
    assert len(bell.told) == 1
    bell.status = 500
    desk.shop.do(lambda s: catalogue.add_machine(session=s, now=desk.clock.now, by=by(), name="Rowan", feeds=1))
    desk.stands_still("Rowan")
    desk.round()
    assert len(bell.told) == 2
    desk.clock.now -= HOUR
    bell.status = 200
    desk.round()
    assert len(bell.told) == 3
    assert desk.went()[0].state == "sent"


def test_a_claim_that_a_clock_set_back_made_long_ends_by_what_truly_passed(desk: Desk, bell: Bell) -> None:
    addressee = desk.add(bell.address, About.STOPS)
    desk.clock.ticks = 1000.0
    teller = desk.teller()
    desk.trial(addressee)
    with desk.shop.store.write() as session:
        number = session.scalars(select(col(Notice.id))).one()
        assert outbox.claim(session, desk.clock.now + 5 * HOUR, number, was="") is not None
    teller.round(look=False)
    desk.clock.ticks += 60
    assert teller.round(look=False) == 0
    desk.clock.ticks += outbox.CLAIMED_FOR.total_seconds()
    assert teller.round(look=False) == 1
    desk.clock.ticks = 0.0
    teller.wait(LONGEST_S)
    assert len(bell.told) == 1


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
