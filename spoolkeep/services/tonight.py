"""Whether what is on the machines lasts until somebody comes again, feed by feed, and what to do before going home.

The pages Tonight, Bench and Today call it, and the command line. It only reads.
"""

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

from sqlalchemy.orm import Session

from spoolkeep.domain import night
from spoolkeep.domain.drift import Drawn, Estimate
from spoolkeep.domain.errors import BadInput
from spoolkeep.domain.feeding import Need, shares
from spoolkeep.domain.night import FeedNight, Night, Print, Queue, Risk, busy_until
from spoolkeep.domain.rightspool import SURE, Weight
from spoolkeep.services import checking, finding, floor, untold
from spoolkeep.services.checking import Checked
from spoolkeep.services.floor import FeedState, JobToCome, MachineState
from spoolkeep.services.shop import Shop, load_shop

MOST_AHEAD = timedelta(days=14)
AGAIN_WITHIN = timedelta(days=14)
"""What a machine printed longer ago is no guess for tonight. Source: our own choice."""
_NOTHING = Estimate(0.0, 0.0)


@dataclass(frozen=True)
class FeedTonight:
    """One feed until the hour."""

    machine: MachineState
    feed: FeedState
    night: FeedNight
    prints: tuple[Print, ...]
    """What it gives plastic to, in order."""
    busy_hours: float
    """For how long its machine prints until then."""
    standby_takes_over: bool
    """Without what stands by it would not last."""
    article_id: int | None
    """The item that is wanted there, where one is known."""
    checked: Checked
    earns_minor_per_hour: int

    @property
    def chance(self) -> float:
        """Give the chance that it lasts."""
        return self.night.risk.chance

    @property
    def lasts(self) -> bool:
        """Give whether it may be left alone as far as plastic goes."""
        is_empty = self.feed.in_use is not None and self.left_mg <= 0
        is_wrong = bool(self.prints) and self.checked.weight in {Weight.STOP, Weight.ASK}
        return self.chance >= SURE and not is_empty and not is_wrong

    @property
    def what(self) -> str:
        """Say what it prints until the hour: jobs by their titles, and how often one follows upon itself."""
        titles = Counter(f"same again: {one.title}" if one.is_guess else one.title for one in self.prints)
        return ", ".join(title if count == 1 else f"{title}, {count} times" for title, count in titles.items())

    @property
    def left_mg(self) -> int:
        """Give what is left by the books, what stands by counted in."""
        first, waits = self.feed.in_use, self.feed.standby
        more = waits.spool.left_mg if first and waits and waits.spool.item == first.spool.item else 0
        return (first.spool.left_mg if first else 0) + more

    @property
    def left_between_mg(self) -> tuple[int, int]:
        """Give the bounds of what is probably left, ninety per cent."""
        low, high = self.night.after.ninety
        return max(0, round(low + self.night.needs_mg)), max(0, round(high + self.night.needs_mg))

    @property
    def hours_at_risk(self) -> float:
        """Give the machine hours that are lost in the mean: all that it would print, where a wrong spool stops it."""
        return self.busy_hours if self.checked.weight is Weight.STOP else self.night.risk.hours_at_risk

    @property
    def risk_minor(self) -> int:
        """Give what the hours at risk earn, in the mean."""
        return round(self.hours_at_risk * self.earns_minor_per_hour)


@dataclass(frozen=True)
class Lacking:
    """What a job needs and no feed of its machine carries."""

    machine: MachineState
    job: JobToCome
    need: Need
    item_name: str


@dataclass(frozen=True)
class Floor:
    """Every feed until an hour, those most at risk first."""

    night: Night
    machines: tuple[MachineState, ...]
    """By name."""
    feeds: tuple[FeedTonight, ...]
    lacking: tuple[Lacking, ...]

    @property
    def to_see_to(self) -> list[FeedTonight]:
        """Give the feeds that cannot be left as they are, the most at risk first."""
        return [one for one in self.feeds if not one.lasts]

    def worst_of_machines(self) -> list[FeedTonight]:
        """Give the worst feed of each machine that has one: a machine stands still once."""
        worst: dict[int, FeedTonight] = {}
        for one in self.feeds:
            worst.setdefault(one.machine.machine_id, one)
        return list(worst.values())

    @property
    def hours_at_risk(self) -> float:
        """Give the machine hours that are lost in the mean."""
        return sum(one.hours_at_risk for one in self.worst_of_machines())

    @property
    def risk_minor(self) -> int:
        """Give what they earn."""
        return sum(one.risk_minor for one in self.worst_of_machines())


