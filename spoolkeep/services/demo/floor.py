"""The machines of the demo workshop: what they print, how they draw, fail and run dry, and what a person does then.

The demo's days call `work`. Grams are told by the motion file; what is truly drawn is a little more.
"""

import heapq
from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import datetime, timedelta

from spoolkeep.domain.words import Outcome
from spoolkeep.services.demo import shelf
from spoolkeep.services.demo.day import Day
from spoolkeep.services.demo.described import MachineRow, ProductRow, material_of
from spoolkeep.services.demo.truth import FeedRun, Plan, Run, TrueStop

_MG = 1000
_USUAL_MINUTES = 480
_FEWER_WILL_DO_EVERY = 16
_PLATES_THAT_WAIT = 1.4
"""So much of a product may wait for a machine that need not be changed for it."""
_LOOKS_AGAIN = timedelta(minutes=80)
_LATE = timedelta(hours=3)
"""Before closing time, a job that runs through the night is preferred."""
_STOP_AFTER = timedelta(hours=2)
_STEP = timedelta(minutes=2)


def work(day: Day, besides: Mapping[str, tuple[datetime, Callable[[Day, datetime], None]]]) -> None:
    """Let every machine print through the day, while people look after them and do `besides` what has its hour."""
    due = [(_next_look(day, name), name) for name in day.told.machines if name in day.truth.numbers.machines]
    due += [(moment, name) for name, (moment, _) in besides.items()]
    heapq.heapify(due)
    while due and due[0][0] < day.ends:
        moment, name = heapq.heappop(due)
        if name in besides:
            besides[name][1](day, moment)
            continue
        look = _attend(day, day.told.machines[name], moment)
        day.truth.looked_at[name] = look
        heapq.heappush(due, (look, name))


def _next_look(day: Day, name: str) -> datetime:
    known = day.truth.looked_at.get(name)
    return known if known is not None else day.at(day.told.simulation.hours.get(day.weekday, (9, 17))[0] + 0.4)


def _attend(day: Day, machine: MachineRow, moment: datetime) -> datetime:
    """Do what a machine needs at a moment; give when a person looks at it next."""
    if not day.attended(moment):
        return day.next_opening(moment) + timedelta(minutes=day.rng.uniform(2, 45))
    run = day.truth.runs.get(machine.name)
    if run is not None and run.dry:
        return _feed_again(day, machine, run, moment)
    if run is not None:
        _finish(day, machine, run, moment)
        moment += timedelta(minutes=day.told.simulation.setup_minutes)
    return _begin_next(day, machine, moment)


# printing


def _go_on(day: Day, run: Run, moment: datetime) -> datetime:
    """Let a run go on from a moment until it ends, fails or runs dry; give when a person sees that."""
    stop = 1.0 if run.fails_at is None else run.fails_at
    dry_at = {feed.feed: run.share + _here_mg(day, feed.feed) / feed.true_mg for feed in run.feeds}
    reached = min(stop, *dry_at.values())
    run.dry = [] if reached == stop else [feed for feed, share in dry_at.items() if share == reached]
    run.went_on_at, run.went_on_from = moment, run.share
    run.until = moment + timedelta(minutes=run.minutes * (reached - run.share))
    _draw(day, run, reached)
    run.share = reached
    return day.noticed(run.until)


def _here_mg(day: Day, feed: str) -> int:
    """Give what is on a feed, what stands by counted in."""
    return sum(one.left_mg for one in (day.truth.on(feed), day.truth.on(feed, stands_by=True)) if one)


def _draw(day: Day, run: Run, until: float) -> None:
    """Take from the spools what a run draws until it is this far; a spool that gives its last is empty."""
    drawn = day.truth.drawn_mg.setdefault(day.date, {})
    for feed in run.feeds:
        mg = _here_mg(day, feed.feed) if feed.feed in run.dry else round(feed.true_mg * (until - run.share))
        drawn[feed.item] = drawn.get(feed.item, 0) + mg
        for spool in (day.truth.on(feed.feed), day.truth.on(feed.feed, stands_by=True)):
            taken = min(mg, spool.left_mg) if spool else 0
            mg -= taken
            if spool:
                spool.left_mg -= taken


