"""The Bench while the server or the network is away, stations beside each other, and what a scan sounds like."""

import io
import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from PIL import Image
from playwright.sync_api import Browser, BrowserContext, Page, expect
from sqlalchemy import select
from sqlmodel import col

from spoolkeep.domain.codes import CodeKind
from spoolkeep.paper.barcode import modules_of
from spoolkeep.services import finding
from spoolkeep.services.instance import Instance
from spoolkeep.services.jobs import FeedGrams
from spoolkeep.services.shop import code_text
from spoolkeep.store.tables import Act, Loading, Spool
from tests.web.browser.served import sign_in, sign_in_station
from tests.workshop import TestWorkshop

pytestmark = pytest.mark.browser
Scan = Callable[[str], None]
SCANS = 100
ROUNDS = 5
A_MINUTE_LATER = """
const name = document.querySelector('form[data-scan]').dataset.keptAs;
for (const key of Object.keys(localStorage).filter((one) => one.startsWith(`${name} `))) {
  const item = JSON.parse(localStorage.getItem(key));
  localStorage.setItem(key, JSON.stringify({ ...item, at: item.at - 40000 }));
}
"""
TONES = """
window.tones = [];
const Real = window.AudioContext;
window.AudioContext = class extends Real {
  createOscillator() {
    const made = super.createOscillator();
    const start = made.start.bind(made);
    made.start = (at) => { window.tones.push(Math.round(made.frequency.value)); start(at); };
    return made;
  }
};
"""


def ready(page: Page) -> None:
    expect(page.locator("form[data-scan]")).to_have_attribute("data-state", "ready", timeout=30_000)


def cut(page: Page, address: str) -> None:
    """Let nothing get through to the workshop."""
    page.route(f"{address}/**", lambda route: route.abort())


def test_what_is_scanned_while_the_network_is_away_is_shown_and_booked_once_in_order(
    page: Page, address: str, shop: TestWorkshop, scan: Scan
) -> None:
    first, second = shop.deliver(2)
    page.goto(f"{address}/bench")
    ready(page)
    cut(page, address)
    for code in (first, shop.feeds[0], second, shop.feeds[1]):
        scan(code)
    expect(page.locator("[data-scan-state]")).to_contain_text("Spoolkeep does not answer. Scan on")
    expect(page.locator("[data-outbox] h2")).to_have_text("4 scans wait here, each sent once, in this order")
    listed = page.locator("[data-outbox] li")
    expect(listed).to_have_count(4)
    expect(listed.nth(0)).to_contain_text(first)
    page.unroute(f"{address}/**")
    expect(page.locator(".feed").nth(1)).to_contain_text(second[:4], timeout=20_000)  # by itself, without a key
    expect(page.locator(".feed").nth(0)).to_contain_text(first[:4])
    expect(page.locator("[data-outbox]")).to_be_hidden()
    with shop.store.read() as session:
        kinds = list(session.scalars(select(col(Act.kind)).where(col(Act.kind) == "scan")))
    assert len(kinds) == 4


def test_a_reload_during_an_outage_keeps_what_waits(page: Page, address: str, shop: TestWorkshop, scan: Scan) -> None:
    (spool,) = shop.deliver()
    page.goto(f"{address}/bench")
    ready(page)
    page.route(f"{address}/bench", lambda route: route.abort() if route.request.method == "POST" else route.continue_())
    for code in (spool, shop.feeds[0]):
        scan(code)
    expect(page.locator("[data-outbox] li")).to_have_count(2)
    page.reload()
    expect(page.locator("[data-outbox] li")).to_have_count(2)
    page.unroute(f"{address}/bench")
    expect(page.locator(".feed").nth(0)).to_contain_text("PLA Slate black", timeout=20_000)


def test_what_a_device_kept_as_one_list_before_is_sent_too(page: Page, address: str, shop: TestWorkshop) -> None:
    (spool,) = shop.deliver()
    page.goto(f"{address}/bench")
    ready(page)
    page.evaluate(
        """(codes) => {
          const name = document.querySelector("form[data-scan]").dataset.keptAs;
          const items = codes.map((code, at) => ({ code, key: `kept ${at}`, at: Date.now() - 5000 + at }));
          localStorage.setItem(name, JSON.stringify(items));
        }""",
        [spool, shop.feeds[0]],
    )
    page.reload()
    expect(page.locator(".feed").nth(0)).to_contain_text("PLA Slate black", timeout=20_000)


