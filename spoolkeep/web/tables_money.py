"""Which columns the tables of money have: months, takings, products, the books, buys, and what stands behind a share.

The pages of Money offer them.
"""

from collections.abc import Iterable, Iterator, Sequence
from fractions import Fraction
from typing import NamedTuple

from spoolkeep.domain.share import MonthShare
from spoolkeep.domain.whymoved import Effect
from spoolkeep.services.books import MonthBooks
from spoolkeep.services.buys import Buy, BuysView, ItemBuys, Sold
from spoolkeep.services.byproduct import ProductCost
from spoolkeep.services.takings import Entered
from spoolkeep.services.whymoved import Behind, Bought, ItemMoved, Printed, Span
from spoolkeep.web.tables import Column, Records
from spoolkeep.web.tables_stock import PPM, about_item

_PPM_PER_BP = 100
_PPM_PER_TENTH = 10
"""A tenth of a basis point is ten millionths."""


def _ppm(share_bp: Fraction | None) -> int | None:
    return None if share_bp is None else round(share_bp * _PPM_PER_BP)


MONTHS: Records[MonthShare] = Records(
    "months",
    "Material share by month",
    "money.page",
    (
        Column("month", "the month", lambda row: f"{row.month:%Y-%m}"),
        Column("takings_minor", "what the shop sold for", lambda row: row.takings_minor),
        Column("drawn_minor", "what the plastic drawn cost", lambda row: row.drawn_minor),
        Column("bought_minor", "what the plastic bought cost", lambda row: row.bought_minor),
        Column("material_share_ppm", "drawn over takings, in millionths", lambda row: _ppm(row.material_bp)),
        Column("spend_share_ppm", "bought over takings, in millionths", lambda row: _ppm(row.spend_bp)),
    ),
)

TAKINGS: Records[Entered] = Records(
    "takings",
    "Takings as they were entered",
    "money.page",
    (
        Column("day", "the shop day", lambda row: row.shop_day),
        Column("channel", "where it was sold", lambda row: row.channel),
        Column("kind", "sale, refund or fee", lambda row: row.kind),
        Column("amount_minor", "how much; below 0 what went out", lambda row: row.amount_minor),
        Column("in_other_currency", "the amount as it was paid, and its rate", lambda row: row.foreign),
        Column("product", "the product that was sold", lambda row: row.product),
        Column("pieces", "how many of it", lambda row: row.pieces),
        Column("act", "the act's number", lambda row: row.act_id),
    ),
)

PRODUCTS: Records[ProductCost] = Records(
    "products",
    "What plastic costs by product",
    "money.products",
    (
        Column("product", "the product", lambda row: row.name),
        Column("pieces", "sold, less what came back", lambda row: row.pieces),
        Column("sold_mg", "in the pieces sold", lambda row: row.sold_mg),
        Column("takings_minor", "what they sold for", lambda row: row.takings_minor),
        Column("drawn_mg", "what its jobs drew, waste too", lambda row: row.drawn_mg),
        Column("drawn_minor", "what that cost", lambda row: row.drawn_minor),
        Column("material_share_ppm", "drawn over takings, in millionths", lambda row: _ppm(row.material_bp)),
    ),
)

BOOK_MONTHS: Records[MonthBooks] = Records(
    "book-months",
    "The books by month",
    "books.page",
    (
        Column("month", "the month", lambda row: f"{row.month:%Y-%m}"),
        Column("closed", "yes where it stays as it is", lambda row: row.is_closed),
        Column("opening_minor", "what stock was worth before", lambda row: row.flow.opening_minor),
        Column("brought_minor", "what was there when the books began", lambda row: row.flow.brought_minor),
        Column("bought_minor", "what was bought, with freight", lambda row: row.flow.bought_minor),
        Column("returned_minor", "what went back to suppliers", lambda row: row.flow.returned_minor),
        Column("used_minor", "what jobs drew", lambda row: row.flow.used_minor),
        Column("differed_minor", "what weighing and counting found missing", lambda row: row.flow.differed_minor),
        Column("written_off_minor", "scrap, and what was lost", lambda row: row.flow.written_off_minor),
        Column("closing_minor", "what stock was worth after", lambda row: row.flow.closing_minor),
        Column("closing_mg", "the plastic in stock after", lambda row: row.flow.closing_mg),
        Column("by_spool_minor", "closing stock, each spool at its own cost", lambda row: row.by_spool.closing_minor),
    ),
)


class ItemBuy(NamedTuple):
    """One offer of an item."""

    of: ItemBuys
    buy: Buy

    @property
    def cost(self) -> Sequence[int]:
        """Give price, freight, changing, cash with room, waste, hours and their sum, of a good kilogram."""
        return self.buy.cost.minor


def buys_of(view: BuysView) -> Iterator[ItemBuy]:
    """Give all offers as their page lists them: first those of items that have several."""
    for has_choice in (True, False):
        for one in view.items:
            if (len(one.buys) > 1) is has_choice:
                yield from (ItemBuy(one, buy) for buy in one.buys)