def _finish(day: Day, machine: MachineRow, run: Run, moment: datetime) -> None:
    """Tell the books how a run ended, and which spools ended with it."""
    ended = run.until or moment
    failed = run.fails_at is not None
    outcome = Outcome.FAILED if failed else Outcome.GOOD
    told = {feed.feed: _told(day, feed, run.share) if failed else feed.told_mg for feed in run.feeds}
    day.hands.end(run, machine.name, outcome, told=told, ended=ended, now=moment)
    if not failed:
        owed = day.truth.owed
        owed[run.product] = max(0, owed.get(run.product, 0) - run.pieces)
    del day.truth.runs[machine.name]
    _say_what_ran_out(day, run, moment + _STEP)


def _told(day: Day, feed: FeedRun, share: float) -> int:
    """Give what a person makes of a failed job: so many tenths of it."""
    tenths = max(1, round(10 * share + day.rng.gauss(0, 0.8)))
    return feed.told_mg * min(tenths, 10) // 10


def _say_what_ran_out(day: Day, run: Run, moment: datetime) -> None:
    for feed in run.feeds:
        while (spool := day.truth.on(feed.feed)) is not None and spool.left_mg == 0:
            shelf.say_it_ran_out(day, spool, moment)


def _feed_again(day: Day, machine: MachineRow, run: Run, moment: datetime) -> datetime:
    """Put a new spool on where one ran dry, and let the run go on; stop it where there is none."""
    since, wanted = run.until or moment, next(feed.item for feed in run.feeds if feed.feed in run.dry)
    _say_what_ran_out(day, run, moment)
    for feed in run.feeds:
        if day.truth.on(feed.feed) is None:
            needs = round(feed.true_mg * (1 - run.share))
            spool = shelf.pick(day, feed.item, needs, seen_when_dry=lambda _share: True)
            if spool is None:
                return _give_up(day, machine, run, moment + _STEP)
            shelf.put_on(day, spool, feed.feed, moment + _STEP)
    _note_stop(day, machine, wanted, since=since, until=moment + _STEP)
    return _go_on(day, run, moment + 2 * _STEP)


def _give_up(day: Day, machine: MachineRow, run: Run, moment: datetime) -> datetime:
    """Stop a run for want of a spool; the machine is free for another."""
    told = {feed.feed: round(feed.told_mg * run.share) for feed in run.feeds}
    day.hands.end(run, machine.name, Outcome.STOPPED, told=told, ended=run.until or moment, now=moment)
    _note_stop(day, machine, run.feeds[0].item, since=run.until or moment, until=moment)
    del day.truth.runs[machine.name]
    return _begin_next(day, machine, moment + _STEP)


def _note_stop(day: Day, machine: MachineRow, item: str, *, since: datetime, until: datetime) -> None:
    if until - since >= _STOP_AFTER:
        day.truth.stops.append(TrueStop(machine.name, item, since, until))
        day.hands.stop(machine.name, item, since, until)


# choosing


def _begin_next(day: Day, machine: MachineRow, moment: datetime) -> datetime:
    """Begin the job that a machine can do best; give when a person looks at it next."""
    product, missing = _choose(day, machine, moment)
    if product is None:
        if missing and all(item != missing for _, item in day.truth.wants.values()):
            day.truth.wants[machine.name] = (moment, missing)  # the others could do without
        return moment + _LOOKS_AGAIN
    since, item = day.truth.wants.pop(machine.name, (moment, ""))
    if item:
        _note_stop(day, machine, item, since=since, until=moment)
    run = _planned(day, product) or _run(day, product, min(product.batch, max(1, _free(day, product))))
    if run.job_id is None and day.plans:
        run.job_id = day.hands.plan(product, run.pieces, due=moment + timedelta(days=2), now=moment)
    _load(day, machine, run, moment)
    day.truth.runs[machine.name] = run
    run.started_at = moment + 2 * _STEP
    day.hands.start(run, machine.name, run.started_at)
    return _go_on(day, run, run.started_at)


