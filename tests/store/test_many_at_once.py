"""Many stations at once: nothing is lost, nothing is doubled, and no error reaches anyone."""

import itertools
import threading
from concurrent.futures import ThreadPoolExecutor
from datetime import datetime, timedelta

import pytest
from sqlalchemy import func, select
from sqlmodel import col

from spoolkeep.domain.words import Outcome
from spoolkeep.services import bench, catalogue, choices, jobs
from spoolkeep.services.jobs import FeedGrams, JobAnswer, JobReport
from spoolkeep.store.acts import By
from spoolkeep.store.engine import Store
from spoolkeep.store.proof import differences
from spoolkeep.store.seeds import FIRST_ACTOR
from spoolkeep.store.tables import Act, Balance, Feed, Job, Movement
from tests.workshop import TestWorkshop, by, station_at

THREADS, DRAWS_EACH, MG = 8, 200, 731


def _three_loaded_feeds(store: Store, now: datetime) -> tuple[list[int], TestWorkshop]:
    shop = TestWorkshop(store, now)
    shop.do(lambda s: catalogue.add_machine(session=s, now=now, by=by(), name="Alder", feeds=1))
    codes = shop.deliver(3, grams=1000)
    with store.read() as session:
        feeds = list(session.scalars(select(col(Feed.id)).order_by(col(Feed.serial))))
        labels = sorted(feed.code for feed in choices.feeds(session=session))
    with store.write() as session:
        station = station_at(session, now, "bench")
    for text in itertools.chain.from_iterable(zip(codes, labels, strict=True)):
        with store.write() as session:
            bench.scan(session=session, now=now, by=By(FIRST_ACTOR, by().key, station), text=text)
    return feeds, shop


def _report(store: Store, now: datetime, feed_id: int, key: str) -> JobAnswer:
    report = JobReport("Hook", None, (FeedGrams(MG, feed_id),))
    with store.write() as session:
        return jobs.report_job(session=session, now=now, by=By(FIRST_ACTOR, key), report=report, outcome=Outcome.GOOD)


def test_eight_stations_lose_no_draw(store: Store, now: datetime) -> None:
    feeds, _ = _three_loaded_feeds(store, now)
    seconds = itertools.count()
    start = threading.Barrier(THREADS)

    def station(number: int) -> None:
        start.wait()
        for turn in range(DRAWS_EACH):
            at = now + timedelta(seconds=next(seconds))
            _report(store, at, feeds[(number + turn) % len(feeds)], f"draw-{at.isoformat()}")

    with ThreadPoolExecutor(THREADS) as pool:
        list(pool.map(station, range(THREADS)))

    with store.read() as session:
        drawn = session.scalars(select(func.sum(col(Movement.asked_mg))).where(col(Movement.kind) == "draw")).one()
        assert drawn == -THREADS * DRAWS_EACH * MG
        left = session.scalars(select(func.sum(col(Balance.left_mg)))).one()
        assert left == 3_000_000 - THREADS * DRAWS_EACH * MG
        assert list(differences(session)) == []


def test_the_same_report_from_eight_stations_books_once_and_answers_alike(store: Store, now: datetime) -> None:
    feeds, _ = _three_loaded_feeds(store, now)
    with ThreadPoolExecutor(THREADS) as pool:
        answers = list(pool.map(lambda _: _report(store, now, feeds[0], "the-same"), range(THREADS * 3)))
    assert len(set(answers)) == 1
    with store.read() as session:
        assert session.scalars(select(func.count()).select_from(Job)).one() == 1
        assert session.scalars(select(func.count()).where(col(Act.key) == "the-same")).one() == 1


def test_an_error_undoes_the_whole_write(store: Store, now: datetime) -> None:
    feeds, _ = _three_loaded_feeds(store, now)
    before = _counts(store)

    report = JobReport("Hook", None, (FeedGrams(MG, feeds[0]),))
    with pytest.raises(KeyboardInterrupt), store.write() as session:  # noqa: PT012 - the write is what is broken off
        jobs.report_job(session=session, now=now, by=by(), report=report, outcome=Outcome.GOOD)
        raise KeyboardInterrupt
    assert _counts(store) == before


def _counts(store: Store) -> list[int]:
    with store.read() as session:
        return [session.scalars(select(func.count()).select_from(model)).one() for model in (Act, Movement, Job)]
