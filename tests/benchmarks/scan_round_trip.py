"""The round trip of a scan under eight stations, beside a bare Flask and SQLModel insert on the same kind of server.

Run it: python tests/benchmarks/scan_round_trip.py [--rounds 5] [--scans 60] [--stations 8] [--every 0.25]

Both are waitress with as many threads, SQLite with the same pragmas and the same one lock for writers, in processes of
their own. Stations post at their own pace (`--every` seconds each; 0: as fast as they are answered), and ask for the
board each second and a half besides, as their pages do. The rounds of both alternate.
"""

import argparse
import http.client
import multiprocessing
import socket
import statistics
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path
from urllib.parse import urlencode

import numpy as np
import waitress
from flask import Flask
from sqlmodel import Field, SQLModel

sys.path.insert(0, str(Path(__file__).parents[2]))  # run as a script, the tests' folder is not on the path

from spoolkeep.services import catalogue, choices, stations
from spoolkeep.services.instance import Instance
from spoolkeep.services.jobs import FeedGrams
from spoolkeep.store.engine import open_store
from spoolkeep.web.app import create_app
from spoolkeep.web.lock import STATION_COOKIE, Reach
from spoolkeep.web.processes import THREADS
from tests.workshop import TestWorkshop, by

POLLS_EACH_S = 1.5
HOST = "localhost"


class Plain(SQLModel, table=True):
    """What the bare server writes."""

    __tablename__ = "plain"
    id: int | None = Field(default=None, primary_key=True)
    text: str


def serve_bare(folder: str, port: int) -> None:
    """Serve one insert."""
    store = open_store(f"sqlite:///{folder}/plain.sqlite")
    with store.engine.begin() as connection:
        SQLModel.metadata.tables["plain"].create(connection)
    app = Flask("bare")

    @app.post("/bench")
    def insert() -> str:
        with store.write() as session:
            session.add(Plain(text="scan"))
        return "ok"

    waitress.serve(app, host="127.0.0.1", port=port, threads=THREADS, _quiet=True)


def serve_ours(folder: str, port: int) -> None:
    """Serve the workshop."""
    with closing(Instance(Path(folder)).open()) as store:
        app = create_app(store, secret=b"of no matter here", reach=Reach(hosts=frozenset({f"{HOST}:{port}", HOST})))
        waitress.serve(app, host="127.0.0.1", port=port, threads=THREADS, _quiet=True)


def workshop(folder: Path, count: int) -> list[tuple[str, list[str]]]:
    """Make a workshop with a machine a station, a job on each; give each station's secret, and what it scans."""
    now = datetime.now(UTC) - timedelta(minutes=5)
    with closing(Instance(folder).open_or_make(now=now - timedelta(days=30))) as store:
        shop = TestWorkshop(store, now)
        found = []
        for number in range(count):
            name = f"Mill {number}"
            shop.do(lambda s, name=name: catalogue.add_machine(session=s, now=now, by=by(), name=name, feeds=1))  # type: ignore[misc]
            with store.read() as session:
                feed = next(one.code for one in choices.feeds(session=session) if one.name.startswith(name))
            spools = shop.deliver(4)
            shop.plan("Bracket", FeedGrams(120_000, article_id=shop.articles[0]), machine=name, duration_s=30_000)
            secret = shop.do(
                lambda s, number=number: stations.sign_in(session=s, now=now, label=f"Bench {number}").secret  # type: ignore[misc]
            )
            found.append((secret, [code for spool in spools for code in (spool, feed)]))
    return found