def test_two_tabs_of_one_device_send_what_waits_once_and_in_the_order_scanned(
    page: Page, address: str, shop: TestWorkshop
) -> None:
    first, second, third = shop.deliver(3)
    other = page.context.new_page()
    way = f"{address}/bench"
    page.context.route(way, lambda route: route.abort() if route.request.method == "POST" else route.continue_())
    for tab in (page, other):
        tab.goto(way)
        ready(tab)
    codes = (first, shop.feeds[0], second, shop.feeds[1], third, shop.feeds[0])
    for at, code in enumerate(codes):
        tab = (page, other)[at % 3 == 1]  # the half of a pair may be scanned in the other tab
        tab.bring_to_front()
        tab.keyboard.type(code, delay=8)
        tab.keyboard.press("Enter")
    for tab in (page, other):
        tab.reload()
        listed = tab.locator("[data-outbox] li")
        expect(listed).to_have_count(len(codes))
        assert [str(one).split(" scanned")[0] for one in listed.all_text_contents()] == list(codes)
    page.context.unroute(way)
    for tab in (page, other):
        expect(tab.locator("[data-outbox]")).to_be_hidden(timeout=30_000)
        ready(tab)
        expect(tab.locator(".feed").nth(0)).to_contain_text(third[:4], timeout=20_000)
    with shop.store.read() as session:
        acts = session.scalars(select(col(Act.about)).where(col(Act.kind) == "scan").order_by(col(Act.id))).all()
        query = select(col(Spool.serial)).join(Loading, col(Loading.spool_id) == col(Spool.id))
        loaded = [code_text(CodeKind.SPOOL, serial) for serial in session.scalars(query.order_by(col(Loading.id)))]
    assert (len(acts), loaded) == (len(codes), [first, second, third])


def test_what_a_closed_tab_left_waiting_is_sent_by_the_other_one(page: Page, address: str, shop: TestWorkshop) -> None:
    (spool,) = shop.deliver()
    other = page.context.new_page()
    page.goto(f"{address}/bench")
    ready(page)
    other.goto(f"{address}/bench")
    ready(other)
    cut(other, address)
    for code in (spool, shop.feeds[0]):
        other.keyboard.type(code, delay=8)
        other.keyboard.press("Enter")
    expect(other.locator("[data-outbox] li")).to_have_count(2)
    other.close()
    expect(page.locator(".feed").nth(0)).to_contain_text(spool[:4], timeout=40_000)


def test_what_is_refused_while_nobody_looks_is_kept_for_a_person(
    page: Page, address: str, shop: TestWorkshop, scan: Scan
) -> None:
    (spool,) = shop.deliver()
    wrong = code_text(CodeKind.SPOOL, 4711)
    page.goto(f"{address}/bench")
    ready(page)
    cut(page, address)
    for code in (wrong, spool, shop.feeds[0]):
        scan(code)
    expect(page.locator("[data-outbox] li")).to_have_count(3)
    page.evaluate(A_MINUTE_LATER)
    page.unroute(f"{address}/**")
    page.reload()
    returned = page.locator("[data-returned] li")
    expect(returned).to_have_count(1)
    expect(returned).to_contain_text(f"{wrong}: No spool has the code {wrong}.")
    expect(page.locator(".feed").nth(0)).to_contain_text("PLA Slate black")
    page.reload()
    expect(returned).to_have_count(1)
    page.get_by_role("button", name="Seen to").click()
    expect(page.locator("[data-returned]")).to_be_hidden()
    page.reload()
    expect(page.locator("[data-returned]")).to_be_hidden()


# a server that is killed


@pytest.fixture
def real(tmp_path: Path) -> Iterator[tuple[TestWorkshop, Callable[[], subprocess.Popen[bytes]], str]]:
    """Give a workshop on disk, what starts a server for it, and its address; whatever runs in the end is stopped."""
    now = datetime.now(UTC) - timedelta(minutes=1)
    instance = Instance(tmp_path / "workshop")
    instance.folder.mkdir()
    store = instance.open_or_make(now=now - timedelta(days=1))
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    running: list[subprocess.Popen[bytes]] = []

    def start() -> subprocess.Popen[bytes]:
        words = [
            str(Path(sys.executable).parent / "spoolkeep"),
            "serve",
            "--instance",
            str(instance.folder),
            "--port",
            str(port),
        ]
        running.append(subprocess.Popen(words, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL))
        return running[-1]

    shop = TestWorkshop(store, now)
    yield shop, start, f"http://localhost:{port}"
    for one in running:
        one.kill()
        one.wait()
    store.close()


