"""Notices: each matter told once to each addressee, tried again, given up, and never in anybody's way.

Mail goes to a real server in the test, webhooks to a real receiver; both on both databases.
"""

import itertools
import json
import threading
import time
from dataclasses import replace
from datetime import UTC, datetime

import pytest
from sqlalchemy import select
from sqlalchemy.exc import TimeoutError as NoneFree
from sqlalchemy.orm import Session
from sqlmodel import col

from spoolkeep.domain.words import NoticeKind
from spoolkeep.services import catalogue, stops, today
from spoolkeep.services.notices import addressees, mail, outbox, webhook
from spoolkeep.services.notices.matters import About
from spoolkeep.services.notices.outbox import Claimed
from spoolkeep.services.notices.sending import Teller
from spoolkeep.store.engine import open_store
from spoolkeep.store.tables import Notice, NoticeMatter, Workshop
from tests.services import postbox
from tests.services.noticedesk import DAY, HOUR, LONGEST_S, MINUTE, Desk
from tests.services.postbox import Bell, Post
from tests.workshop import by

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
    while not any(one.state == "given up" for one in desk.went()):
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


def test_what_still_stands_is_told_anew_once_a_day_after_it_was_given_up_until_it_arrives(
    desk: Desk, bell: Bell
) -> None:
    bell.status = 500
    number = desk.add(bell.address, About.STOPS)
    stop = desk.stands_still()
    teller, began = desk.teller(), desk.clock.now
    while desk.clock.now < began + 3 * DAY:
        desk.round(teller)
        desk.clock.now += HOUR
    assert [one.state for one in desk.went()] == ["tried", "given up", "given up"]
    with desk.shop.store.read() as session:
        assert today.needed(session=session, now=desk.clock.now).notices, "whoever is told nothing is named meanwhile"
    told = len(bell.told)
    bell.status = 204
    bell.length = 0
    desk.clock.now -= 59 * MINUTE
    desk.trial(number)
    desk.round(teller)
    desk.round(teller)
    kinds = {json.loads(body)["kind"] for _, _, body in bell.told[told:]}
    assert kinds == {"warning", "trial"}, "what waits goes as soon as the way is mended"
    assert json.loads(bell.told[-1][2])["matters"][0]["key"] == f"stops:{stop}"
    with desk.shop.store.read() as session:
        assert not today.needed(session=session, now=desk.clock.now).notices
    desk.clock.now += DAY
    desk.round(teller)
    assert len(bell.told) == told + 2, "and then no more"


def test_mail_that_waits_goes_as_soon_as_the_mail_server_is_mended(desk: Desk, post: Post) -> None:
    desk.by_mail(postbox.closed_port())
    desk.add("ada@example.org", About.STOPS)
    desk.stands_still()
    for _ in range(5):
        desk.round()
        desk.clock.now += 10 * MINUTE
    desk.round()
    assert desk.went()[0].state == "tried"
    desk.by_mail(post.port)
    desk.round()
    assert len(post.taken) == 1


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
    monkeypatch.setattr(mail, "LONGEST_S", 25.0)
    with postbox.silent() as port:
        desk.by_mail(port)
        for _ in range(3):
            desk.add("ada@example.org", About.STOPS)
        desk.add(bell.address, About.STOPS)
        desk.stands_still()
        teller = desk.teller()
        teller.round(look=True)
        with desk.shop.store.write() as session:
            session.get_one(Workshop, 1).name = "Booked meanwhile"
        until = time.monotonic() + LONGEST_S
        while not bell.told and time.monotonic() < until:
            time.sleep(0.01)
        assert bell.told
        assert not [one for one in desk.went() if one.state == "tried"], "neither waited for the mail server"
    teller.wait(LONGEST_S)
    errors = {one.error for one in desk.went() if one.state == "tried"}
    assert errors == {f"The mail server at localhost, port {port} hung up. Look at the port and how it is encrypted."}


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


def test_what_was_sent_while_the_books_were_busy_is_written_down_later_and_not_sent_again(
    desk: Desk, bell: Bell, monkeypatch: pytest.MonkeyPatch
) -> None:
    desk.add(bell.address, About.STOPS)
    desk.stands_still()
    waits: list[float] = []
    truly = outbox.sent

    def busy(session: Session, now: datetime, ours: Claimed, *, subject: str) -> None:
        if len(waits) < 2:
            raise NoneFree("another program writes")
        truly(session, now, ours, subject=subject)

    monkeypatch.setattr(outbox, "sent", busy)
    desk.round(replace(desk.teller(), pause=waits.append))
    assert desk.went()[0].state == "sent"
    assert waits == [1.0, 5.0]
    desk.clock.now += HOUR
    desk.round()
    assert len(bell.told) == 1


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
