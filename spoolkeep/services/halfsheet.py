"""Tonight in words, for the half sheet and the command line.

The web and the command line call it. It reads nothing by itself.
"""

from spoolkeep.domain.night import Run, runs
from spoolkeep.domain.rightspool import Weight
from spoolkeep.domain.units import MG_PER_G
from spoolkeep.paper.night_sheet import HalfSheet, NightLine
from spoolkeep.services.evening import Evening, ToDo
from spoolkeep.services.shop import Shop
from spoolkeep.services.tonight import FeedTonight, Lacking

TOLD_HOURS = 0.05
"""What rounds to no tenth of an hour is not worth a word."""
CAUTION = (
    "A machine that runs alone can start a fire. Follow its maker's sheet and local codes before you leave one by"
    " itself. Heavy reels are lifted between knee and shoulder. Nozzles are hot, and feeds can start by themselves."
)


def of_evening(shop: Shop, told: Evening) -> HalfSheet:
    """Give the half sheet: what is to be fetched in walking order, then what else is to be seen to."""
    now = shop.clock.local(told.ahead.night.now)
    walk = told.walk
    others = [one for one in told.todo if one not in walk]
    return HalfSheet(
        workshop=shop.name,
        title=f"Tonight, until {shop.formats.moment(told.ahead.night.until)}",
        drawn_at=shop.formats.moment(told.ahead.night.now),
        summary=summary(shop, told),
        lines=(
            *(NightLine(one.feed.feed.name, doing(one), besides(shop, one)) for one in [*walk, *others]),
            *(NightLine(one.machine.name, lacking(one)) for one in told.ahead.lacking),
        ),
        fine=_fine(told),
        caution=CAUTION,
        stamp=f"{now:%Y%m%d%H%M%S}",
    )


def summary(shop: Shop, told: Evening) -> str:
    """Say in one sentence how it stands."""
    printing = [one for one in told.ahead.feeds if one.prints]
    lacking = len(told.ahead.lacking)
    jobs = "1 job waits for an item" if lacking == 1 else f"{lacking} jobs wait for an item"
    lacks = f" {jobs} that is on no feed." if lacking else ""
    if not told.todo and printing:
        return f"All {len(printing)} feeds that print last.{lacks}" if len(printing) > 1 else f"It lasts.{lacks}"
    if not told.todo:
        return lacks.strip() or "Nothing is to be printed until then."
    feeds = "1 feed" if len(told.todo) == 1 else f"{len(told.todo)} feeds"
    hours, money = told.ahead.hours_at_risk, shop.formats.money(told.ahead.risk_minor)
    risk = f" At risk: {hours:.1f} machine hours, which earn about {money}." if hours >= TOLD_HOURS else ""
    return f"{feeds} to see to.{risk}{lacks}"


def doing(one: ToDo) -> str:
    """Say what is to be done for a feed."""
    stops = [fault.words for fault in one.feed.checked.open if fault.code != "short"]
    if one.take is not None:
        return " ".join([*stops, one.take.words])
    if one.feed.feed.in_use is None:
        return " ".join([*stops, "No spool is on it, and a job is to come."])
    return " ".join(stops)


def lacking(one: Lacking) -> str:
    """Say what a job needs that is on no feed."""
    return f"“{one.job.title}” needs {one.need.mg / MG_PER_G:.0f} g of {one.item_name}, which is on no feed."


def besides(shop: Shop, one: ToDo) -> tuple[str, ...]:
    """Say why, and what would help instead."""
    return (*filter(None, (one.feed.checked.instead,)), why(shop, one.feed), *one.hints)


def why(shop: Shop, feed: FeedTonight) -> str:
    """Say in one line what it needs, what is left, and how likely that is to last."""
    if not feed.prints:
        return "Nothing is to be printed from it."
    needs = f"needs {feed.night.needs_mg / MG_PER_G:.0f} g for {printing(shop, feed)}"
    if feed.feed.in_use is None or feed.checked.weight is Weight.STOP:
        return f"It {needs}."
    low, high = feed.left_between_mg
    left = f"probably {low / MG_PER_G:.0f} to {high / MG_PER_G:.0f} g are left"
    ends = feed.night.risk.ends_at
    when = f" It could end about {shop.clock.local(ends):%H:%M}." if ends and feed.chance < 1 else ""
    if when and not feed.machine.runout_sensor:
        when += " By Setup the machine does not pause then: the part may be lost."
    return f"It {needs}; {left}: {percent(feed.chance)} likely to last.{when}"


def printing(shop: Shop, feed: FeedTonight) -> str:
    """Say what it prints until the hour, each from when until when."""
    return ", then ".join(_of_run(shop, one) for one in runs(feed.prints))


def _of_run(shop: Shop, one: Run) -> str:
    title = f"same again: {one.title}" if one.is_guess else one.title
    times = f" {one.times} times" if one.times > 1 else ""
    if one.starts_at is None or one.ends_at is None:
        return title + times
    from_at, until = shop.clock.local(one.starts_at), shop.clock.local(one.ends_at)
    nights = (until.date() - from_at.date()).days
    later = f" {nights} days later" if nights > 1 else ""
    return f"{title}{times}, {from_at:%H:%M} to {until:%H:%M}{later}"


def percent(chance: float) -> str:
    """Give a chance in whole per cent; never all or nothing where it is neither."""
    whole = round(100 * chance)
    if whole >= 100 and chance < 1:  # noqa: PLR2004 - per cent
        return "over 99 %"
    return "under 1 %" if whole <= 0 and chance > 0 else f"{whole} %"


def _fine(told: Evening) -> str:
    names = [one.feed.name + (" (what stands by takes over)" if one.standby_takes_over else "") for one in told.fine]
    lasts = f"These last: {', '.join(names)}." if names else ""
    idle = len(told.idle)
    feeds = "1 feed prints" if idle == 1 else f"{idle} feeds print"
    return " ".join(filter(None, (lasts, f"{feeds} nothing until then." if idle else "")))
