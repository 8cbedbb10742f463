"""For which jobs that are due no fitting spool is held, on machines that run nothing.

What opens and closes stops asks it. It only reads, in a number of queries that does not grow.

A spool fits as it does at the Bench and in what says which to take: the item, or one that the owner accepts in its
place; nothing about it stops or asks; and it lasts for the job by the lower bound of what is left on it. It is held
where it lies somewhere, is on the machine, or on another one that runs nothing. Nobody counts a spool twice: those that
are due first take theirs first.
"""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from itertools import islice

from sqlalchemy import select
from sqlalchemy.orm import Session
from sqlmodel import col

from spoolkeep.domain.feeding import shares
from spoolkeep.domain.rightspool import Wanted, Weight, faults
from spoolkeep.domain.words import JobState
from spoolkeep.services import checking, floor, untold
from spoolkeep.services.checking import Books
from spoolkeep.services.floor import FeedState, JobToCome, Lying, MachineState
from spoolkeep.store.tables import Balance, Feed, Job, KeptOn, Loading, Spool

_FULLEST = 2
"""So many spools beyond those that are taken are asked for what is surely left: lesser ones hardly last longer.

Source: our own choice; to reckon it for every spool of a large shelf would take seconds.
"""


@dataclass(frozen=True)
class _Want:
    """What one job wants of one spool."""

    mg: int
    items: tuple[int, ...]
    """Any of them will do; none where nobody said: then whatever is there."""
    instead: frozenset[int]
    """Items that the owner accepts in their place."""
    feed: FeedState | None
    job: JobToCome


@dataclass
class _Held:
    """What is held: spools by number, what is surely on them, and those that are spoken for."""

    books: Books
    kept: frozenset[tuple[int, int | None]]
    """Loadings that a person keeps on although they do not match, and for which job; None for any."""
    spools: dict[int, Lying] = field(default_factory=dict)
    surely_mg: dict[int, int] = field(default_factory=dict)
    spoken_for: set[int] = field(default_factory=set)

    def fits(self, want: _Want, spool: Lying, machine: MachineState) -> bool:
        """Give whether a spool is the right one for a job, whatever is left on it."""
        number = spool.item.article_id
        if number not in want.items and number not in want.instead:
            return False
        wanted = Wanted(
            job=want.job.title,
            kinds=tuple(self.books.kinds(one) for one in want.items if one in self.books.items),
            instead=want.instead,
            make_id=_make(self.books, want.job, spool),
        )
        found = faults(wanted, checking.held(self.books, spool), machine.limits)
        return all(one.weight is Weight.TELL for one in found)

    def lasts_on(self, feed: FeedState, want: _Want, machine: MachineState) -> list[int]:
        """Give the spools of a feed that last for a job, what stands by counted in; none where they do not."""
        on = feed.in_use
        if on is None or not (self._kept_on(on.loading_id, want.job) or self.fits(want, on.spool, machine)):
            return []
        waits = feed.standby.spool if feed.standby else None
        both = [on.spool, waits] if waits and waits.item == on.spool.item and not waits.aside else [on.spool]
        numbers = [one.spool_id for one in both]
        enough = sum(self.surely_mg[number] for number in numbers) >= want.mg
        return numbers if enough and self.spoken_for.isdisjoint(numbers) else []

    def _kept_on(self, loading_id: int, job: JobToCome) -> bool:
        return not self.kept.isdisjoint({(loading_id, None), (loading_id, job.job_id)})

    def lasting(self, want: _Want, machine: MachineState) -> list[int]:
        """Give the spool that lies somewhere and lasts for a job with the least left over; none where there is none."""
        able = [
            (mg, number)
            for number, mg in self.surely_mg.items()
            if number in self.spools and number not in self.spoken_for and mg >= want.mg
        ]
        return next(([number] for _, number in sorted(able) if self.fits(want, self.spools[number], machine)), [])