def look_ahead(
    *, session: Session, now: datetime, until: datetime | None = None, leaves_at: datetime | None = None
) -> Floor:
    """Give every feed until an hour: tomorrow's opening where none is said; jobs are begun until `leaves_at`.

    Errors: BadInput where the hour is not ahead, or too far.
    """
    shop = load_shop(session)
    hours = _night(shop, now=now, until=until, leaves_at=leaves_at)
    machines = floor.machines(session)
    since = now - AGAIN_WITHIN
    again = floor.last_jobs(session, [one.machine_id for one in machines if not one.jobs or one.jobs[0].runs], since)
    queues = {one.machine_id: _queue(one, again.get(one.machine_id)) for one in machines}
    prints = {number: night.to_come(queue, hours) for number, queue in queues.items()}
    after = _after(session, machines, prints, hours)
    checks = {one.feed_id: one for one in checking.of_floor(session, now, machines)}
    found = [
        _feed_tonight(
            machine,
            feed,
            prints[machine.machine_id],
            after,
            checks=checks,
            night=hours,
            usual_minor=shop.earns_minor_per_hour,
        )
        for machine in machines
        for feed in machine.feeds
    ]
    lacks = [found for one in machines for found in _lacks(one, prints[one.machine_id])]
    names = finding.items(session, {need.article_id for _, _, need in lacks if need.article_id}) if lacks else {}
    lacking = [
        Lacking(machine, job, need, names[need.article_id].name if need.article_id in names else "an item nobody named")
        for machine, job, need in lacks
    ]
    return Floor(hours, tuple(machines), tuple(sorted(found, key=_worst_first)), tuple(lacking))


def _lacks(machine: MachineState, prints: Sequence[Print]) -> list[tuple[MachineState, JobToCome, Need]]:
    """Give what the jobs until the hour need and is on no feed: of the first, and of those that follow it."""
    tonight = {one.job_id for one in prints}
    found = []
    for at, job in enumerate(machine.jobs):
        if at and job.job_id not in tonight:
            continue
        given, homeless = shares(job.needs, machine.loaded)
        found += [(machine, job, need) for need in homeless]
        if at:
            found += [
                (machine, job, Need(share.mg, share.article_id, feed_id))
                for feed_id, share in given.items()
                if share.article_id not in {None, machine.loaded[feed_id]}
            ]
    return found


def _worst_first(one: FeedTonight) -> tuple[object, ...]:
    return (one.lasts, -one.risk_minor, one.chance, one.feed.name)


def _night(shop: Shop, *, now: datetime, until: datetime | None, leaves_at: datetime | None) -> Night:
    hour = until or shop.opening(now)
    if hour <= now:
        raise BadInput("hour_has_passed", "That hour has passed. Choose one that is to come.")
    if hour - now > MOST_AHEAD:
        raise BadInput("too_far_ahead", "Choose an hour within the next two weeks.")
    after_midnight = shop.closes_hour <= shop.day_starts_hour
    leaves = leaves_at or shop.hour_of(shop.today(now) + timedelta(days=after_midnight), shop.closes_hour)
    return Night(now, max(now, leaves), hour)


def _queue(machine: MachineState, last: JobToCome | None) -> Queue:
    runs = [one for one in machine.jobs if one.runs]
    planned = [one for one in machine.jobs if not one.runs]
    first = runs[0] if runs else None
    repeated = first if first and first.repeats else last
    return Queue(
        running=_print(first, machine) if first else None,
        planned=[_print(one, machine, what_is_there=one is not machine.jobs[0]) for one in planned],
        again=_again(repeated, machine) if repeated and not planned else None,
        self_starting=machine.self_starting,
    )


