"""Nothing that somebody wrote runs in a browser: texts that would are stored wherever a form takes one, and shown."""

import pytest
from playwright.sync_api import Page

from spoolkeep.domain.words import PlaceKind
from spoolkeep.services import catalogue, orders
from spoolkeep.services.catalogue import SupplierEntry
from spoolkeep.services.jobs import FeedGrams
from spoolkeep.services.orders import Wanted
from tests.hostile_forms import MARK, TEXTS
from tests.workshop import TestWorkshop, by

pytestmark = pytest.mark.browser
PATHS = (
    *("/", "/bench", "/tonight", "/stock", "/stock/1", "/jobs", "/deliveries", "/orders", "/orders/1"),
    *("/orders/suppliers/1", "/setup", "/setup/acts", "/setup/offers", "/money/buys", f"/search?q={MARK}"),
    f"/search?q=<script>{MARK}()</script>",
)
LISTEN = f"""
window.{MARK} = () => {{ document.title = 'it ran'; window.ran = true; }};
document.addEventListener('securitypolicyviolation', (told) => {{
  window.refused = (window.refused || []).concat(told.violatedDirective);
}});
"""


def test_a_script_that_somebody_wrote_runs_on_no_page(
    page: Page, address: str, shop: TestWorkshop, complaints: list[str]
) -> None:
    """Source: OWASP ASVS 5.0.0, V1.2.1, V3.2.2, V3.4.3."""
    for at, text in enumerate(TEXTS[:6]):
        name = f"{text[:70]} {at}"
        offer = shop.offered(SupplierEntry(name), 1900)
        with shop.store.write() as session:
            catalogue.add_place(session=session, now=shop.now, by=by(), name=name, kind=PlaceKind.SHELF)
            orders.draft(session=session, now=shop.now, by=by(), wanted=[Wanted(offer, 2)])
        shop.plan(name, FeedGrams(50_000, article_id=shop.articles[0]))
        shop.item("PLA", name, "#1f6feb")
    page.on("dialog", lambda dialog: complaints.append(f"a dialog: {dialog.message}"))
    page.add_init_script(LISTEN)
    shown = 0
    for path in PATHS:
        page.goto(f"{address}{path}")
        page.wait_for_load_state("load")
        shown += page.content().count(MARK)
        assert page.evaluate("[window.ran ?? false, window.refused ?? []]") == [False, []], path
    assert shown > 50
    assert complaints == []
