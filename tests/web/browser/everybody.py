"""What a page owes to everybody: nothing that axe finds, nothing wider than the screen, every control reached by Tab.

The browser tests ask it of every page that they open.
"""

from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Page

UNFOLD = "document.querySelectorAll('main details').forEach((fold) => { fold.open = true; })"
WIDER = "document.documentElement.scrollWidth > document.documentElement.clientWidth"
CONTROLS = """() => {
  const inputs = "input:not([type=hidden], [tabindex='-1'])";
  const wanted = `a[href], button:not([disabled]), ${inputs}, select, textarea, summary`;
  const seen = Array.from(document.querySelectorAll(wanted)).filter((one) => one.checkVisibility() && !one.hidden);
  seen.forEach((one, number) => { one.dataset.walk = number; });
  return seen.length;
}"""
FOCUSED = """() => {
  const one = document.activeElement;
  const style = getComputedStyle(one);
  const box = one.getBoundingClientRect();
  return {
    walk: one.dataset.walk ?? null,
    outlined: style.outlineStyle !== "none" && parseFloat(style.outlineWidth) >= 2,
    seen: box.width > 0 && box.height > 0 && box.right > 0 && box.bottom > 0,
    words: `${one.tagName} ${one.textContent.trim().slice(0, 30)}`,
  };
}"""
MISSED = (
    "(reached) => Array.from(document.querySelectorAll('[data-walk]'))"
    ".filter((one) => !reached.includes(Number(one.dataset.walk))).map((one) => one.outerHTML.slice(0, 120))"
)


def faults(page: Page, name: str) -> list[str]:
    """Give what is wrong with the page that is open, its folds unfolded, each fault with the page's name."""
    page.evaluate(UNFOLD)
    violations = Axe().run(page).response["violations"]
    found = [f"{name}: {one['id']} {[node['target'] for node in one['nodes']]}" for one in violations]
    return [*found, f"{name}: wider than the screen"] if page.evaluate(WIDER) else found


def out_of_reach(page: Page, name: str) -> list[str]:
    """Give the controls of the page that is open to which Tab does not lead, or leads unseen, with the page's name."""
    page.evaluate(UNFOLD)
    page.evaluate("document.activeElement.blur()")
    count = page.evaluate(CONTROLS)
    reached, unseen = set(), []
    # a date and time is several stops of its own
    for _ in range(3 * count + 60):
        page.keyboard.press("Tab")
        at = page.evaluate(FOCUSED)
        if at["walk"] is not None:
            reached.add(int(at["walk"]))
            unseen += [] if at["outlined"] and at["seen"] else [f"{name}: not seen with the focus: {at['words']}"]
        if len(reached) == count:
            break
    missed = page.evaluate(MISSED, sorted(reached))
    return [f"{name}: not reached: {one}" for one in missed] + unseen