def _print(job: JobToCome, machine: MachineState, *, what_is_there: bool = False) -> Print:
    """Give a job as it is printed; of a later one `what_is_there` alone: for another item the spool is changed."""
    given = shares(job.needs, machine.loaded)[0]
    loaded = machine.loaded
    needs = {
        feed_id: share.mg
        for feed_id, share in given.items()
        if not what_is_there or share.article_id in {None, loaded[feed_id]}
    }
    return Print(job.title, needs, job.lasts, job.job_id, job.paced_from if job.runs else None)


def _again(job: JobToCome, machine: MachineState) -> Print:
    return replace(_print(job, machine), job_id=None, starts_at=None, is_guess=True)


def _since(feed: FeedState, hours: Night) -> datetime:
    """Give since when what prints draw comes from what is on a feed now."""
    return feed.in_use.since if feed.in_use else hours.now


def _after(
    session: Session, machines: Sequence[MachineState], prints: Mapping[int, Sequence[Print]], hours: Night
) -> dict[int, Estimate]:
    """Give what would be left on each spool in use after all that comes until the hour."""
    coming: dict[int, Drawn] = {}
    for machine in machines:
        for feed in machine.feeds:
            if feed.in_use is not None:
                coming[feed.in_use.spool.spool_id] = _drawn(machine, feed, prints[machine.machine_id], hours)
    return untold.after(session, coming) if coming else {}


def _drawn(machine: MachineState, feed: FeedState, prints: Iterable[Print], hours: Night) -> Drawn:
    since, found = _since(feed, hours), Drawn()
    material = feed.in_use.spool.item.material if feed.in_use else ""
    for one in prints:
        mg = round(night.needed_mg([one], feed.feed_id, since=since, until=hours.until))
        if mg:
            found = found.and_then(checking.drawn(machine.machine_id, material, mg, jobs=1))
    return found


def _feed_tonight(
    machine: MachineState,
    feed: FeedState,
    prints: Sequence[Print],
    after: Mapping[int, Estimate],
    *,
    checks: Mapping[int, Checked],
    night: Night,
    usual_minor: int,
) -> FeedTonight:
    own = tuple(one for one in prints if one.needs_mg.get(feed.feed_id))
    alone = _alone(feed, own, after, night)
    judged = _judge(feed, own, alone, night)
    helped = checking.with_standby(alone, feed)
    whole = _judge(feed, own, helped, night) if helped != alone else judged
    wanted = shares(machine.jobs[0].needs, machine.loaded)[0].get(feed.feed_id) if machine.jobs else None
    loaded = feed.in_use.spool.item.article_id if feed.in_use else None
    return FeedTonight(
        machine=machine,
        feed=feed,
        night=whole,
        prints=own,
        busy_hours=(busy_until(prints, night) - night.now).total_seconds() / 3600 if own else 0.0,
        standby_takes_over=judged.risk.chance < SURE <= whole.risk.chance,
        article_id=(wanted.article_id if wanted and wanted.article_id else None) or loaded,
        checked=checks.get(feed.feed_id, Checked(feed.feed_id)),
        earns_minor_per_hour=usual_minor if machine.earns_minor_per_hour is None else machine.earns_minor_per_hour,
    )


def _alone(feed: FeedState, prints: Sequence[Print], after: Mapping[int, Estimate], hours: Night) -> Estimate:
    """Give what would be left on the spool in use; where nothing is known of it, by the books."""
    if feed.in_use is None:
        needs = night.needed_mg(prints, feed.feed_id, since=hours.now, until=hours.until)
        return Estimate(-needs, 0.0)
    known = after.get(feed.in_use.spool.spool_id)
    if known is not None:
        return known
    needs = night.needed_mg(prints, feed.feed_id, since=_since(feed, hours), until=hours.until)
    return Estimate(feed.in_use.spool.left_mg - needs, untold.WEIGHED_SD_MG, irregular=True)


def _judge(feed: FeedState, prints: Sequence[Print], after: Estimate, hours: Night) -> FeedNight:
    if feed.in_use is None and not prints:
        return FeedNight(0, _NOTHING, Risk(1.0))
    return night.judge(prints, feed.feed_id, after=after, night=hours, since=_since(feed, hours))
