"""A whole shop day of a large workshop through its doors: what is answered, what the books hold of it, how long.

Run it: python tests/benchmarks/a_day.py --instance DIR [--minutes 5] [--scale 1] [--pages 400]. DIR is written to;
where it holds no workshop one is built at the scale. The day has what the workshop's two years have in the mean (jobs
that end, spools that are loaded, weighings, deliveries), and besides, by our own choice, as many spools shelved as
loaded, `--pages` pages that people look at, and the board asked by each station each second and a half. The 24 hours
are pressed into `--minutes`; who is late goes on at once. One job end in 20 is sent twice under its key, as after an
answer that was lost. SPOOLKEEP_DATABASE names a PostgreSQL, which is served by one process too.
"""

import argparse
import http.client
import json
import os
import random
import sys
import threading
import time
from collections import Counter, defaultdict
from collections.abc import Sequence
from contextlib import closing
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from urllib.parse import urlencode

import numpy as np
from sqlalchemy import func, select
from sqlalchemy.orm import Session
from sqlmodel import col

sys.path.insert(0, str(Path(__file__).parents[2]))  # run as a script, the tests' folder is not on the path

from spoolkeep.domain.codes import CodeKind
from spoolkeep.domain.words import JobState, Kind, Role, Scope
from spoolkeep.services import people, stations, tokens
from spoolkeep.services.instance import SETTING, Instance
from spoolkeep.services.shop import code_text
from spoolkeep.store.engine import Store
from spoolkeep.store.proof import differences
from spoolkeep.store.seeds import FIRST_ACTOR
from spoolkeep.store.tables import Act, Balance, Feed, Job, Loading, Movement, Place, Spool
from spoolkeep.web.lock import PERSON_COOKIE, STATION_COOKIE
from tests.benchmarks.large.workshop import build
from tests.benchmarks.pressed import HOST, Pressed, free_port
from tests.benchmarks.scan_round_trip import polls

PAGES = ("/", "/stock", "/bench", "/jobs", "/tonight", "/orders", "/deliveries", "/money", "/stock/{}", "/spools/{}")
STATIONS, PROGRAMS, PEOPLE = 8, 4, 4
TWICE = 20
FORM = "application/x-www-form-urlencoded"


@dataclass(frozen=True)
class Ask:
    """One thing asked of the server, at a share of the day."""

    at: float
    kind: str
    path: str
    key: str = ""
    body: str | None = None
    moves: int = 0
    """How many movements the books must hold of it."""


@dataclass(frozen=True)
class Floor:
    """What a day's acts are made of."""

    feeds: list[list[str]]
    """Codes by machine."""
    loads: list[tuple[str, str]]
    """Spools from the shelf with a feed that has their item on."""
    places: list[str]
    spools: list[tuple[str, int]]
    """In use, with their items."""
    a_day: dict[str, int]