def _planned(day: Day, product: ProductRow) -> Run | None:
    plan = next((one for one in day.truth.plans if one.product == product.name), None)
    if plan is None:
        return None
    day.truth.plans.remove(plan)
    run = _run(day, product, plan.pieces)
    run.job_id = plan.job_id
    return run


def _run(day: Day, product: ProductRow, pieces: int) -> Run:
    minutes = product.minutes * pieces * day.rng.gauss(1, 0.02)
    return Run(product.name, pieces, day.at(0), minutes, [])


def _free(day: Day, product: ProductRow) -> int:
    """Give the pieces that customers wait for and nobody prints or has planned yet."""
    owed = day.truth.owed.get(product.name, 0)
    return owed - _taken_on(day)[product.name] if owed else 0


def _taken_on(day: Day) -> Counter[str]:
    """Give the pieces of each product that are being printed or are planned."""
    taken: Counter[str] = Counter()
    for run in day.truth.runs.values():
        taken[run.product] += run.pieces
    for plan in day.truth.plans:
        taken[plan.product] += plan.pieces
    return taken


def _choose(day: Day, machine: MachineRow, moment: datetime) -> tuple[ProductRow | None, str]:
    """Give the product that a machine prints next, or None and the item for want of which it stands still."""
    best: tuple[float, ProductRow] | None = None
    missing = ""
    for product in _candidates(day, machine):
        short = _short_of(day, machine, product)
        if short:
            missing = missing or short
            continue
        score = _score(day, machine, product, moment)
        if best is None or score > best[0]:
            best = (score, product)
    return (best[1], "") if best else (None, missing)


def _candidates(day: Day, machine: MachineRow) -> Iterable[ProductRow]:
    """Give the products that are wanted, that a machine can print, and that none does better which is idle too."""
    taken, planned = _taken_on(day), {plan.product for plan in day.truth.plans}
    idle = [one for one in day.told.machines.values() if one.name not in day.truth.runs and one.name != machine.name]
    for name, owed in day.truth.owed.items():
        product, free = day.told.products[name], owed - taken[name]
        if not (name in planned or _worth_a_plate(day, product, free)) or not _can(machine, product):
            continue
        if not _better_elsewhere(day, machine, product, idle=idle, free=free):
            yield product


def _can(machine: MachineRow, product: ProductRow) -> bool:
    return len(product.grams) <= machine.feeds and (machine.closed_in or not product.draughty)


def _worth_a_plate(day: Day, product: ProductRow, free: int) -> bool:
    """Say whether enough pieces are wanted to fill a plate; now and then fewer will do: nobody waits for ever."""
    return free >= product.batch or (free > 0 and (day.index + len(product.name)) % _FEWER_WILL_DO_EVERY == 0)


def _better_elsewhere(
    day: Day, machine: MachineRow, product: ProductRow, *, idle: Sequence[MachineRow], free: int
) -> bool:
    """Say whether an idle machine had better print a product: it is loaded for it, or has several feeds."""
    holders = day.truth.machines_with(product.grams)
    if machine.name in holders:
        return False
    if any(one.name in holders for one in idle):
        return True
    can_wait = machine.feeds == 1 and free < _PLATES_THAT_WAIT * product.batch
    return can_wait and any(one.feeds > 1 and _can(one, product) for one in idle)


def _short_of(day: Day, machine: MachineRow, product: ProductRow) -> str:
    """Give the item of which there is nothing to print a product with, or nothing where all is there."""
    feeds = {f"{machine.name}/{position}" for position in range(1, machine.feeds + 1)}
    for item in product.grams:
        here = any(one.feed in feeds and one.left_mg >= shelf.LEAST_MG for one in day.truth.of(item))
        if not here and not shelf.on_hand(day, item):
            return item
    return ""


def _score(day: Day, machine: MachineRow, product: ProductRow, moment: datetime) -> float:
    """Give how well a job fits: what waits, what is loaded already, and its length late in the day."""
    waits = min(3.0, day.truth.owed.get(product.name, 0) / product.batch)
    planned = any(plan.product == product.name for plan in day.truth.plans)
    loaded = machine.name in day.truth.machines_with(product.grams)
    score = waits + 4.0 * loaded + 1.0 * planned + day.rng.random() / 4
    if not day.attended(moment + _LATE):
        score += min(2.0, product.minutes * product.batch / _USUAL_MINUTES)
    return score


