"""The same report three times from eight clients at once, in any order: booked is what the sorted list books."""

import random
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from datetime import datetime, timedelta
from typing import Any

import pytest
from flask import Flask
from sqlalchemy import func, select
from sqlmodel import col

from spoolkeep.domain.words import Kind, Scope
from spoolkeep.services import bench, standby, tokens
from spoolkeep.store.acts import By
from spoolkeep.store.engine import Store
from spoolkeep.store.proof import differences
from spoolkeep.store.seeds import FIRST_ACTOR
from spoolkeep.store.tables import Act, DayTotal, Line
from tests.workshop import TestWorkshop, by, station_at

CLIENTS, TIMES, REPORTS = 8, 3, 24
HOUR = timedelta(hours=1)


@pytest.fixture
def ready(shop: TestWorkshop) -> TestWorkshop:
    """Give a workshop whose first feed had three spools in two days: one ran out, one was changed by hand."""
    spools = shop.deliver(4, at=shop.now - 72 * HOUR)
    _scan(shop, shop.now - 60 * HOUR, spools[0], shop.feeds[0])
    _scan(shop, shop.now - 60 * HOUR, spools[3], shop.feeds[1])
    shop.do(
        lambda s: standby.stand_by(
            session=s, now=shop.now - 40 * HOUR, by=by(), spool_code=spools[1], feed_code=shop.feeds[0]
        )
    )
    at = shop.now - 30.2 * HOUR
    shop.do(lambda s: standby.ran_out(session=s, now=shop.now, by=by(), spool_code=spools[0], at=at))
    _scan(shop, shop.now - 10.4 * HOUR, spools[2], shop.feeds[0])
    return shop


def _scan(shop: TestWorkshop, at: datetime, *codes: str) -> None:
    for text in codes:
        with shop.store.write() as session:
            who = By(FIRST_ACTOR, by().key, station_id=station_at(session, at))
            bench.scan(session=session, now=at, by=who, text=text)


def _told(shop: TestWorkshop) -> list[dict[str, Any]]:
    """Give reports of jobs of two hours each, one after the other, of one feed or both."""
    rng, found = random.Random(11), []  # noqa: S311 - a fixed history
    for number in range(REPORTS):
        began = shop.now - 58 * HOUR + 2.3 * number * HOUR
        feeds = [{"feed": shop.feeds[0], "drawn_mg": rng.randrange(20_000, 90_000)}]
        if number % 4 == 0:
            feeds.append({"feed": shop.feeds[1], "drawn_mg": rng.randrange(1_000, 30_000)})
        times = {"started_at": began.isoformat(), "ended_at": (began + 2 * HOUR).isoformat()}
        outcome = "failed" if number % 7 == 0 else "good"
        found.append({"key": f"run-{number}", "title": "Hook", "feeds": feeds, "outcome": outcome, **times})
    return found


def _sums(store: Store) -> tuple[list[Any], list[Any]]:
    """Give the sums by spool and kind, and by item, shop day and kind; the books being sound."""
    with store.read() as session:
        assert list(differences(session)) == []
        lines = select(col(Line.spool_id), col(Line.kind), func.sum(col(Line.mg)), func.sum(col(Line.value_minor)))
        days = select(col(DayTotal.article_id), col(DayTotal.shop_day), col(DayTotal.kind), func.sum(col(DayTotal.mg)))
        by_spool = session.execute(lines.group_by(col(Line.spool_id), col(Line.kind))).all()
        keys = (col(DayTotal.article_id), col(DayTotal.shop_day), col(DayTotal.kind))
        by_day = session.execute(days.group_by(*keys)).all()
    return (
        sorted((spool, kind, int(mg), int(value)) for spool, kind, mg, value in by_spool if mg or value),
        sorted((item or 0, day, kind, int(mg)) for item, day, kind, mg in by_day if mg),
    )


def _sent(app: Flask, token: str, told: list[dict[str, Any]], clients: int) -> Iterator[tuple[int, Any]]:
    def send(body: dict[str, Any]) -> tuple[int, Any]:
        answer = app.test_client().post("/api/jobs", json=body, headers={"Authorization": f"Bearer {token}"})
        return answer.status_code, answer.json

    with ThreadPoolExecutor(clients) as pool:
        yield from pool.map(send, told)


def _token(shop: TestWorkshop) -> str:
    scopes = (Scope.REPORT,)
    return shop.do(
        lambda s: tokens.for_program(session=s, now=shop.now, by_id=FIRST_ACTOR, label="Script", scopes=scopes)
    )


def _plainly(shop: TestWorkshop) -> dict[int, int]:
    """Give what each spool gives, by number, told plainly: one job after the other, a spool that ran out gives all."""
    ran_out, changed = shop.now - 30.2 * HOUR, shop.now - 10.4 * HOUR
    left, given = 1_000_000, {1: 0, 2: 0, 3: 0, 4: 0}
    for one in _told(shop):
        began, ended = (datetime.fromisoformat(one[name]) for name in ("started_at", "ended_at"))
        mg = one["feeds"][0]["drawn_mg"]
        given[4] += sum(feed["drawn_mg"] for feed in one["feeds"][1:])
        if began < ran_out:
            first = min(mg, left) if ended >= ran_out else mg
            left -= first
            given[1] += first
            given[2] += mg - first
        elif began < changed < ended:
            first = (
                mg * ((changed - began) // timedelta(microseconds=1)) // ((ended - began) // timedelta(microseconds=1))
            )
            given[2] += first
            given[3] += mg - first
        else:
            given[2 if ended < changed else 3] += mg
    return given


SORTED: dict[str, tuple[list[Any], list[Any]]] = {}
"""What the first order came to in this process, by database: the others come to the same to the last minor unit."""


@pytest.mark.parametrize("seed", [0, 1, 2])
def test_reports_from_many_clients_in_any_order_book_what_the_sorted_list_does(
    app: Flask, ready: TestWorkshop, seed: int
) -> None:
    told = _told(ready)
    clients, times = (1, 1) if seed == 0 else (CLIENTS, TIMES)
    if seed:
        told = told * times
        random.Random(seed).shuffle(told)  # noqa: S311 - a fixed order
    answers = list(_sent(app, _token(ready), told, clients))
    assert {status for status, _ in answers} == {200}
    found = _sums(ready.store)
    assert {spool: -mg for spool, kind, mg, _ in found[0] if kind == Kind.DRAW} == _plainly(ready)
    assert SORTED.setdefault(ready.store.engine.dialect.name, found) == found
    with ready.store.read() as session:
        assert session.scalars(select(func.count()).where(col(Act.kind) == "job")).one() == REPORTS