def floor_of(session: Session) -> Floor:
    """Read it from the books."""
    on = (
        select(Feed, Spool)
        .join(Loading, col(Loading.feed_id) == col(Feed.id))
        .join(Spool, col(Spool.id) == col(Loading.spool_id))
        .where(col(Loading.until_at).is_(None), col(Loading.live), ~col(Loading.standby))
        .order_by(col(Feed.id))
    )
    loaded = session.execute(on).all()
    held = select(col(Loading.spool_id)).where(col(Loading.until_at).is_(None), col(Loading.live))
    free: dict[int, list[str]] = defaultdict(list)
    shelved = select(Spool).join(Balance, col(Balance.spool_id) == col(Spool.id))
    for spool in session.scalars(shelved.where(col(Balance.left_mg) > 0, col(Spool.id).not_in(held))):
        free[spool.article_id].append(code_text(CodeKind.SPOOL, spool.serial))
    machines: dict[int, list[str]] = defaultdict(list)
    loads = []
    for feed, spool in loaded:
        machines[feed.machine_id].append(code_text(CodeKind.FEED, feed.serial))
        if free[spool.article_id]:
            loads.append((free[spool.article_id].pop(), machines[feed.machine_id][-1]))
    kinds = select(col(Movement.kind), func.count()).group_by(col(Movement.kind))
    often = {kind: int(count) for kind, count in session.execute(kinds)}
    days = max(1, session.scalar(select(func.count(func.distinct(col(Movement.shop_day))))) or 1)
    jobs = select(func.count()).select_from(Job).where(col(Job.state) == JobState.ENDED)
    loadings = select(func.count()).select_from(Loading)
    return Floor(
        feeds=list(machines.values()),
        loads=loads,
        places=[code_text(CodeKind.PLACE, serial) for serial in session.scalars(select(col(Place.serial))) if serial],
        spools=[(code_text(CodeKind.SPOOL, spool.serial), spool.article_id) for _, spool in loaded],
        a_day={
            "job": (session.scalar(jobs) or 0) // days,
            "load": (session.scalar(loadings) or 0) // days,
            "weighing": often.get(Kind.WEIGHING, 0) // days,
            "delivery": max(1, often.get(Kind.DELIVERY, 0) // days // 14),
        },
    )


class Plan:
    """A day's acts, seeded, each under a key of its own."""

    def __init__(self, floor: Floor, mark: str, pages: int) -> None:
        self.floor, self.mark, self.pages = floor, mark, pages
        self.chance = random.Random(1)  # noqa: S311 - a seeded load
        self.keys = 0

    def _key(self) -> str:
        self.keys += 1
        return f"{self.mark}-{self.keys}"

    def jobs(self) -> list[Ask]:
        """Give the jobs that end, and the weighings."""
        asks = []
        for _ in range(self.floor.a_day["job"]):
            feeds, at, key = self.chance.choice(self.floor.feeds), self.chance.random(), self._key()
            drawn = [{"feed": feed, "drawn_mg": self.chance.randint(5, 40) * 1000} for feed in feeds]
            body = json.dumps({"key": key, "title": "Hook", "outcome": "good", "feeds": drawn})
            asks.append(Ask(at, "job", "/api/jobs", key, body, len(feeds)))
            if self.chance.randrange(TWICE) == 0:
                asks.append(Ask(at + 1e-5, "job again", "/api/jobs", key, body, len(feeds)))
        for _ in range(self.floor.a_day["weighing"]):
            spool, key = self.chance.choice(self.floor.spools)[0], self._key()
            body = json.dumps({"key": key, "spool": spool, "gross_mg": self.chance.randint(300, 1100) * 1000})
            asks.append(Ask(self.chance.random(), "weighing", "/api/weighings", key, body, 1))
        return sorted(asks, key=lambda one: one.at)

    def scans(self, station: int) -> list[Ask]:
        """Give one station's scans: a spool, then its feed, and a spool, then a shelf."""
        asks = []
        whole = self.floor.loads[: self.floor.a_day["load"]][station::STATIONS]
        more = self.floor.loads[self.floor.a_day["load"] : 2 * self.floor.a_day["load"]][station::STATIONS]
        for spool, second in [*whole, *((spool, self.chance.choice(self.floor.places)) for spool, _ in more)]:
            at = self.chance.random()
            for code in (spool, second):
                key = self._key()
                asks.append(Ask(at, "scan", "/bench", key, urlencode({"key": key, "code": code})))
        return sorted(asks, key=lambda one: one.at)

    def looks(self, person: int) -> list[Ask]:
        """Give the pages that one person opens; the first one books deliveries in besides."""
        asks = []
        for _ in range(self.pages // PEOPLE):
            page, (spool, article) = self.chance.choice(PAGES), self.chance.choice(self.floor.spools)
            path = page.format(spool if page.startswith("/spools") else article)
            asks.append(Ask(self.chance.random(), f"page {page}", path))
        for _ in range(self.floor.a_day["delivery"] if person == 0 else 0):
            key, article = self._key(), self.chance.choice(self.floor.spools)[1]
            told = {"key": key, "article": article, "spools": 14, "spool_grams": 1000, "price": 20, "tare": 210}
            asks.append(Ask(self.chance.random(), "delivery", "/deliveries", key, urlencode(told), 14))
        return sorted(asks, key=lambda one: one.at)


@dataclass
class Actor(threading.Thread):
    """Somebody or something that asks one thing after the other, each at its time or as soon as it can."""

    asks: Sequence[Ask]
    port: int
    headers: dict[str, str]
    seconds: float
    statuses: Counter[tuple[str, int]] = field(default_factory=Counter)
    took: list[tuple[str, float]] = field(default_factory=list)
    answered: dict[str, int] = field(default_factory=dict)
    """Movements by key of what was answered well."""

    def __post_init__(self) -> None:
        super().__init__(daemon=True)

    __hash__ = threading.Thread.__hash__

    def run(self) -> None:
        """Ask until all is asked."""
        began, line = time.monotonic(), http.client.HTTPConnection(HOST, self.port, timeout=300)
        for ask in self.asks:
            time.sleep(max(0.0, began + ask.at * self.seconds - time.monotonic()))
            since = time.monotonic()
            line.request("GET" if ask.body is None else "POST", ask.path, ask.body, self.headers)
            answer = line.getresponse()
            answer.read()
            self.took.append((ask.kind, time.monotonic() - since))
            self.statuses[ask.kind, answer.status] += 1
            if ask.key and answer.status < http.client.BAD_REQUEST:
                self.answered[ask.key] = ask.moves
        line.close()


def actors(store: Store, plan: Plan, port: int, seconds: float) -> tuple[list[Actor], list[str]]:
    """Sign everybody in; give them with what they ask, and the stations' secrets."""
    now, home = datetime.now(UTC), {"Host": f"localhost:{port}", "Origin": f"http://localhost:{port}"}
    found, secrets = [], []
    with store.write() as session:
        told = plan.jobs()
        for number in range(PROGRAMS):
            label = f"{plan.mark} {number}"
            secret = tokens.for_program(session=session, now=now, by_id=FIRST_ACTOR, label=label, scopes=tuple(Scope))
            headers = home | {"Authorization": f"Bearer {secret}", "Content-Type": "application/json"}
            own = [one for one in told if int(one.key.rsplit("-")[-1]) % PROGRAMS == number]
            found.append(Actor(own, port, headers, seconds))
        for number in range(STATIONS):
            secrets.append(stations.sign_in(session=session, now=now, label=f"{plan.mark} {number}").secret)
            headers = home | {"Cookie": f"{STATION_COOKIE}={secrets[-1]}", "Content-Type": FORM, "X-Fragment": "1"}
            found.append(Actor(plan.scans(number), port, headers, seconds))
        for number in range(PEOPLE):
            name = f"{plan.mark} {number}"
            who = people.add(session=session, now=now, by_id=None, name=name, role=Role.OWNER)
            secret = tokens.for_browser(session, now, actor_id=who, label="computer")
            headers = home | {"Cookie": f"{PERSON_COOKIE}={secret}", "Content-Type": FORM}
            found.append(Actor(plan.looks(number), port, headers, seconds))
    return found, secrets


def held(store: Store, everybody: Sequence[Actor]) -> str:
    """Hold the books against what was answered."""
    answered = {key: moves for one in everybody for key, moves in one.answered.items()}
    acts: Counter[str] = Counter()
    moves: Counter[str] = Counter()
    mark = next(iter(answered)).split("-")[0]
    with store.read() as session:
        query = select(col(Act.key), func.count(func.distinct(col(Act.id))), func.count(col(Movement.id)))
        query = query.outerjoin(Movement, col(Movement.act_id) == col(Act.id)).where(col(Act.key).like(f"{mark}-%"))
        for key, count, moved in session.execute(query.group_by(col(Act.key))):
            acts[key], moves[key] = int(count), int(moved)
        different = next(differences(session), None)
    booked = {key for key, wanted in answered.items() if wanted}
    missing = sum(1 for key in booked if not acts[key] or moves[key] < answered[key])
    doubled = sum(1 for key in answered if acts[key] > 1 or (key in booked and moves[key] > answered[key]))
    scans = sum(1 for key in answered if key not in booked and not acts[key])
    return (
        f"{len(answered)} acts answered, {missing} missing, {doubled} doubled, {scans} scans that booked nothing; "
        f"check: {different or 'the books are sound'}"
    )


def main() -> None:
    """Replay, and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--instance", type=Path, required=True)
    parser.add_argument("--scale", type=float, default=1.0)
    parser.add_argument("--minutes", type=float, default=5)
    parser.add_argument("--pages", type=int, default=400)
    asked = parser.parse_args()
    now = datetime.now(UTC)
    with closing(Instance(asked.instance).open_or_make(now=now)) as store:
        with store.read() as session:
            empty = session.scalars(select(col(Spool.id)).limit(1)).first() is None
        if empty:
            build(store, now=now, scale=asked.scale)
        with store.read() as session:
            plan = Plan(floor_of(session), f"day{int(now.timestamp())}", asked.pages)
        port = free_port()
        everybody, secrets = actors(store, plan, port, 60 * asked.minutes)
    server = Pressed(asked.instance, os.environ.get(SETTING)).start(port)
    try:
        first = Actor([Ask(0, "first", page) for page in PAGES if "{" not in page], port, everybody[-1].headers, 0)
        first.run()
        print(
            "first looks:",
            ", ".join(f"{ask.path} {s:.1f} s" for ask, (_, s) in zip(first.asks, first.took, strict=True)),
        )
        took = replay(everybody, secrets, port)
    finally:
        server.terminate()
        server.wait()
    print(f"{plan.floor.a_day}, {plan.pages} pages: 24 hours in {took:.0f} s")
    report(everybody)
    with closing(Instance(asked.instance).open()) as store:
        print(held(store, everybody))


def replay(everybody: Sequence[Actor], secrets: Sequence[str], port: int) -> float:
    """Let the day pass, with every station's board open; give the seconds that it took."""
    stop, began = threading.Event(), time.monotonic()
    boards = [threading.Thread(target=polls, args=(port, secret, stop), daemon=True) for secret in secrets]
    for thread in (*boards, *everybody):
        thread.start()
    for thread in everybody:
        thread.join()
    stop.set()
    for thread in boards:
        thread.join()
    return time.monotonic() - began


def report(everybody: Sequence[Actor]) -> None:
    """Print times and statuses by kind."""
    times: dict[str, list[float]] = defaultdict(list)
    statuses: Counter[tuple[str, int]] = Counter()
    for one in everybody:
        statuses.update(one.statuses)
        for kind, seconds in one.took:
            times[kind].append(1000 * seconds)
    for kind in sorted(times):
        half, late = np.quantile(times[kind], (0.5, 0.99))
        seen = {status: count for (of, status), count in statuses.items() if of == kind}
        print(f"{kind:<20}{len(times[kind]):>6}  median {half:>7.0f} ms  p99 {late:>7.0f} ms  {seen}")


if __name__ == "__main__":
    main()