def wait_for(address: str) -> None:
    host, port = address.removeprefix("http://").split(":")
    for _ in range(300):
        with socket.socket() as tried:
            tried.settimeout(0.2)
            if tried.connect_ex((host, int(port))) == 0:
                return
        time.sleep(0.1)
    pytest.fail("The server did not start.")


def test_a_hundred_scans_through_kills_and_restarts_are_each_booked_once_in_order(
    browser: Browser, real: tuple[TestWorkshop, Callable[[], subprocess.Popen[bytes]], str]
) -> None:
    shop, start, address = real
    spools = shop.deliver(SCANS // 2)
    server = start()
    wait_for(address)
    context = browser.new_context()
    sign_in(context, shop, address)
    page = context.new_page()
    page.goto(f"{address}/bench")
    ready(page)
    codes = [code for spool in spools for code in (spool, shop.feeds[0])]
    for at, code in enumerate(codes):
        if at % (SCANS // ROUNDS) == 7:
            os.kill(server.pid, signal.SIGKILL)
            server.wait()
        if at % (SCANS // ROUNDS) == 16:
            server = start()
        page.keyboard.type(code, delay=8)
        page.keyboard.press("Enter")
    wait_for(address)
    expect(page.locator("[data-outbox]")).to_be_hidden(timeout=90_000)
    ready(page)
    with shop.store.read() as session:
        scans = session.scalars(select(Act).where(col(Act.kind) == "scan").order_by(col(Act.id))).all()
        loaded = session.execute(
            select(col(Spool.serial)).join(Loading, col(Loading.spool_id) == col(Spool.id)).order_by(col(Loading.id))
        ).all()
    assert len(scans) == SCANS
    assert [code_text(CodeKind.SPOOL, serial) for (serial,) in loaded] == list(spools)
    context.close()


# stations beside each other


@pytest.fixture
def other(browser: Browser, shop: TestWorkshop, address: str) -> Iterator[Page]:
    """Give the page of a second station."""
    context: BrowserContext = browser.new_context()
    sign_in_station(context, shop, address, "Far bench")
    yield context.new_page()
    context.close()


def test_a_station_sees_what_another_loads_within_two_seconds_and_keeps_its_own_message(
    page: Page, other: Page, address: str, shop: TestWorkshop, scan: Scan
) -> None:
    first, second = shop.deliver(2)
    page.goto(f"{address}/bench")
    other.goto(f"{address}/bench")
    ready(page)
    ready(other)
    for code in (first, shop.feeds[0]):
        scan(code)
    expect(page.locator("#scan-live .message-words")).to_contain_text("is on Larch feed 1")
    expect(other.locator(".feed").nth(0)).to_contain_text(first[:4], timeout=2_500)
    for code in (second, shop.feeds[1]):
        other.keyboard.type(code, delay=8)
        other.keyboard.press("Enter")
    expect(page.locator(".feed").nth(1)).to_contain_text(second[:4], timeout=4_000)
    expect(page.locator("#scan-live .message-words")).to_contain_text("is on Larch feed 1")
    expect(page.locator("#scan-code")).to_be_focused()


def test_two_stations_that_scan_at_once_do_not_take_each_other_s_halves(
    page: Page, other: Page, address: str, shop: TestWorkshop, scan: Scan
) -> None:
    first, second = shop.deliver(2)
    for one in (page, other):
        one.goto(f"{address}/bench")
        ready(one)
    scan(first)
    other.keyboard.type(second, delay=8)
    other.keyboard.press("Enter")
    scan(shop.feeds[0])
    other.keyboard.type(shop.feeds[1], delay=8)
    other.keyboard.press("Enter")
    expect(page.locator("#scan-live .message-words")).to_contain_text("is on Larch feed 1")
    expect(other.locator("#scan-live .message-words")).to_contain_text("is on Larch feed 2")
    expect(page.locator(".feed").nth(1)).to_contain_text(second[:4], timeout=4_000)


# stop, and the sounds


def test_a_wrong_spool_says_stop_large_and_loud_until_a_person_keeps_it_on(
    page: Page, address: str, shop: TestWorkshop, scan: Scan
) -> None:
    petg = shop.item("PETG", "Slate black")
    shop.articles.append(petg)
    (wrong,) = shop.deliver(article=2)
    with shop.store.read() as session:
        feed = finding.feed_of(session, shop.feeds[0]).id
    shop.plan("Bracket", FeedGrams(100_000, feed, shop.articles[0]))
    page.add_init_script(TONES)
    page.goto(f"{address}/bench")
    ready(page)
    for code in (wrong, shop.feeds[0]):
        scan(code)
    message = page.locator("#scan-live .message.stop")
    expect(message.locator(".stamp")).to_have_text("Stop")
    expect(message).to_contain_text("It is PETG Slate black, and “Bracket” wants PLA Slate black.")
    expect(page.locator(".hold.stop")).to_contain_text("STOP")
    assert page.evaluate("window.tones").count(247) == 2
    page.get_by_text("Keep it on").first.click()
    page.get_by_role("button", name="Only a test").click()
    expect(page.locator("#scan-live .message-words")).to_have_text("It stays on Larch feed 1: Only a test.")
    expect(page.locator(".hold.stop")).to_have_count(0)
    expect(page.locator("#scan-code")).to_be_focused()


def test_heard_refused_attention_and_stop_each_have_a_sound_of_their_own(
    page: Page, address: str, shop: TestWorkshop, scan: Scan
) -> None:
    (spool,) = shop.deliver()
    page.add_init_script(TONES)
    page.goto(f"{address}/bench")
    ready(page)
    heard: dict[str, list[int]] = {}
    for kind, code in (("heard", spool), ("refused", "X"), ("heard", shop.feeds[0])):
        page.evaluate("window.tones.length = 0")
        scan(code)
        ready(page)
        page.wait_for_function("window.tones.length > 0 || !document.querySelector('#scan-live .message')")
        heard.setdefault(kind, page.evaluate("[...window.tones]"))
    assert heard["heard"] == [880, 1320]
    assert heard["refused"] == [196, 147]
    page.evaluate("window.tones.length = 0")
    route_stop(page)
    assert set(page.evaluate("[...window.tones]")).isdisjoint({*heard["heard"], *heard["refused"]})


def route_stop(page: Page) -> None:
    """Play the other two through the page's own module."""
    page.evaluate("import('/static/js/sound.js').then((one) => { one.sound('attention'); one.sound('stop'); })")


def test_a_scan_that_is_garbled_is_refused_and_the_next_one_is_heard(
    page: Page, address: str, shop: TestWorkshop, scan: Scan
) -> None:
    (spool,) = shop.deliver()
    page.goto(f"{address}/bench")
    ready(page)
    scan(f"{spool[:4]}{spool}")
    expect(page.locator("#scan-live .message.refused")).to_be_visible()
    for code in (spool, spool, shop.feeds[0], shop.feeds[0]):  # a trigger that is held scans twice
        scan(code)
    expect(page.locator(".feed").nth(0)).to_contain_text("PLA Slate black")
    with shop.store.read() as session:
        assert len(session.scalars(select(Loading)).all()) == 1


def test_a_photo_of_a_spool_s_label_and_a_feed_s_loads_it_without_a_scanner(
    page: Page, address: str, shop: TestWorkshop, tmp_path: Path
) -> None:
    (spool,) = shop.deliver()
    photo = tmp_path / "labels.jpg"
    photo.write_bytes(pictured(spool, shop.feeds[0]))
    page.goto(f"{address}/bench")
    ready(page)
    page.set_input_files("#scan-photo", photo)
    expect(page.locator("#scan-live .message-words")).to_have_text(
        "PLA Slate black is on Larch feed 1.", timeout=20_000
    )
    expect(page.locator(".feed").nth(0)).to_contain_text("PLA Slate black")
    blank = tmp_path / "blank.png"
    blank.write_bytes(pictured())
    page.set_input_files("#scan-photo", blank)
    expect(page.locator("#scan-live .message.refused")).to_contain_text("No label can be read on it", timeout=20_000)


def pictured(*codes: str) -> bytes:
    """Give a JPEG of 2 megapixels with the bars of codes below each other."""
    canvas = Image.new("L", (1600, 1200), 200)
    for at, code in enumerate(codes):
        modules = modules_of(code)
        left, top = 300, 200 + 450 * at
        canvas.paste(235, (left - 60, top - 40, left + 6 * len(modules) + 60, top + 240))
        for place, bar in enumerate(modules):
            if bar == "1":
                canvas.paste(25, (left + 6 * place, top, left + 6 * place + 6, top + 200))
    out = io.BytesIO()
    canvas.save(out, "JPEG", quality=85)
    return out.getvalue()
