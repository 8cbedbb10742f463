"""Which columns the tables of jobs have: to come, tonight, ended, open draws, stops, failures, and orders on hand.

The pages of jobs and Tonight offer them.
"""

from collections.abc import Iterator
from datetime import datetime
from typing import NamedTuple

from spoolkeep.services import halfsheet
from spoolkeep.services.evening import Evening
from spoolkeep.services.failures import Failing, Failures
from spoolkeep.services.finding import Item
from spoolkeep.services.joblist import JobView, OpenDraw
from spoolkeep.services.onhand import Asked, OnHand
from spoolkeep.services.stopcosts import StopCost
from spoolkeep.services.stops import StopView
from spoolkeep.services.tonight import FeedTonight
from spoolkeep.services.untold import BiasView
from spoolkeep.services.wastebin import BinView
from spoolkeep.web.tables import Column, Records
from spoolkeep.web.tables_stock import PPM, about_item

TO_COME: Records[JobView] = Records(
    "jobs-to-come",
    "Jobs that run or are planned",
    "jobs.page",
    (
        Column("title", "what is printed", lambda row: row.title),
        Column("machine", "the machine, where it is chosen", lambda row: row.machine),
        Column("state", "planned or running", lambda row: row.state),
        Column("purpose", "what it is for", lambda row: row.purpose),
        Column("needs_mg", "what it needs, in milligrams", lambda row: row.needs_mg),
        Column("started_at", "when it started", lambda row: row.started_at),
        Column("due_at", "when it is due", lambda row: row.due_at),
    ),
)


class TonightRow(NamedTuple):
    """One feed until the hour, and what to do about it; nothing where it lasts."""

    feed: FeedTonight
    to_do: str = ""

    @property
    def item(self) -> Item | None:
        """Give the item that is on it."""
        return self.feed.feed.in_use.spool.item if self.feed.feed.in_use else None

    @property
    def ends_at(self) -> datetime | None:
        """Give when its plastic ends, at an early hour; None where it lasts."""
        return None if self.feed.lasts else self.feed.night.risk.ends_at


def tonight_rows(told: Evening) -> list[TonightRow]:
    """Give the feeds as Tonight lists them: those to see to, then those that print and last."""
    return [*(TonightRow(one.feed, halfsheet.doing(one)) for one in told.todo), *map(TonightRow, told.fine)]


TONIGHT: Records[TonightRow] = Records(
    "tonight",
    "Feeds until somebody comes again",
    "tonight.page",
    (
        Column("feed", "the machine, and which of its feeds", lambda row: row.feed.feed.name),
        *about_item(lambda row: row.item),
        Column("prints", "what it prints until then", lambda row: row.feed.what),
        Column("needs_mg", "what that needs", lambda row: row.feed.night.needs_mg),
        Column("left_mg", "what is left, by the books", lambda row: row.feed.left_mg),
        Column("lasts_ppm", "the chance that it lasts, in millionths", lambda row: round(row.feed.chance * PPM)),
        Column("ends_at", "when it ends, where it does not last: an early hour", lambda row: row.ends_at),
        Column(
            "at_risk_s", "seconds of its machine that are at risk", lambda row: round(row.feed.hours_at_risk * 3600)
        ),
        Column("at_risk_minor", "what they earn", lambda row: row.feed.risk_minor),
        Column("to_do", "what to do before going home; empty where it lasts", lambda row: row.to_do),
    ),
)

ENDED: Records[JobView] = Records(
    "jobs-ended",
    "Jobs that ended",
    "jobs.page",
    (
        Column("title", "what was printed", lambda row: row.title),
        Column("machine", "the machine that printed it", lambda row: row.machine),
        Column("outcome", "good, failed or stopped", lambda row: row.outcome),
        Column("taken_as_done", "yes where nobody has said how it ended", lambda row: row.assumed),
        Column("purpose", "what it was for", lambda row: row.purpose),
        Column("needs_mg", "what it was to draw", lambda row: row.needs_mg),
        Column("drawn_mg", "what it drew", lambda row: row.drawn_mg),
        Column("started_at", "when it started", lambda row: row.started_at),
        Column("ended_at", "when it ended", lambda row: row.ended_at),
    ),
)

OPEN_DRAWS: Records[OpenDraw] = Records(
    "open-draws",
    "Draws that wait for a spool",
    "jobs.page",
    (
        Column("job", "the job that drew it", lambda row: row.job),
        Column("drawn_mg", "how much, in milligrams", lambda row: row.mg),
        Column("feed", "the feed that it was drawn on", lambda row: row.feed),
        Column("item", "the item, where it is named", lambda row: row.item.name if row.item else ""),
        Column("at", "when it was drawn", lambda row: row.occurred_at),
    ),
)