def due_from(due_at: datetime | None, lasts: timedelta | None) -> datetime | None:
    """Give from when a planned job is due: when it has to begin to be ready in time; None where it always is.

    Without a due time it is wanted as soon as its machine is free.
    """
    return due_at - (lasts or timedelta()) if due_at else None


def due_jobs(machine: MachineState, now: datetime) -> list[JobToCome]:
    """Give the jobs that are due on a machine, in their order; none while it runs."""
    if machine.jobs and machine.jobs[0].runs:
        return []
    moments = ((job, due_from(job.due_at, job.lasts)) for job in machine.jobs)
    return [job for job, due in moments if due is None or due <= now]


def lacking(session: Session, now: datetime, machines: Sequence[MachineState]) -> dict[int, dict[int, int | None]]:
    """Give, by machine, its due jobs with the item that each lacks: of machines all of whose due jobs lack one.

    A machine that has another due job with its plastic does not stand still for want of a spool.
    """
    waiting = [(machine, jobs) for machine in machines if (jobs := due_jobs(machine, now))]
    if not waiting:
        return {}
    books = checking.read_books(session, now, [machine for machine, _ in waiting])
    waiting.sort(key=lambda one: (due_from(one[1][0].due_at, one[1][0].lasts) or now, one[0].machine_id))
    wants = {job.job_id: _wants(books, machine, job) for machine, jobs in waiting for job in jobs}
    held = _Held(books, _kept(session, [machine for machine, _ in waiting]))
    _know(session, held, {one.spool_id: one for machine, jobs in waiting for one in _on_it(held, machine, jobs, wants)})
    without = [(machine, jobs) for machine, jobs in waiting if not _served(held, machine, jobs, wants)]
    if without:
        _look_around(session, held, without, wants)
    found = {}
    for machine, jobs in without:
        if not _served(held, machine, jobs, wants):
            found[machine.machine_id] = {job.job_id: _first_lacking(held, machine, wants[job.job_id]) for job in jobs}
    return found


def _wants(books: Books, machine: MachineState, job: JobToCome) -> list[_Want]:
    given, homeless = shares(job.needs, machine.loaded)
    feeds = {one.feed_id: one for one in machine.feeds}
    told = [(one.mg, one.article_id, feeds[number]) for number, one in given.items()]
    together: dict[int | None, int] = {}
    for need in homeless:
        together[need.article_id] = together.get(need.article_id, 0) + need.mg
    found = []
    for mg, article_id, feed in [*told, *((mg, article_id, None) for article_id, mg in together.items())]:
        items = _items(books, job, article_id)
        instead = frozenset().union(*(books.instead.get(number, frozenset()) for number in items))
        found.append(_Want(mg, items, instead, feed, job))
    return found


def _items(books: Books, job: JobToCome, article_id: int | None) -> tuple[int, ...]:
    if article_id is not None:
        return (article_id,)
    return tuple(part.article_id for part in books.parts.get(job.product_id or 0, ()))


def _make(books: Books, job: JobToCome, spool: Lying) -> int | None:
    """Give the make that a job's product asks of a spool's item, where it asks one."""
    parts = books.parts.get(job.product_id or 0, ())
    makes = {part.make_id for part in parts if part.article_id == spool.item.article_id}
    return makes.pop() if len(makes) == 1 else None


def _served(held: _Held, machine: MachineState, jobs: Sequence[JobToCome], wants: Mapping[int, list[_Want]]) -> bool:
    """Give whether one of a machine's due jobs has its plastic; its spools are then spoken for."""
    for job in jobs:
        taken = _taken(held, machine, wants[job.job_id])
        if taken is not None:
            return True
    return False


def _taken(held: _Held, machine: MachineState, wants: Sequence[_Want]) -> set[int] | None:
    """Take a spool for each want of a job; None, and nothing taken, where one has none."""
    before = set(held.spoken_for)
    for want in wants:
        if not want.items:
            continue  # nobody said which item: nobody can say that it is not there
        numbers = _for_want(held, machine, want)
        if not numbers:
            held.spoken_for = before
            return None
        held.spoken_for.update(numbers)
    return held.spoken_for - before


