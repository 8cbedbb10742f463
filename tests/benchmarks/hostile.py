"""What 10,000 hostile inputs do to a workshop that is served, and what a flood costs a scan: figures to read.

Run it: python tests/benchmarks/hostile.py [--inputs 10000] [--seed 1] [--floods]. A copy of a small demo is served in a
process of its own as `spoolkeep serve` does; the inputs are drawn with a seed from tests/hostile_forms.py and
tests/hostile_files.py and sent over HTTP as owner, reader, station, program and nobody. Printed are the inputs, answers
by status, faults of ours (5xx), what of it would run on any page afterwards, the slowest, and the server's peak memory;
at last the books are checked. With --floods a station scans at a steady pace meanwhile: p50 and p99, alone and beside
each flood.
"""

import argparse
import http.client
import multiprocessing
import random
import socket
import statistics
import sys
import tempfile
import threading
import time
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import closing, suppress
from datetime import UTC, datetime
from itertools import cycle
from pathlib import Path
from typing import NamedTuple

sys.path.insert(0, str(Path(__file__).parents[2]))  # run as a script, the tests' folder is not on the path

from spoolkeep.domain.words import Role, Scope
from spoolkeep.services import people, stations, tokens
from spoolkeep.services.demo import prepare
from spoolkeep.services.instance import Instance
from spoolkeep.store import proof
from spoolkeep.web.app import create_app
from spoolkeep.web.lock import PERSON_COOKIE, STATION_COOKIE
from spoolkeep.web.serving import serve
from tests import hostile_files, hostile_forms
from tests.hostile_forms import JSON_BODIES, STARTS, Page, Sent

PORT, DAYS, WAIT_S, SCANS, PAUSE_S, MOST_S = 8498, 30, 120, 150, 0.05, 25
FLOODS = {
    "pages of orders": Sent("GET", "/orders"),
    "pages of stock": Sent("GET", "/stock"),
    "Tonight on paper": Sent("GET", "/tonight/half-sheet.pdf"),
    "searches": Sent("GET", "/search?q=e"),
    "links that are none": Sent("POST", "/join", b"secret=abcdefghijklmnopqrstuvwxyz", hostile_forms.FORM),
    "sign-ins": Sent("POST", "/sign-in", b"name=Ada&password=xxxxxxxxxxxxxx", hostile_forms.FORM),
}
FLOODERS = 16


class Served(NamedTuple):
    """A workshop that is served: heads by who asks, and codes to scan in turn."""

    heads: dict[str, dict[str, str]]
    codes: list[str]


class Answer(NamedTuple):
    """What came back."""

    status: int
    text: str
    seconds: float


def asked(sent: Sent, head: dict[str, str]) -> Answer:
    """Send one request on a connection of its own; status 0 where the server hung up."""
    began = time.perf_counter()
    more = {"Origin": f"http://localhost:{PORT}"} | ({"Content-Type": sent.kind} if sent.kind else {}) | head
    with closing(http.client.HTTPConnection("localhost", PORT, timeout=WAIT_S)) as line:
        try:
            line.request(sent.method, sent.path, sent.body or None, more)
            with line.getresponse() as answer:
                is_page = answer.headers.get_content_type() == "text/html"
                body = answer.read()
                return Answer(answer.status, body.decode() if is_page else "", time.perf_counter() - began)
        except (ConnectionError, http.client.HTTPException):
            return Answer(0, "", time.perf_counter() - began)


def settled(instance: Instance) -> Served:
    """Give who may ask of a demo: each part, and a station."""
    now = datetime.now(UTC)
    with closing(instance.open()) as store, store.write() as session:
        heads: dict[str, dict[str, str]] = {"nobody": {}}
        for role in (Role.OWNER, Role.READER):
            number = people.add(session=session, now=now, by_id=None, name=f"A {role}", role=role)
            secret = tokens.for_browser(session, now, actor_id=number, label="computer")
            heads[str(role)] = {"Cookie": f"{PERSON_COOKIE}={secret}"}
        station = stations.sign_in(session=session, now=now, label="Bench").secret
        heads["station"] = {"Cookie": f"{STATION_COOKIE}={station}"}
        program = tokens.for_program(session=session, now=now, by_id=1, label="Script", scopes=tuple(Scope))
        heads["program"] = {"Authorization": f"Bearer {program}"}
    return Served(heads, ["S00000000", "F00000000"])