BUYS: Records[ItemBuy] = Records(
    "buys",
    "What a good kilogram costs",
    "buys.page",
    (
        Column("supplier", "who sells it", lambda row: row.buy.supplier),
        *about_item(lambda row: row.of.item),
        Column("spool_mg", "plastic on one spool", lambda row: row.buy.spool_mg),
        Column("spools", "how many are usually bought at once", lambda row: row.buy.spools),
        Column("price_minor", "of a kilogram", lambda row: row.cost[0]),
        Column("freight_minor", "of a kilogram", lambda row: row.cost[1]),
        Column("changing_minor", "changing it", lambda row: row.cost[2]),
        Column("cash_room_minor", "cash and room while it lies", lambda row: row.cost[3]),
        Column("wasted_minor", "what fails and is purged", lambda row: row.cost[4]),
        Column("hours_minor", "machine hours of jobs that failed", lambda row: row.cost[5]),
        Column("true_cost_minor", "all of it", lambda row: row.cost[6]),
        Column("low_minor", "not below this, with 90 %", lambda row: round(row.buy.cost.low)),
        Column("high_minor", "nor above this", lambda row: round(row.buy.cost.high)),
        Column("best", "yes where it is the item's best buy", lambda row: row.buy.beside is None),
    ),
)

SELLERS: Records[Sold] = Records(
    "sellers",
    "How often jobs of a supplier's plastic fail",
    "buys.page",
    (
        Column("material", "the material", lambda row: row.material),
        Column("supplier", "who sells it", lambda row: row.supplier),
        Column("jobs", "jobs that it had a part in", lambda row: row.chance.jobs),
        Column("failed", "of them, those that failed", lambda row: row.chance.failed),
        Column("reckoned_with_ppm", "the chance that is reckoned with", lambda row: round(row.chance.mean * PPM)),
        Column("low_ppm", "not below this, with 90 %", lambda row: round(row.chance.low * PPM)),
        Column("high_ppm", "nor above this", lambda row: round(row.chance.high * PPM)),
    ),
)


def _moved(name: str, says: str, effect: Effect) -> Column[ItemMoved]:
    return Column(f"{name}_ppm", says, lambda row: row.tenths[effect] * _PPM_PER_TENTH)


MOVED: Records[ItemMoved] = Records(
    "why-moved",
    "Why the material share moved, by item",
    "money.why",
    (
        *about_item(lambda row: row.item),
        _moved("price", "what it moved as a gram cost more or less, in millionths of takings", Effect.PRICE),
        _moved("waste", "as more or less was drawn for a good gram", Effect.WASTE),
        _moved("mix", "as it took the place of others, or they its", Effect.MIX),
        _moved("per_takings", "as more or less plastic went into what was sold", Effect.DENSITY),
        Column("all_ppm", "all of it", lambda row: row.all_tenths * _PPM_PER_TENTH),
    ),
)


class CameIn(NamedTuple):
    """A delivery of the item, and the days between which it came."""

    span: Span
    came: Bought


class Drew(NamedTuple):
    """A job that drew on the item, and the days between which it ended."""

    span: Span
    job: Printed


def came_in(spans: Iterable[Span], found: Iterable[Behind]) -> list[CameIn]:
    """Give the deliveries behind an item's figures, the later days first."""
    pairs = list(zip(spans, found, strict=True))
    return [CameIn(span, came) for span, one in reversed(pairs) for came in one.bought]


def drew(spans: Iterable[Span], found: Iterable[Behind]) -> list[Drew]:
    """Give the jobs behind an item's figures, the later days first."""
    pairs = list(zip(spans, found, strict=True))
    return [Drew(span, job) for span, one in reversed(pairs) for job in one.printed]


BEHIND_BOUGHT: Records[CameIn] = Records(
    "behind-deliveries",
    "Deliveries behind an item's figures",
    "money.behind",
    (
        Column("arrived_at", "when it came", lambda row: row.came.arrived_at),
        Column("supplier", "from whom", lambda row: row.came.supplier),
        Column("spools", "how many spools", lambda row: row.came.spools),
        Column("came_mg", "how much plastic", lambda row: row.came.mg),
        Column("cost_minor", "what it cost, with freight", lambda row: row.came.minor),
        Column("first_day", "of the days that are compared", lambda row: row.span.first),
        Column("last_day", "of the days that are compared", lambda row: row.span.last),
    ),
)

BEHIND_JOBS: Records[Drew] = Records(
    "behind-jobs",
    "Jobs behind an item's figures",
    "money.behind",
    (
        Column("title", "what was printed", lambda row: row.job.title),
        Column("machine", "the machine that printed it", lambda row: row.job.machine),
        Column("ended_at", "when it ended", lambda row: row.job.ended_at),
        Column("outcome", "good, failed or stopped", lambda row: row.job.outcome),
        Column("drawn_mg", "what it drew of the item", lambda row: row.job.drawn_mg),
        Column("wasted_mg", "of it, what was wasted", lambda row: row.job.wasted_mg),
        Column("cost_minor", "what it cost", lambda row: row.job.minor),
        Column("first_day", "of the days that are compared", lambda row: row.span.first),
        Column("last_day", "of the days that are compared", lambda row: row.span.last),
    ),
)