@contextmanager
def running(target: Callable[[str, int], None], folder: str) -> Iterator[int]:
    """Run a server in a process of its own; give its port."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    process = multiprocessing.get_context("spawn").Process(target=target, args=(folder, port), daemon=True)
    process.start()
    for _ in range(2400):
        with socket.socket() as tried:
            if tried.connect_ex(("127.0.0.1", port)) == 0:
                break
        time.sleep(0.05)
    yield port
    process.terminate()
    process.join()


def scans(port: int, secret: str, codes: list[str], *, count: int, every: float, mark: str) -> list[float]:
    """Give the seconds of each round trip of one station."""
    line = http.client.HTTPConnection("127.0.0.1", port)
    headers = {
        "Content-Type": "application/x-www-form-urlencoded",
        "X-Fragment": "1",
        "Host": f"{HOST}:{port}",
        "Origin": f"http://{HOST}:{port}",
        "Cookie": f"{STATION_COOKIE}={secret}",
    }
    took = []
    for number in range(count):
        began = time.perf_counter()
        body = urlencode({"key": f"{mark} {number}", "code": codes[number % len(codes)]})
        line.request("POST", "/bench", body, headers)
        answer = line.getresponse()
        answer.read()
        took.append(time.perf_counter() - began)
        assert answer.status == http.client.OK, answer.status
        time.sleep(max(0.0, every - took[-1]))
    line.close()
    return took


def polls(port: int, secret: str, stop: threading.Event) -> None:
    """Ask for the board as a page does, until the round is over."""
    line, seen = http.client.HTTPConnection("127.0.0.1", port), ""
    while not stop.wait(POLLS_EACH_S):
        headers = {"Host": f"{HOST}:{port}", "Cookie": f"{STATION_COOKIE}={secret}", "If-None-Match": seen}
        line.request("GET", "/bench/board", headers=headers)
        answer = line.getresponse()
        answer.read()
        seen = answer.getheader("ETag") or seen
    line.close()


def a_round(
    port: int, who: list[tuple[str, list[str]]], *, count: int, every: float, mark: str, looks: bool
) -> list[float]:
    """Give the seconds of every round trip of a round, all stations at once."""
    found: list[float] = []
    stop = threading.Event()

    def one(number: int) -> None:
        secret, codes = who[number]
        time.sleep(number * every / len(who))
        found.extend(scans(port, secret, codes, count=count, every=every, mark=f"{mark} {number}"))

    looking = [threading.Thread(target=polls, args=(port, secret, stop)) for secret, _ in who if looks]
    busy = [threading.Thread(target=one, args=(number,)) for number in range(len(who))]
    for thread in [*looking, *busy]:
        thread.start()
    for thread in busy:
        thread.join()
    stop.set()
    for thread in looking:
        thread.join()
    return found


def main() -> None:
    """Measure and print."""
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--rounds", type=int, default=5)
    asked.add_argument("--scans", type=int, default=60)
    asked.add_argument("--stations", type=int, default=8)
    asked.add_argument("--every", type=float, default=0.25)
    given = asked.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        who = workshop(Path(folder), given.stations)
        with running(serve_ours, folder) as ours, running(serve_bare, folder) as bare:
            medians: list[tuple[float, float]] = []
            all_ours: list[float] = []
            all_bare: list[float] = []
            for number in range(given.rounds):
                told = {"count": given.scans, "every": given.every}
                plain = a_round(bare, who, mark=f"bare {number}", looks=False, **told)
                scanned = a_round(ours, who, mark=f"ours {number}", looks=True, **told)
                medians.append((statistics.median(scanned), statistics.median(plain)))
                all_ours += scanned
                all_bare += plain
                print(f"round {number + 1}: {1000 * medians[-1][0]:.1f} ms beside {1000 * medians[-1][1]:.1f} ms")
    ratio = statistics.median(one / other for one, other in medians)
    print(f"median of a scan's round trip, beside a bare insert: {ratio:.2f} times")
    for name, took in (("scan", all_ours), ("bare insert", all_bare)):
        half, late = np.quantile(took, (0.5, 0.99)) * 1000
        print(f"{name}: median {half:.1f} ms, p99 {late:.1f} ms, of {len(took)}")


if __name__ == "__main__":
    main()
