"""A person at the keyboard: Tab, Enter, Space, arrows and letters, and after each key what has the focus is seen.

The tests of journeys without a mouse use it. Nothing is clicked, and the focus is where keys and the pages put it.
Seen is meant as in WCAG 2.2: an outline that is not there without the focus (2.4.7), and not hidden (2.4.11).
"""

import re
from dataclasses import dataclass, field

import pytest
from playwright.sync_api import Locator, Page, expect

LOOK = """() => {
  const focused = document.activeElement;
  if (!focused || focused === document.body || focused.matches("main, iframe")) return null;
  // what stands for a control that is itself one pixel wide
  const seen = (one) => (one.getBoundingClientRect().width > 2 ? one : one.labels?.[0] ?? one);
  const drawn = (one) => {
    const { outlineStyle, outlineWidth, outlineColor, boxShadow, backgroundColor } = getComputedStyle(seen(one));
    return [outlineStyle, outlineWidth, outlineColor, boxShadow, backgroundColor].join(" ");
  };
  const was = window.lastFocused;
  const left = was && was.one !== focused && was.one.isConnected && drawn(was.one) === was.drawn ? was.words : "";
  const words = `${focused.tagName} “${(focused.ariaLabel ?? focused.textContent).trim().slice(0, 40)}” ${focused.id}`;
  window.lastFocused = { one: focused, drawn: drawn(focused), words };
  const style = getComputedStyle(seen(focused));
  const inside = (x, y) => x >= 0 && y >= 0 && x < innerWidth && y < innerHeight;
  const shares = [[0.5, 0.5], [0.1, 0.2], [0.9, 0.2], [0.1, 0.8], [0.9, 0.8]];
  const points = Array.from(seen(focused).getClientRects()).flatMap(({ left, top, width, height }) =>
    shares.map(([x, y]) => [left + x * width, top + y * height]));
  const hits = points.filter(([x, y]) => inside(x, y)).map(([x, y]) => document.elementFromPoint(x, y));
  const isOwn = (hit) => hit && (seen(focused).contains(hit) || focused.contains(hit) || hit.contains(focused));
  const faults = [];
  if (style.outlineStyle === "none" || parseFloat(style.outlineWidth) < 2) faults.push(`no outline: ${words}`);
  if (left) faults.push(`as without the focus: ${left}`);
  if (!hits.some(isOwn)) faults.push(`hidden: ${words}`);
  return faults;
}"""
AT = "(wanted) => wanted === document.activeElement"


@dataclass
class Keys:
    """The keyboard of one page, how many keys were pressed, and what had the focus and could not be seen."""

    page: Page
    pressed: int = 0
    faults: list[str] = field(default_factory=list)

    def press(self, *keys: str) -> None:
        """Press keys one after the other."""
        for key in keys:
            self.page.keyboard.press(key)
            self.pressed += 1

    def write(self, text: str) -> None:
        """Type into what has the focus."""
        self.page.keyboard.type(text)
        self.pressed += len(text)

    def to(self, wanted: Locator, *, within: int = 25, back: bool = False) -> None:
        """Go by Tab, or back by Shift+Tab, to a control; it must come within so many stops."""
        expect(wanted).to_be_attached()
        passed = []
        for _ in range(within):
            self.press("Shift+Tab" if back else "Tab")
            self._look()
            if wanted.evaluate(AT):
                return
            passed.append(self.page.evaluate("document.activeElement.outerHTML.slice(0, 90)"))
        pytest.fail(f"{self.page.url}: not reached within {within} stops: {wanted}; passed were\n" + "\n".join(passed))

    def enter(self, wanted: Locator, *, within: int = 25, back: bool = False) -> None:
        """Go to a control and press Enter on it."""
        self.to(wanted, within=within, back=back)
        self.press("Enter")

    def open(self, name: str) -> None:
        """Open a page by its tab, from anywhere; its head is jumped over by the first link of the page."""
        self.enter(self.page.get_by_role("navigation", name="Pages").get_by_role("link", name=name, exact=True))
        expect(self.page.locator("h1", has_text=name)).to_be_attached()
        self.page.wait_for_load_state()

    def find(self, spool: str) -> None:
        """Open a spool's page by the search, from anywhere."""
        self.press("/")
        self.write(spool)
        expect(self.page.locator(".finder .hit")).to_have_count(1)
        self.press("Enter")
        self.page.wait_for_url(f"**/spools/{spool}")
        self.page.wait_for_load_state()

    def skip(self) -> None:
        """Jump over the head of a page that has just opened, by its first link."""
        self.enter(self.page.get_by_role("link", name="Skip to the page"), within=1)

    def part(self, name: str) -> None:
        """Jump to a part of a long page that has just opened, by the links under its head."""
        self.skip()
        links = self.page.get_by_role("navigation", name="On this page")
        self.enter(links.get_by_role("link", name=name, exact=True), within=12)

    def choose(self, words: str) -> None:
        """Choose in the list that has the focus, by arrows."""
        chosen = "document.activeElement.selectedOptions[0].textContent.trim()"
        many = self.page.evaluate("document.activeElement.options.length")
        self.press("Home")
        for _ in range(many):
            if re.match(words, self.page.evaluate(chosen)):
                return
            self.press("ArrowDown")
        pytest.fail(f"No choice begins with {words}.")

    def _look(self) -> None:
        self.faults += [f"{self.page.url}: {fault}" for fault in self.page.evaluate(LOOK) or []]