def _load(day: Day, machine: MachineRow, run: Run, moment: datetime) -> None:
    """See to it that every item of a run is on a feed, and reckon what the run will truly draw."""
    free = [f"{machine.name}/{position}" for position in range(1, machine.feeds + 1)]
    product, changes = day.told.products[run.product], 0
    for item, grams in product.grams.items():
        told_mg = round(grams * run.pieces * _MG)
        feed = next((one for one in free if (on := day.truth.on(one)) and on.item == item), None)
        feed = feed or min(
            free, key=lambda one: (day.truth.on(one) is not None, day.truth.used_at.get(one, moment), one)
        )
        free.remove(feed)
        day.truth.used_at[feed] = moment
        need, then = FeedRun(feed, item, told_mg, told_mg), moment + _STEP * changes
        changes += _see_to(day, need, run, then, holder=machine.holder)
        run.feeds.append(FeedRun(feed, item, told_mg, _true_mg(day, machine, item, told_mg)))
    chance = max(day.told.slips.fails[material_of(item)] for item in product.grams) * machine.fails
    if day.rng.random() < chance * (run.minutes / _USUAL_MINUTES) ** 0.5:
        run.fails_at = day.rng.uniform(0.04, 0.98)


def _true_mg(day: Day, machine: MachineRow, item: str, told_mg: int) -> int:
    slips = day.told.slips
    more = slips.draws_more[material_of(item)] + machine.draws_more + day.rng.gauss(0, slips.spread)
    several = slips.change_g if machine.feeds > 1 else 0.0
    return max(1, round(told_mg * (1 + more) + (slips.start_g + several) * _MG))


def _see_to(day: Day, need: FeedRun, run: Run, moment: datetime, *, holder: bool) -> int:
    """Leave the spool that is on a feed, or change it, or let one stand by; give the number of changes."""

    def seen_when_dry(share: float) -> bool:
        return day.attended(moment + timedelta(minutes=run.minutes * share))

    on = day.truth.on(need.feed)
    here = on is not None and on.item == need.item
    if here and on is not None:
        does = shelf.will_do(shelf.seen_mg(day, on), need.told_mg, seen_when_dry)
        if does or (on.left_mg >= shelf.LEAST_MG and day.rng.random() < day.told.habits.leaves_it_to_luck):
            return 0
    spool = shelf.pick(day, need.item, need.told_mg, seen_when_dry=seen_when_dry)
    if spool is None:
        return 0
    if here and holder and day.truth.on(need.feed, stands_by=True) is None:
        shelf.let_stand_by(day, spool, need.feed, moment)
    elif not here or spool.left_mg > (on.left_mg if on else 0):
        shelf.put_on(day, spool, need.feed, moment)
    return 1


# planning


def plan_ahead(day: Day, moment: datetime) -> None:
    """Plan the jobs that customers wait for, as many as there are machines, and call off what nobody wants any more."""
    for plan in [one for one in day.truth.plans if (day.date - one.planned_on).days > 6]:  # noqa: PLR2004 - a week
        day.truth.plans.remove(plan)
        day.hands.call_off(plan.job_id, moment)
    room = len(day.truth.numbers.machines) - len(day.truth.plans)
    wanted = [one for one in day.told.products.values() if one.name in day.truth.numbers.products]
    wanted = [one for one in wanted if _worth_a_plate(day, one, _free(day, one))]
    for product in sorted(wanted, key=lambda one: -_free(day, one) / one.batch)[: max(0, room)]:
        moment += timedelta(minutes=1)
        pieces = min(product.batch, _free(day, product))
        due = day.at(24 + 12 + 6 * day.rng.randint(0, 8))
        job_id = day.hands.plan(product, pieces, due=due, now=moment)
        if job_id is not None:
            day.truth.plans.append(Plan(product.name, pieces, job_id, day.date))