def inputs(served: Served, routes: list[tuple[str, str]], draw: random.Random) -> Iterator[tuple[str, Sent]]:
    """Give who sends what, without end: forms, addresses, bodies of programs, and files."""
    owner = served.heads["owner"]
    while True:
        forms = [form for _, page in hostile_forms.walked(looking(owner), STARTS, most=80) for form in page.forms]
        made = [one for form in forms if not form.leaves for one in hostile_forms.filled(form, draw)]
        made += list(hostile_forms.addressed(routes, draw))
        made += [
            Sent("POST", rule, body, "application/json")
            for method, rule in routes
            if rule.startswith("/api/") and method == "POST"
            for body in JSON_BODIES
        ]
        made += list(files(draw))
        draw.shuffle(made)
        parts = list(served.heads)
        for one in made:
            is_api = one.path.startswith("/api/")
            yield ("program" if is_api else draw.choices(parts, [1, 6, 1, 2, 1])[0]), one


def files(draw: random.Random) -> Iterator[Sent]:
    """Give files of every kind, larger than in the suite."""
    doors = {"pictures": ("/bench/photo", "photo"), "motion files": ("/jobs/file", "file")}
    for kind, make in hostile_files.KINDS.items():
        path, name = doors.get(kind, ("/imports", "file"))
        for called, data in make(scale=10):
            head = f'--b\r\nContent-Disposition: form-data; name="{name}"; filename="{called}.csv"\r\n\r\n'.encode()
            more = hostile_forms.parts([("key", str(draw.random())), ("sheet", "takings"), ("times", "1")])
            yield Sent("POST", path, head + data + b"\r\n" + more, "multipart/form-data; boundary=b")


def looking(head: dict[str, str]) -> Callable[[str], str]:
    """Give what a page shows."""

    def look(path: str) -> str:
        answer = asked(Sent("GET", path), head)
        return answer.text if answer.status == http.HTTPStatus.OK else ""

    return look


def attack(served: Served, routes: list[tuple[str, str]], *, count: int, seed: int, server_id: int) -> None:
    """Send so many; print what came of it."""
    statuses: Counter[int] = Counter()
    slowest, faults, reflected = (0.0, ""), [], []
    given = inputs(served, routes, random.Random(seed))  # noqa: S311 - no secret comes of it
    for number, (who, sent) in zip(range(count), given, strict=False):
        answer = asked(sent, served.heads[who])
        told = f"{who} {sent.method} {sent.path[:70]} {sent.body[:100]!r}"
        statuses[answer.status] += 1
        if (
            number % 100 == 0
            and (seen := asked(Sent("GET", "/stock"), served.heads["owner"])).status != http.HTTPStatus.OK
        ):
            raise RuntimeError(f"the owner sees {seen.status} after {told}: {seen.text[:2000]}")
        slowest = max(slowest, (answer.seconds, told))
        faults += [f"{answer.status} {told}"] if answer.status >= http.HTTPStatus.INTERNAL_SERVER_ERROR else []
        reflected += [f"{what} {told}" for what in Page(answer.text).runs]
        if number % 1_000 == 0:
            print(f"  {number} sent, {held_mb(server_id)} MB held at most", flush=True)
    reached = list(hostile_forms.walked(looking(served.heads["owner"]), STARTS))
    stored = [f"{path} {page.runs}" for path, page in reached if page.runs]
    print(f"inputs {count}; answers {dict(sorted(statuses.items()))}")
    print(f"faults of ours {len(faults)}", *faults[:20], sep="\n  ")
    print(f"pages with a reflected script {len(reflected)}", *reflected[:10], sep="\n  ")
    print(f"pages afterwards {len(reached)}, of which run something stored {len(stored)}", *stored[:10], sep="\n  ")
    print(f"slowest {slowest[0]:.1f} s: {slowest[1]}")
    print(f"the server's memory at most {held_mb(server_id)} MB")


