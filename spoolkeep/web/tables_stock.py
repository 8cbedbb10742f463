"""Which columns the tables of stock have: items, spools, what became of a spool, rests, and what was foretold.

The pages of stock offer them.
"""

from collections.abc import Callable
from typing import NamedTuple, TypeVar

from spoolkeep.services.acts import ActView
from spoolkeep.services.failures import Made
from spoolkeep.services.finding import Item
from spoolkeep.services.record import Said
from spoolkeep.services.rests import Rest
from spoolkeep.services.spools import SpoolEvent
from spoolkeep.services.stock import SpoolRow, StockRow
from spoolkeep.web.tables import Column, Records

Row = TypeVar("Row")
PPM = 1_000_000


def about_item(item: Callable[[Row], Item | None]) -> tuple[Column[Row], ...]:
    """Give the columns that say which item a row is of."""

    def told(word: str) -> Callable[[Row], str]:
        return lambda row: str(getattr(item(row), word, ""))

    return (
        Column("item", "the item: material and colour", told("name")),
        Column("material", "its polymer", told("material")),
        Column("colour", "its colour's name", told("colour")),
        Column("finish", "its colour's finish", told("finish")),
    )


def whole(value: float | None) -> int | None:
    """Give the nearest whole number; None where there is none in sight."""
    return None if value is None or value == float("inf") else round(value)


STOCK: Records[StockRow] = Records(
    "stock",
    "Items in stock",
    "stock.page",
    (
        *about_item(lambda row: row.item),
        Column("left_mg", "what is left, in milligrams", lambda row: row.left_mg),
        Column("aside_mg", "of it, what is set aside", lambda row: row.aside_mg),
        Column("rests_mg", "of it, what lies in rests", lambda row: row.rests_mg),
        Column("spools", "spools that have something left or ask for the scale", lambda row: row.spools),
        Column("committed_mg", "what planned and running jobs need", lambda row: row.committed_mg),
        Column("on_order_mg", "what is on order", lambda row: row.on_order_mg),
        Column("drawn_mg_a_day", "what is expected to be drawn a day", lambda row: round(row.days.daily_mg)),
        Column(
            "days_of_stock_p10",
            "days that it lasts at least, in nine cases of ten",
            lambda row: whole(row.days.lasts.p10),
        ),
        Column("days_of_stock_p50", "days that it lasts, in the middle", lambda row: whole(row.days.lasts.p50)),
        Column(
            "days_of_stock_p90",
            "days that it lasts at most, in nine cases of ten",
            lambda row: whole(row.days.lasts.p90),
        ),
        Column("run_out_on", "the day on which it ends, in the middle", lambda row: row.days.run_out_on),
        Column("order_by", "the last day on which an order still comes in time", lambda row: row.order.day),
        Column("order_from", "from whom, by the plan", lambda row: row.order.supplier),
        Column(
            "chance_short_ppm",
            "the chance that it ends before an order of today comes, in millionths",
            lambda row: round(row.order.chance_short * PPM),
        ),
        Column("ask_for_weighing", "how many of its spools ask for the scale", lambda row: row.doubtful),
    ),
)

SPOOLS: Records[SpoolRow] = Records(
    "spools",
    "Spools of an item",
    "stock.item",
    (
        Column("spool", "the code on its label", lambda row: row.code),
        Column("left_mg", "what is left, in milligrams", lambda row: row.left_mg),
        Column("where", "its place, or the feed that it is on", lambda row: row.where),
        Column("loaded", "yes where it is on a feed", lambda row: row.loaded),
        Column("stands_by", "yes where it waits on a feed that goes over by itself", lambda row: row.stands_by),
        Column("lot", "the maker's lot", lambda row: row.lot),
        Column("received_on", "the day on which it came", lambda row: row.received_on),
        Column("opened_on", "the day on which it was opened", lambda row: row.opened_on),
        Column("ask_for_weighing", "yes where it asks for the scale", lambda row: row.doubtful),
        Column("set_aside", "yes where it may not be loaded", lambda row: row.aside),
    ),
)

