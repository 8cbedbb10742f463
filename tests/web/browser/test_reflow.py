"""Every page enlarged to 200 and 400 per cent of 1280 x 1024, and with text twice as large: nothing is lost.

Source: WCAG 2.2, success criteria 1.4.4 (text resized to 200 per cent) and 1.4.10 (no scrolling in two directions at
320 CSS pixels, but for parts such as data tables that need both). An enlargement is emulated as browsers do it: as
many fewer CSS pixels on each side, each drawn so many times as large.
"""

from collections.abc import Callable

import pytest
from playwright.sync_api import Browser, Page

from tests.web.browser.conftest import FLAGS
from tests.web.browser.everybody import UNFOLD
from tests.web.browser.served import Served, sign_in
from tests.web.browser.test_pages import paths as paths  # noqa: PLC0414 - every page, much having happened
from tests.workshop import TestWorkshop

pytestmark = pytest.mark.browser
WIDE, HIGH = 1280, 1024
LOST = """() => {
  const words = (one) => `${one.tagName}.${one.className} “${one.textContent.trim().slice(0, 40)}”`;
  const root = document.documentElement;
  const found = [];
  if (root.scrollWidth > root.clientWidth) found.push(`sideways: ${root.scrollWidth} of ${root.clientWidth}`);
  const shown = (one) => one.checkVisibility({ opacityProperty: true, visibilityProperty: true });
  const own = (one) => Array.from(one.childNodes).some((node) => node.nodeType === 3 && node.textContent.trim());
  const hidden = (one) => one.closest(".unseen, .skip, thead, svg, option, dialog, iframe, .on-paper");
  const every = Array.from(document.querySelectorAll("body *"));
  const texts = every.filter((one) => own(one) && !hidden(one) && shown(one));
  for (const one of texts) {
    // a part that scrolls by itself shows all of it; one that cuts off does not
    for (let at = one; at && at !== document.body; at = at.parentElement) {
      const style = getComputedStyle(at);
      if (["auto", "scroll"].includes(style.overflowX)) break;
      const cuts = style.overflowX !== "visible" && at.scrollWidth > at.clientWidth + 1 && at.tagName !== "SELECT";
      if (cuts) found.push(`cut off: ${words(at)}`);
    }
    const box = one.getBoundingClientRect();
    const scrolls = one.closest(".wide, .labels-open, textarea");
    const isBeside = box.width && (box.left < -1 || box.right > root.clientWidth + 1);
    if (isBeside && !scrolls) found.push(`beside the screen: ${words(one)}`);
  }
  const lines = texts.flatMap((one) => {
    // what a part that scrolls does not show just now lies under nothing
    const edge = one.closest(".wide")?.getBoundingClientRect() ?? { left: -Infinity, right: Infinity };
    const nodes = Array.from(one.childNodes).filter((node) => node.nodeType === 3 && node.textContent.trim());
    const range = document.createRange();
    return nodes.flatMap((node) => {
      range.selectNodeContents(node);
      return Array.from(range.getClientRects(), ({ top, bottom, left, right, height }) => ({
        one, top, bottom, height, left: Math.max(left, edge.left), right: Math.min(right, edge.right),
      }));
    });
  });
  lines.sort((a, b) => a.top - b.top);
  lines.forEach((a, at) => {
    for (const b of lines.slice(at + 1)) {
      if (b.top > a.bottom) break;
      if (a.one === b.one) continue;
      const wide = Math.min(a.right, b.right) - Math.max(a.left, b.left);
      const high = Math.min(a.bottom, b.bottom) - Math.max(a.top, b.top);
      // lines of text stand closer than their boxes are high
      if (wide > 2 && high > 0.35 * Math.min(a.height, b.height)) {
        found.push(`overlap: ${words(a.one)} and ${words(b.one)}`);
      }
    }
  });
  return Array.from(new Set(found)).slice(0, 12);
}"""
TWICE = "--blink-settings=minimumFontSize=32"
"""Text of 16 CSS pixels and less is drawn as of 32, and no box, gap or breakpoint grows with it."""


@pytest.mark.parametrize("by", [2, 4])
def test_no_page_loses_anything_when_it_is_enlarged(
    browser: Browser, shop: TestWorkshop, served: Served, paths: list[str], by: int
) -> None:
    context = browser.new_context(viewport={"width": WIDE // by, "height": HIGH // by}, device_scale_factor=by)
    sign_in(context, shop, served.address)
    assert lost(context.new_page(), served.address, paths) == []
    context.close()


def test_no_page_loses_anything_when_its_text_is_twice_as_large(
    launch_browser: Callable[..., Browser], shop: TestWorkshop, served: Served, paths: list[str]
) -> None:
    browser = launch_browser(args=[*FLAGS, TWICE])
    context = browser.new_context(viewport={"width": WIDE, "height": HIGH})
    sign_in(context, shop, served.address)
    page = context.new_page()
    page.goto(served.address)
    drawn = "(line) => line.getBoundingClientRect().height"
    assert page.locator(".foot p").evaluate(drawn) > 32, "the text is not larger: the setting has another name"
    assert lost(page, served.address, paths) == []
    browser.close()


def lost(page: Page, address: str, paths: list[str]) -> list[str]:
    """Give what of the pages is cut off, beside the screen or under another text, their folds unfolded."""
    found = []
    for path in paths:
        page.goto(address + path)
        page.evaluate(UNFOLD)
        found += [f"{path}: {fault}" for fault in page.evaluate(LOST)]
    return found
