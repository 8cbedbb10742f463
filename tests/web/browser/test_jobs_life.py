"""The whole life of a job in a browser: its file is dropped, a spool runs out in its middle, it fails at a layer."""

import math
from collections.abc import Callable
from pathlib import Path

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Page, expect

from spoolkeep.domain.cards import Card
from spoolkeep.services import spools, stock
from tests.workshop import TestWorkshop, by

pytestmark = pytest.mark.browser
Scan = Callable[[str], None]
LAYERS = 50
PROGRAM = "; estimated printing time = 3h 20m\nM83\n" + "".join(
    f";LAYER_CHANGE\nG1 Z{number / 5} F600\nG1 X1 Y1 E500\nG1 X9 Y9 E500\n" for number in range(1, LAYERS + 1)
)
"""1,000 mm on each of fifty layers: 50 m, which weigh 149 g."""
METRE_MG = math.pi / 4 * 1.75**2 * 1240
"""Of a plastic of 1.24 g/cm3, 1.75 mm thick. Source: geometry."""


@pytest.fixture
def program(tmp_path: Path) -> Path:
    """Give the motion file."""
    path = tmp_path / "lamp.gcode"
    path.write_text(PROGRAM)
    return path


def left(shop: TestWorkshop, *codes: str) -> list[int]:
    """Give what is left on spools, in whole grams."""
    with shop.store.read() as session:
        return [round(spools.view(session=session, spool_code=code).left_mg / 1000) for code in codes]


def drop(page: Page, address: str, program: Path) -> None:
    """Plan the file on the only machine."""
    page.goto(f"{address}/jobs")
    page.get_by_label("Motion file", exact=True).set_input_files(program)
    page.get_by_role("button", name="Meter the file").click()
    expect(page.locator(".message-words").first).to_contain_text("lamp.gcode is planned as one job: 149")


def test_a_file_is_planned_started_and_shared_by_two_spools_when_one_runs_out(
    page: Page, address: str, shop: TestWorkshop, scan: Scan, program: Path
) -> None:
    first, second = shop.deliver(2)
    shop.do(lambda s: spools.count(session=s, now=shop.now, by=by(), spool_code=first, left_mg=60_000))
    page.goto(f"{address}/bench")
    for code in (first, shop.feeds[0]):
        scan(code)
    expect(page.locator(".message-words").first).to_contain_text("Larch")
    drop(page, address, program)
    with shop.store.read() as session:
        assert sum(row.committed_mg for row in stock.rows(session=session, now=shop.now)) == round(50 * METRE_MG)
    page.get_by_role("button", name="Start lamp").click()
    expect(page.locator(".message-words", has_text="It runs")).to_be_visible()
    expect(page.locator(".message-words", has_text="it will not last")).to_be_visible()
    page.goto(f"{address}/bench")
    scan(Card.RAN_OUT.code.text)
    scan(shop.feeds[0])
    expect(page.locator(".message-words").first).to_contain_text("ran out")
    for code in (second, shop.feeds[0]):
        scan(code)
    expect(page.locator(".message-words").first).to_contain_text("Larch")
    page.goto(f"{address}/jobs")
    page.get_by_role("link", name="End lamp").click()
    page.get_by_role("button", name="Book what").click()
    expect(page.locator(".message-words").first).to_contain_text("149")
    assert left(shop, first, second) == [0, 1000 - 149 + 60]


def test_a_job_that_failed_at_a_layer_is_charged_by_its_file_and_done_again(
    page: Page, address: str, shop: TestWorkshop, scan: Scan, program: Path
) -> None:
    (code,) = shop.deliver()
    page.goto(f"{address}/bench")
    for text in (code, shop.feeds[0]):
        scan(text)
    drop(page, address, program)
    page.get_by_role("link", name="End lamp").click()
    expect(page.get_by_text("lamp.gcode, 50 layers")).to_be_visible()
    expect(page.get_by_text("3 h 20 min by the file")).to_be_visible()
    page.get_by_label("Where", exact=True).select_option("at layer")
    page.get_by_label("Layer, line or per cent").fill("60")
    page.get_by_role("button", name="Charge what it drew by then").click()
    expect(page.locator(".message.refused")).to_contain_text("layers 1 to 50")
    expect(page.get_by_label("Layer, line or per cent")).to_have_value("60")
    page.get_by_label("Layer, line or per cent").fill("11")
    page.get_by_role("button", name="Charge what it drew by then").click()
    expect(page.locator(".message-words").first).to_contain_text("31")
    assert left(shop, code) == [round(1000 - 10.5 * METRE_MG / 1000)]
    page.goto(f"{address}/bench")
    scan(Card.SAME_AGAIN.code.text)
    scan(shop.feeds[0])
    expect(page.locator(".message-words").first).to_contain_text("once more")
    page.goto(f"{address}/jobs/failures")
    expect(page.get_by_role("row", name="Larch 1 1")).to_be_visible()


def test_a_job_that_was_stopped_goes_on_and_is_charged_by_the_whole_file(
    page: Page, address: str, shop: TestWorkshop, scan: Scan, program: Path
) -> None:
    (code,) = shop.deliver()
    page.goto(f"{address}/bench")
    for text in (code, shop.feeds[0]):
        scan(text)
    drop(page, address, program)
    page.get_by_role("button", name="Start lamp").click()
    end_at_layer(page, "stopped", "11")
    page.get_by_role("button", name="It goes on: lamp").click()
    expect(page.locator(".message-words").first).to_contain_text("It goes on")
    end_at_layer(page, "failed", "21")
    assert left(shop, code) == [round(1000 - 20.5 * METRE_MG / 1000)]
    page.get_by_role("button", name="Print again: lamp").first.click()
    expect(page.get_by_role("row", name="lamp Larch planned 149")).to_be_visible()


def end_at_layer(page: Page, how: str, layer: str) -> None:
    """End the only job to come early."""
    page.get_by_role("link", name="End lamp").click()
    page.locator("[name=early_outcome]").select_option(how)
    page.get_by_label("Where", exact=True).select_option("at layer")
    page.get_by_label("Layer, line or per cent").fill(layer)
    page.get_by_role("button", name="Charge what it drew by then").click()
    expect(page.locator(".message-words").first).to_contain_text("Booked")


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", [1400, 390])
def test_the_pages_of_a_job_can_be_read_by_everybody(
    page: Page, address: str, shop: TestWorkshop, scan: Scan, program: Path, scheme: str, width: int
) -> None:
    (code,) = shop.deliver()
    page.emulate_media(color_scheme="dark" if scheme == "dark" else "light")
    page.set_viewport_size({"width": width, "height": 900})
    page.goto(f"{address}/bench")
    for text in (code, shop.feeds[0]):
        scan(text)
    drop(page, address, program)
    for path in ("/jobs", "/jobs/1/end", "/jobs/failures"):
        page.goto(address + path)
        found = Axe().run(page)
        assert found.violations_count == 0, found.generate_report()
