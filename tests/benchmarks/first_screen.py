"""What the first screens weigh, whom they ask, and when something is seen of them on a slow telephone.

Run it: python tests/benchmarks/first_screen.py [--demo DIR] [--large DIR] [--rounds 5]. It takes Chromium
(SPOOLKEEP_CHROMIUM) and playwright. Bytes are those that came over the network, heads and all, nothing being kept from
before. A fresh browser opens each screen `--rounds` times; the middle is told, and the worst. The first paint holds the
server's time too, on the very computer that runs the browser, which is not slowed for it.
"""

import argparse
import os
import shutil
import statistics
import sys
import tempfile
from collections import Counter
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import NamedTuple
from urllib.parse import urlsplit

from playwright.sync_api import Browser, BrowserContext, CDPSession, sync_playwright

sys.path.insert(0, str(Path(__file__).parents[2]))  # run as a script, the tests' folder is not on the path

from spoolkeep.store.engine import open_store
from spoolkeep.web.app import create_app
from spoolkeep.web.lock import PERSON_COOKIE, Reach
from tests.benchmarks.pages import demo_url, owners_secret
from tests.web.browser.conftest import FLAGS
from tests.web.browser.served import HOST, listening

SCREENS = {
    "Today": "/",
    "Bench": "/bench",
    "Stock": "/stock",
    "Jobs": "/jobs",
    "Orders": "/orders",
    "Tonight": "/tonight",
    "Spend": "/money",
    "Setup": "/setup",
    "sign-in": "/sign-in",
}
MOST_BYTES = 100_000
"""Of page, sheets and scripts together."""
COUNTED = ("Document", "Stylesheet", "Script")
ENOUGH_ROUNDS = 5
RTT_MS, DOWN_BPS, UP_BPS = 150, 1.6 * 1024 * 1024, 750 * 1024
BY_REQUEST, THROUGHPUT = 3.75, 0.9
"""Source: Lighthouse, docs/throttling.md and core/config/constants.js (mobileSlow4G): 150 ms, 1.6 Mbit/s down and 750
kbit/s up; where the browser slows request by request, as here, the delay times 3.75 and the throughput times 0.9."""
SLOWER_CPU = 4
"""Source: the same."""
PHONE = {"width": 412, "height": 823}
PAINTED = "performance.getEntriesByName('first-contentful-paint')[0]?.startTime ?? -1"


class Opened(NamedTuple):
    """One opening of a screen."""

    weight: dict[str, int]
    """Bytes by kind."""
    hosts: Counter[str]
    painted_ms: float


def opened(browser: Browser, url: str, secret: str | None) -> Opened:
    """Give what a screen weighs, whom it asks and when it is first seen, in a browser that has never been here."""
    context = browser.new_context(viewport={"width": PHONE["width"], "height": PHONE["height"]})
    if secret is not None:
        context.add_cookies([{"name": PERSON_COOKIE, "value": secret, "url": url}])
    try:
        return _opened(context, url)
    finally:
        context.close()


def _opened(context: BrowserContext, url: str) -> Opened:
    page = context.new_page()
    session = context.new_cdp_session(page)
    kinds: dict[str, str] = {}
    weight: Counter[str] = Counter()
    hosts: Counter[str] = Counter()

    def asked(event: dict[str, dict[str, str]]) -> None:
        where = urlsplit(event["request"]["url"])
        if where.scheme != "data":
            hosts[where.netloc] += 1

    def came(event: dict[str, str]) -> None:
        kinds[event["requestId"]] = event["type"]

    def ended(event: dict[str, float | str]) -> None:
        weight[kinds.get(str(event["requestId"]), "Other")] += int(event["encodedDataLength"])

    session.on("Network.requestWillBeSent", asked)
    session.on("Network.responseReceived", came)
    session.on("Network.loadingFinished", ended)
    _slow(session)
    page.goto(url, wait_until="load", timeout=120_000)
    page.wait_for_function(f"{PAINTED} >= 0")
    return Opened(dict(weight), hosts, float(page.evaluate(PAINTED)))


def _slow(session: CDPSession) -> None:
    session.send("Network.enable")
    conditions = {
        "offline": False,
        "latency": RTT_MS * BY_REQUEST,
        "downloadThroughput": DOWN_BPS / 8 * THROUGHPUT,
        "uploadThroughput": UP_BPS / 8 * THROUGHPUT,
    }
    session.send("Network.emulateNetworkConditions", conditions)
    session.send("Emulation.setCPUThrottlingRate", {"rate": SLOWER_CPU})


@contextmanager
def served(url: str) -> Iterator[tuple[str, str]]:
    """Give the address at which a workshop is served, and the secret of an owner who is signed in.

    Each screen was asked for once: what a server learns when it begins and then keeps is left out.
    """
    with closing(open_store(url)) as store:
        app = create_app(store, secret=b"measured", reach=Reach(hosts=frozenset({HOST})))
        secret = owners_secret(store)
        with listening(app.wsgi_app) as port:
            address = f"http://{HOST}:{port}"
            client = app.test_client()
            client.set_cookie(PERSON_COOKIE, secret, domain=HOST)
            for path in SCREENS.values():
                client.get(path, base_url=address)
            yield address, secret


def table(name: str, url: str, browser: Browser, rounds: int) -> list[str]:
    """Give a workshop's first screens as lines of a table."""
    head = f"{name:<10}{'page':>9}{'sheets':>9}{'scripts':>9}{'together':>10}{'asked':>7}{'elsewhere':>11}"
    lines = [head + f"{'first paint ms':>16}{'worst':>8}"]
    with served(url) as (address, secret):
        own = urlsplit(address).netloc
        for screen, path in SCREENS.items():
            by = None if path == "/sign-in" else secret
            seen = [opened(browser, address + path, by) for _ in range(rounds)]
            weight = [max(one.weight.get(kind, 0) for one in seen) for kind in COUNTED]
            paint = [one.painted_ms for one in seen]
            elsewhere = sum(many for one in seen for host, many in one.hosts.items() if host != own)
            figures = "".join(f"{bytes_:>9,}" for bytes_ in weight) + f"{sum(weight):>10,}"
            over = "  over 100 KB" if sum(weight) > MOST_BYTES else ""
            lines.append(
                f"{screen:<10}{figures}{seen[-1].hosts[own]:>7}{elsewhere:>11}"
                f"{statistics.median(paint):>16.0f}{max(paint):>8.0f}{over}"
            )
    return lines


def main() -> None:
    """Measure, and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--demo", type=Path, help="the demo's instance; built where it is not named")
    parser.add_argument("--large", type=Path, help="the instance of a large workshop")
    parser.add_argument("--rounds", type=int, default=ENOUGH_ROUNDS)
    asked = parser.parse_args()
    path = os.environ.get("SPOOLKEEP_CHROMIUM") or shutil.which("chromium")
    with tempfile.TemporaryDirectory(prefix="spoolkeep-screens-") as made, sync_playwright() as tool:
        browser = tool.chromium.launch(executable_path=path, args=FLAGS)
        print("\n".join(table("demo", demo_url(asked.demo or Path(made) / "demo"), browser, asked.rounds)))
        if asked.large:
            url = f"sqlite:///{(asked.large / 'spoolkeep.sqlite').resolve()}"
            print("\n".join(table("large", url, browser, asked.rounds)))
        browser.close()


if __name__ == "__main__":
    main()