def held_mb(server_id: int) -> int:
    """Give how much memory a process has had at most. Source: proc(5), VmHWM."""
    lines = Path(f"/proc/{server_id}/status").read_text(encoding="ascii").splitlines()
    return next(int(line.split()[1]) // 1024 for line in lines if line.startswith("VmHWM"))


def scan_times(served: Served) -> list[float]:
    """Give how many ms each scan took, of so many or of those that half a minute holds."""
    found, head, until = [], served.heads["station"], time.monotonic() + MOST_S
    for code, _ in zip(cycle(served.codes), range(SCANS), strict=False):
        body = f"code={code}&key={time.time_ns()}".encode()
        found.append(asked(Sent("POST", "/bench", body, hostile_forms.FORM), head).seconds * 1000)
        time.sleep(PAUSE_S)
        if time.monotonic() > until and len(found) > 1:
            break
    return found


def floods(served: Served) -> None:
    """Print what a scan takes alone and beside each flood."""
    said("alone", scan_times(served), Counter())
    for name, sent in FLOODS.items():
        said(name, *beside(served, lambda one=sent: asked(one, served.heads["reader"]).status))  # type: ignore[misc] # bound now
    lines = []
    with suppress(OSError):
        for _ in range(150):
            lines.append(socket.create_connection(("localhost", PORT), timeout=5))
            lines[-1].sendall(b"GET / HTTP/1.1\r\nX-Slow: ")
    said("150 heads that do not end", scan_times(served), Counter())
    for line in lines:
        line.close()
    said("alone again", scan_times(served), Counter())


def beside(served: Served, ask: Callable[[], int]) -> tuple[list[float], Counter[int]]:
    """Give what scans take while others ask without a pause, and how those were answered."""
    over, statuses = threading.Event(), Counter[int]()

    def again_and_again() -> None:
        while not over.is_set():
            statuses[ask()] += 1

    crowd = [threading.Thread(target=again_and_again) for _ in range(FLOODERS)]
    for one in crowd:
        one.start()
    time.sleep(1)
    times = scan_times(served)
    over.set()
    for one in crowd:
        one.join()
    return times, statuses


def said(name: str, times: list[float], statuses: Counter[int]) -> None:
    """Print a row of times."""
    hundredths = statistics.quantiles(times, n=100, method="inclusive")
    print(
        f"{name}: {len(times)} scans, p50 {hundredths[49]:.0f} p99 {hundredths[98]:.0f} ms {dict(statuses)}", flush=True
    )


def main() -> None:
    """Serve, send, check and stop."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--inputs", type=int, default=10_000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--floods", action="store_true")
    chosen = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        instance = Instance(Path(folder) / "demo")
        prepare(instance, now=datetime.now(UTC), days=DAYS)
        served = settled(instance)
        with closing(instance.open()) as store:
            rules = create_app(store, secret=b"only for its map").url_map.iter_rules()
            routes = sorted((way, one.rule) for one in rules for way in (one.methods or set()) & {"GET", "POST"})
        how = {"port": PORT, "host": "127.0.0.1", "names": (), "proxy": None, "processes": 1, "log_to": None}
        server = multiprocessing.Process(target=serve, args=(instance,), kwargs=how)
        server.start()
        try:
            _await()
            if chosen.floods:
                floods(served)
            attack(served, routes, count=chosen.inputs, seed=chosen.seed, server_id=server.pid or 0)
        finally:
            server.terminate()
            server.join()
        with closing(instance.open()) as store, store.read() as session:
            print(f"differences in the books {list(proof.differences(session))}")


def _await() -> None:
    for _ in range(100):
        try:
            return http.client.HTTPConnection("localhost", PORT, timeout=1).connect()
        except OSError:
            time.sleep(0.1)
    raise RuntimeError("the workshop is not served")


if __name__ == "__main__":
    main()