STOPS: Records[StopView] = Records(
    "stops",
    "Machines that stand or stood still",
    "jobs.page",
    (
        Column("machine", "the machine", lambda row: row.machine),
        Column("from_at", "since when", lambda row: row.from_at),
        Column("until_at", "until when; empty while it lasts", lambda row: row.until_at),
        Column("lasted_s", "how long, in seconds", lambda row: None if row.hours is None else round(row.hours * 3600)),
        Column("item", "for want of which item", lambda row: row.item.name if row.item else ""),
        Column("job", "the job that waited", lambda row: row.job),
        Column("why", "why", lambda row: row.why),
        Column("by_itself", "yes where the program saw it", lambda row: row.by_itself),
        Column("was_none", "yes where a person said that it was no stop", lambda row: row.was_none),
    ),
)

STOP_COSTS: Records[StopCost] = Records(
    "stop-costs",
    "What stops cost",
    "standing.costs",
    (
        Column("machine", "the machine", lambda row: row.machine),
        Column("from_at", "since when", lambda row: row.from_at),
        Column("until_at", "until when; empty while it lasts", lambda row: row.until_at),
        Column(
            "counted_s",
            "seconds in which it would have run, of the month that is asked for",
            lambda row: row.cost.seconds,
        ),
        Column("not_earned_minor", "what it would have earned in them", lambda row: row.cost.minor),
        Column("item", "for want of which item", lambda row: row.item.name if row.item else ""),
        Column("why", "why", lambda row: row.why),
    ),
)


class Failed(NamedTuple):
    """One row of what fails, and by what it is grouped."""

    by: str
    row: Failing


def failed_of(found: Failures) -> Iterator[Failed]:
    """Give all rows of what fails, as their page lists them."""
    for by in ("machine", "material", "supplier", "lot"):
        yield from (Failed(by, one) for one in getattr(found, f"by_{by}"))


FAILURES: Records[Failed] = Records(
    "failures",
    "What fails, where",
    "jobs.failing",
    (
        Column("name", "the machine, material, supplier or lot", lambda row: row.row.name),
        Column("by", "which of these it is", lambda row: row.by),
        Column("jobs", "jobs that it had a part in", lambda row: row.row.jobs),
        Column("failed", "of them, those that failed or were stopped", lambda row: row.row.failed),
        Column("share_ppm", "their share, in millionths", lambda row: round(row.row.failing.share * PPM)),
        Column("share_low_ppm", "the share is not below this, with 90 %", lambda row: round(row.row.failing.low * PPM)),
        Column("share_high_ppm", "nor above this", lambda row: round(row.row.failing.high * PPM)),
        Column("drawn_mg", "what these jobs drew of it", lambda row: row.row.drawn_mg),
        Column("wasted_mg", "of it, what was wasted", lambda row: row.row.wasted_mg),
    ),
)

BINS: Records[BinView] = Records(
    "waste-bin",
    "What the waste bin held",
    "jobs.failing",
    (
        Column("weighed_at", "when it was weighed", lambda row: row.weighed_at),
        Column("since_at", "when it was emptied before", lambda row: row.since_at),
        Column("held_mg", "what it held", lambda row: row.held_mg),
        Column("booked_mg", "the waste by the books", lambda row: row.booked_mg),
        Column("settled_mg", "what was settled by it", lambda row: row.settled_mg),
        Column("rest_mg", "what no job explains", lambda row: row.rest_mg),
    ),
)

UNTOLD: Records[BiasView] = Records(
    "untold",
    "What motion files do not tell",
    "jobs.failing",
    (
        Column("machine", "the machine", lambda row: row.machine),
        Column("material", "the material", lambda row: row.material),
        Column(
            "draws_more_ppm",
            "how much more it draws than files say, in millionths",
            lambda row: round(row.bias.mean * PPM),
        ),
        Column("low_ppm", "not below this, with 90 %", lambda row: round(row.bias.ninety[0] * PPM)),
        Column("high_ppm", "nor above this", lambda row: round(row.bias.ninety[1] * PPM)),
    ),
)

ON_HAND: Records[OnHand] = Records(
    "on-hand",
    "Lines of orders on hand",
    "onhand.page",
    (
        Column("order", "the order's number", lambda row: row.order),
        Column("product", "the product's name", lambda row: row.product),
        Column("colour", "the item in place of the product's own", lambda row: row.item.name if row.item else ""),
        Column("pieces", "how many are still to go out", lambda row: row.pieces),
        Column("needs_mg", "what they need", lambda row: row.mg),
        Column("due", "the day on which it must go out", lambda row: row.due_on),
    ),
)

ASKED: Records[Asked] = Records(
    "asked",
    "What orders on hand ask of each item",
    "onhand.page",
    (
        *about_item(lambda row: row.item),
        Column("asked_mg", "what they ask for", lambda row: row.mg),
        Column("free_mg", "what is usable and not committed", lambda row: max(0, row.free_mg)),
        Column("missing_mg", "what is missing", lambda row: row.short_mg),
    ),
)
