"""What sign-ins cost the bench: how long a scan takes while eight sign-ins run, next to none, in one run.

Run it: python tests/benchmarks/signins.py [--rounds 3] [--scans 300]. A small workshop is served in a process of its
own with the settings of `spoolkeep serve`; a station scans at a steady pace over HTTP, alone and while eight browsers
on which the owner is known, in another process, sign in over and over with the right password. The two are measured
in turn, so that whatever else the machine does falls on both alike.
"""

import argparse
import http.client
import multiprocessing
import statistics
import sys
import tempfile
import time
from collections import Counter
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing
from datetime import UTC, datetime
from http import HTTPStatus
from pathlib import Path
from urllib.parse import urlencode

sys.path.insert(0, str(Path(__file__).parents[2]))  # run as a script, the tests' folder is not on the path

from spoolkeep.services import passwords, people, signing, stations
from spoolkeep.services.instance import Instance
from spoolkeep.store.engine import Store
from spoolkeep.web.lock import DEVICE_COOKIE, STATION_COOKIE
from spoolkeep.web.serving import serve
from tests.workshop import TestWorkshop

PASSWORD = "copper ferry lantern oat"  # noqa: S105 - of a workshop that lives for a minute
BROWSERS, PORT, PAUSE_SECONDS, WAIT_SECONDS = 8, 8499, 0.02, 30
FORM = {"Content-Type": "application/x-www-form-urlencoded", "Origin": f"http://localhost:{PORT}"}


class Signers:
    """Browsers in a process of their own that sign in over and over until they are told to stop."""

    def __init__(self, devices: list[str]) -> None:
        self._stop = multiprocessing.Event()
        self._answers: multiprocessing.Queue[Counter[int]] = multiprocessing.Queue()
        self._began = time.perf_counter()
        self._process = multiprocessing.Process(target=self._run, args=(devices,))
        self._process.start()

    def _run(self, devices: list[str]) -> None:
        body = urlencode({"name": "Ilka", "password": PASSWORD})

        def over_and_over(device: str) -> Counter[int]:
            answers: Counter[int] = Counter()
            while not self._stop.is_set():
                answers[post("/sign-in", body, f"{DEVICE_COOKIE}={device}")] += 1
            return answers

        with ThreadPoolExecutor(len(devices)) as browsers:
            self._answers.put(sum(browsers.map(over_and_over, devices), Counter()))

    def end(self) -> str:
        """Let the last ones end; give how many a second were let in, and how the others were answered, in words."""
        self._stop.set()
        answers = self._answers.get()
        seconds = time.perf_counter() - self._began
        self._process.join()
        good, held = answers.pop(HTTPStatus.FOUND, 0), answers.pop(HTTPStatus.TOO_MANY_REQUESTS, 0)
        return f"{good / seconds:.1f} sign-ins a second, {held} answered 429, {answers.total()} otherwise"


def post(path: str, body: str, cookie: str) -> int:
    """Give the status of a form that is sent on a connection of its own."""
    with closing(http.client.HTTPConnection("localhost", PORT, timeout=WAIT_SECONDS)) as connection:
        connection.request("POST", path, body, FORM | {"Cookie": cookie})
        answer = connection.getresponse()
        answer.read()
        return answer.status


def workshop(store: Store, now: datetime) -> tuple[str, list[str], list[str]]:
    """Give a station's secret, the secrets of devices that know the owner, and codes to scan in turn."""
    shop = TestWorkshop(store, now)
    spools = shop.deliver(2)
    kept = passwords.hashed(PASSWORD)
    with store.write() as session:
        owner = people.set_owner(session=session, now=now, name="Ilka", password_hash=kept)
        station = stations.sign_in(session=session, now=now, label="Bench").secret
        devices = [
            signing.admit(session=session, now=now, actor_id=owner, device_secret="", label="computer").device_secret
            for _ in range(BROWSERS)
        ]
    return station, devices, [code for spool in spools for code in (spool, shop.feeds[0])]


def scan_times(station: str, codes: list[str], count: int) -> list[float]:
    """Give how many ms each scan took, one after the other with a pause between."""
    found = []
    for number in range(count):
        body = urlencode({"code": codes[number % len(codes)], "key": f"{time.time_ns()}"})
        before = time.perf_counter()
        status = post("/bench", body, f"{STATION_COOKIE}={station}")
        found.append((time.perf_counter() - before) * 1000)
        if status != 200:
            raise RuntimeError(f"a scan was answered {status}")
        time.sleep(PAUSE_SECONDS)
    return found


def p(times: list[float], hundredth: int) -> float:
    """Give a percentile."""
    return statistics.quantiles(times, n=100, method="inclusive")[hundredth - 1]


def measure(station: str, devices: list[str], codes: list[str], *, rounds: int, scans: int) -> None:
    """Print both in turn, each round between two of scans alone, and the median of their ratios."""
    ratios = []
    alone = scan_times(station, codes, scans)
    for number in range(1, rounds + 1):
        signers = Signers(devices)
        beside = scan_times(station, codes, scans)
        signed_in = signers.end()
        again = scan_times(station, codes, scans)
        ratios.append([p(beside, n) / p(alone + again, n) for n in (50, 99)])
        print(
            f"round {number}: alone {said(alone)}, beside eight sign-ins {said(beside)}, alone again {said(again)}; "
            f"ratio of p50 {ratios[-1][0]:.2f}, of p99 {ratios[-1][1]:.2f}; {signed_in}"
        )
        alone = again
    p50, p99 = (statistics.median(column) for column in zip(*ratios, strict=True))
    print(f"median ratio of p50: {p50:.2f}, of p99: {p99:.2f}")


def said(times: list[float]) -> str:
    """Give what stands for a row of times."""
    return f"p50 {p(times, 50):.0f} p99 {p(times, 99):.0f} ms"


def main() -> None:
    """Serve, measure and stop."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--scans", type=int, default=300)
    chosen = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        instance = Instance(Path(folder) / "instance")
        with closing(instance.open_or_make(now=datetime.now(UTC))) as store:
            station, devices, codes = workshop(store, datetime.now(UTC))
        how = {"port": PORT, "host": "127.0.0.1", "names": (), "proxy": None}
        server = multiprocessing.Process(target=serve, args=(instance,), kwargs=how, daemon=True)
        server.start()
        try:
            _await()
            measure(station, devices, codes, rounds=chosen.rounds, scans=chosen.scans)
        finally:
            server.terminate()
            server.join()


def _await() -> None:
    for _ in range(100):
        try:
            return http.client.HTTPConnection("localhost", PORT, timeout=1).connect()
        except OSError:
            time.sleep(0.1)
    raise RuntimeError("the workshop is not served")


if __name__ == "__main__":
    main()