SPOOL_EVENTS: Records[SpoolEvent] = Records(
    "spool-events",
    "What became of a spool",
    "spools.page",
    (
        Column("what", "draw, weighing, delivery and the like", lambda row: row.kind),
        Column("at", "when it happened", lambda row: row.occurred_at),
        Column("change_mg", "what it came to, below 0 where it was taken off", lambda row: row.mg),
        Column("found_mg", "what was there beyond the books", lambda row: row.found_mg),
        Column("value_minor", "what it was worth", lambda row: row.value_minor),
        Column("job", "the job that drew it", lambda row: row.job),
        Column("sheet", "the sheet that it came with", lambda row: row.sheet),
        Column("taken_back", "yes where it was undone", lambda row: row.taken_back),
        Column("act", "the act's number", lambda row: row.act_id),
    ),
)

MADE_FROM: Records[Made] = Records(
    "made-from",
    "Jobs that were made from a spool's lot",
    "spools.made_from",
    (
        Column("title", "what was printed", lambda row: row.title),
        Column("product", "the product that it is of", lambda row: row.product),
        Column("purpose", "what it was for", lambda row: row.purpose),
        Column("machine", "the machine that printed it", lambda row: row.machine),
        Column("outcome", "good, failed or stopped", lambda row: row.outcome),
        Column("ended_at", "when it ended", lambda row: row.ended_at),
        Column("of_lot_mg", "what it drew of the lot", lambda row: row.mg),
        Column("own", "yes where this very spool gave of it", lambda row: row.own),
    ),
)

RESTS: Records[Rest] = Records(
    "rests",
    "Rests to use up",
    "rests.page",
    (
        *about_item(lambda row: row.spool.item),
        Column("spool", "the code on its label", lambda row: row.spool.code),
        Column("left_mg", "what is left, in milligrams", lambda row: row.spool.left_mg),
        Column("surely_mg", "what is on it at the least", lambda row: row.surely_mg),
        Column("usual_mg", "the item's usual job", lambda row: row.usual_mg),
        Column("place", "where it lies", lambda row: row.spool.place),
        Column("jobs", "planned jobs that it would do", lambda row: "; ".join(row.jobs)),
        Column("products", "products of which it would do a piece", lambda row: "; ".join(row.products)),
        Column("is_scrap", "yes where it is too little to keep", lambda row: row.is_scrap),
    ),
)


class Foretold(NamedTuple):
    """What was said of one item so many days ago."""

    days: int
    said: Said


FORETOLD: Records[Foretold] = Records(
    "foretold",
    "What was said, and what came",
    "ahead.track_record",
    (
        *about_item(lambda row: row.said.item),
        Column("said_days_ago", "for so many days ahead it was said, so many days ago", lambda row: row.days),
        Column("said_mg", "what was said, in the middle", lambda row: row.said.middle_mg),
        Column("low_mg", "what was said to come at least, in nine cases of ten", lambda row: row.said.low_mg),
        Column("high_mg", "what was said to come at most, in nine cases of ten", lambda row: row.said.high_mg),
        Column("came_mg", "what came", lambda row: row.said.came_mg),
        Column(
            "thirty_day_mean_mg",
            "what the mean of the thirty days before would have said",
            lambda row: row.said.plain_mg,
        ),
        Column(
            "inside_ppm",
            "the share of eight weeks that came between low and high, in millionths",
            lambda row: round(row.said.inside * PPM),
        ),
        Column(
            "too_much_by_ppm",
            "how much more was said than came, in millionths",
            lambda row: None if row.said.bias is None else round(row.said.bias * PPM),
        ),
    ),
)

ACTS: Records[ActView] = Records(
    "acts",
    "Acts",
    "setup.last_acts",
    (
        Column("act", "its number", lambda row: row.act_id),
        Column("what", "what was done", lambda row: row.kind),
        Column("about", "to what", lambda row: row.about),
        Column("at", "when it was booked", lambda row: row.recorded_at),
        Column("who", "who did it, or said at a station that it was they", lambda row: row.actor),
        Column("station", "at which station", lambda row: row.station),
        Column("undone", "yes where it was taken back", lambda row: row.undone),
        Column("undoes", "the act that it takes back", lambda row: row.undoes_id),
    ),
)