def _for_want(held: _Held, machine: MachineState, want: _Want) -> list[int]:
    feeds = [want.feed] if want.feed else list(machine.feeds)
    on_it = (held.lasts_on(feed, want, machine) for feed in feeds)
    return next((numbers for numbers in on_it if numbers), []) or held.lasting(want, machine)


def _first_lacking(held: _Held, machine: MachineState, wants: Sequence[_Want]) -> int | None:
    return next((one.items[0] for one in wants if one.items and not _for_want(held, machine, one)), None)


def _on_it(
    held: _Held, machine: MachineState, jobs: Sequence[JobToCome], wants: Mapping[int, list[_Want]]
) -> list[Lying]:
    """Give the spools on a machine that may be for one of its jobs."""
    items = {number for job in jobs for want in wants[job.job_id] for number in (*want.items, *want.instead)}
    kept = {loading_id for loading_id, _ in held.kept}
    is_kept = any(on.loading_id in kept for on in machine.on)
    return [on.spool for on in machine.on if is_kept or on.spool.item.article_id in items]


def _know(session: Session, held: _Held, spools: Mapping[int, Lying]) -> None:
    """Learn what is surely on spools: by the lower bound of what is probably left."""
    lefts = untold.left_of(session, list(spools), anew=False)
    for number, one in spools.items():
        low = lefts[number].probably.ninety[0] if number in lefts else one.left_mg
        held.surely_mg[number] = 0 if one.doubtful else round(low)


def _look_around(
    session: Session,
    held: _Held,
    without: Sequence[tuple[MachineState, Sequence[JobToCome]]],
    wants: Mapping[int, list[_Want]],
) -> None:
    """Find the spools that lie somewhere, or are on machines that run nothing, and could serve."""
    asked = [(machine, want) for machine, jobs in without for job in jobs for want in wants[job.job_id] if want.items]
    items = {number for _, want in asked for number in (*want.items, *want.instead)}
    if not items:
        return
    least = min(want.mg for _, want in asked)
    which = col(Spool.article_id).in_(items) & col(Spool.retired_on).is_(None) & (col(Balance.left_mg) >= least)
    lying = floor.lying(session, which & col(Spool.id).not_in(_IN_USE_BY_JOBS))
    fullest = sorted(lying.values(), key=lambda one: (-one.left_mg, one.spool_id))
    takers = Counter(number for _, want in asked for number in {*want.items, *want.instead})
    able: dict[int, Lying] = {}
    for machine, want in asked:
        fitting = (one for one in fullest if one.left_mg >= want.mg and held.fits(want, one, machine))
        most = max(takers[number] for number in (*want.items, *want.instead)) + _FULLEST
        able.update({one.spool_id: one for one in islice(fitting, most)})
    held.spools = able
    _know(session, held, {number: one for number, one in able.items() if number not in held.surely_mg})


_IN_USE_BY_JOBS = (
    select(col(Loading.spool_id))
    .join(Feed, col(Feed.id) == col(Loading.feed_id))
    .join(Job, (col(Job.machine_id) == col(Feed.machine_id)) & col(Job.live) & (col(Job.state) == JobState.RUNNING))
    .where(col(Loading.live), col(Loading.until_at).is_(None))
)


def _kept(session: Session, machines: Sequence[MachineState]) -> frozenset[tuple[int, int | None]]:
    on = [one.loading_id for machine in machines for one in machine.on]
    query = select(col(KeptOn.loading_id), col(KeptOn.job_id)).where(col(KeptOn.live), col(KeptOn.loading_id).in_(on))
    return frozenset((loading_id, job_id) for loading_id, job_id in session.execute(query)) if on else frozenset()
