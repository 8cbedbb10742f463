"""What a bench card does with the spool, the feed or the job ticket that is scanned with it, within the scan's own act.

The Bench calls it. It must not know stations or half scans.
"""

from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import select
from sqlalchemy.orm import Session
from sqlmodel import col

from spoolkeep.domain.cards import Card
from spoolkeep.domain.codes import CodeKind
from spoolkeep.domain.errors import BadInput, Conflict
from spoolkeep.domain.units import MG_PER_G
from spoolkeep.domain.words import JobState, Outcome
from spoolkeep.services import again, airing, asides, endings, finding, jobs, spools, standby
from spoolkeep.services.endings import Early
from spoolkeep.services.jobs import JobAnswer
from spoolkeep.services.loadings import loaded_on, take_off
from spoolkeep.services.shop import code_text
from spoolkeep.store.journal import change
from spoolkeep.store.tables import Act, Feed, Job, Machine, Place, Spool

GOES_WITH = {
    Card.RAN_OUT: frozenset({CodeKind.SPOOL, CodeKind.FEED}),
    Card.SHELVED: frozenset({CodeKind.SPOOL, CodeKind.FEED}),
    Card.CAME_OFF_GOOD: frozenset({CodeKind.JOB, CodeKind.FEED}),
    Card.CAME_OFF_BAD: frozenset({CodeKind.JOB, CodeKind.FEED}),
    Card.SAME_AGAIN: frozenset({CodeKind.FEED}),
    Card.SET_ASIDE: frozenset({CodeKind.SPOOL}),
    Card.WEIGH: frozenset({CodeKind.SPOOL}),
}
"""What each card is scanned with. Undo and the digits stand apart."""
WITH_DIGITS = frozenset({CodeKind.SPOOL, CodeKind.JOB, CodeKind.FEED})
"""What digits may follow: a spool with a scale's grams, a ticket or a feed with the per cent that were printed."""
MOST_DIGITS = 6
MOST_PER_CENT = 100
TAKE_DIGITS = frozenset({Card.WEIGH, Card.CAME_OFF_BAD, Card.CAME_OFF_GOOD})
"""The cards that read them; the last refuses them by itself, with why."""


@dataclass(frozen=True)
class Did:
    """What a card did: a word, a sentence, and what about it is odd. `waits` where the spool waits for a place."""

    did: str
    words: str
    odd: str = ""
    spool: Spool | None = None


def play(session: Session, act: Act, card: Card, row: Spool | Feed | Job, *, digits: str, at: datetime) -> Did:
    """Do what a card says, at the moment of the scan. Errors: BadInput, Conflict, with what to do instead."""
    if card in {Card.CAME_OFF_GOOD, Card.CAME_OFF_BAD}:
        job = row if isinstance(row, Job) else _job_on(session, _feed(row))
        return _came_off(session, act, job, card, digits=digits, at=at)
    if card is Card.SAME_AGAIN:
        return _same_again(session, act, _feed(row), at=at)
    spool = row if isinstance(row, Spool) else _spool_on(session, _feed(row))
    if card is Card.RAN_OUT:
        return Did("ran out", standby.end_spool(session, act, spool, at=at).words, spool=spool)
    if card is Card.SHELVED:
        return _shelved(session, act, spool, at=at)
    if card is Card.SET_ASIDE:
        return _set_aside(session, act, spool, at=at)
    return weighed(session, act, spool, gross_mg=int(digits) * MG_PER_G, at=at)


def _set_aside(session: Session, act: Act, spool: Spool, *, at: datetime) -> Did:
    """Set a spool aside; one that is so already, all of its lot."""
    name = finding.item_name(session, spool.article_id)
    if asides.why_aside(session, spool) is None:
        asides.put_aside(session, act, spool, why="", at=at)
        lot = f" Scan both once more for all of lot {spool.lot}." if spool.lot else ""
        words = f"{name} is set aside: not to be used until somebody lets it go.{lot}"
        return Did("set aside", words, spool=spool)
    if not spool.lot:
        raise Conflict("aside_before", f"{name} is set aside already. Let it go on its page.")
    return Did("set aside", asides.put_lot_aside(session, act, spool, why="", at=at), spool=spool)


def weighed(session: Session, act: Act, spool: Spool, *, gross_mg: int, at: datetime) -> Did:
    """Book a scale's reading of a spool. Errors: BadInput where the reel's weight is not known, or none can be so."""
    answer = spools.put_on_scale(session, act, spool, gross_mg=gross_mg, at=at)
    name = finding.item_name(session, spool.article_id)
    words = f"{name}: {gross_mg / MG_PER_G:g} g on the scale, {answer.left_mg / MG_PER_G:g} g left."
    return Did("weighed", words, odd=answer.questioned, spool=spool)


def _shelved(session: Session, act: Act, spool: Spool, *, at: datetime) -> Did:
    name = finding.item_name(session, spool.article_id)
    if spool.home_id is None:
        return Did("waits", f"{name} has no place of its own yet.", odd="Now scan the place it goes to.", spool=spool)
    home = session.get_one(Place, spool.home_id)
    take_off(session, act, spool=spool, at=at)
    airing.put_at(session, act, spool, home, at=at)
    change(session, act, spool, place_id=home.id)
    return Did("moved", f"{name} is back at {home.name}.", spool=spool)


def _came_off(session: Session, act: Act, job: Job, card: Card, *, digits: str, at: datetime) -> Did:
    good = card is Card.CAME_OFF_GOOD
    jobs.check_open(job)
    if good and digits:
        raise BadInput(
            "digits_of_a_good_one", "A good job is whole. Scan undo, its ticket or feed, and the card alone."
        )
    percent = int(digits or MOST_PER_CENT)
    if job.machine_id is None:
        raise BadInput("no_machine", f"“{job.title}” has no machine by the books. Start it under Jobs first.")
    outcome = Outcome.GOOD if good else Outcome.FAILED
    if digits:
        early = Early(point={"share": percent / MOST_PER_CENT})
        grams = endings.charge(session, act, job, outcome=outcome, early=early)
    else:
        grams = endings.needs(session, job)
    answer = jobs.end_within(session, act, job, outcome=outcome, at=jobs.moment_of(None, at, job), grams=grams)
    words = f"“{job.title}” came off {'good' if good else 'bad'}: {answer.drawn_mg / MG_PER_G:g} g drawn."
    whole = (
        "" if good or digits else "All its plastic is booked. If less was printed, undo, and scan the per cent first."
    )
    return Did("ended", words, odd=" ".join(filter(None, (whole, _odd_about(answer)))))


def _odd_about(answer: JobAnswer) -> str:
    odd = [f"{name} gave more than was left: weigh it." for name in answer.overdrawn]
    if answer.open_draws:
        odd.append("A feed had no spool by the books: name it under Jobs.")
    return " ".join([*odd, *answer.odd])


def started(session: Session, act: Act, job: Job, feed: Feed, *, at: datetime) -> Did:
    """Start a job by its ticket on a feed's machine. Errors: Conflict where it runs or has ended, or is on another."""
    machine = session.get_one(Machine, feed.machine_id)
    if job.state != JobState.PLANNED:
        words = f"“{job.title}” is {job.state} by the books. Scan its ticket, and how it came off."
        raise Conflict("not_planned", words)
    if job.machine_id not in {None, machine.id}:
        own = session.get_one(Machine, job.machine_id).name
        raise Conflict("on_another_machine", f"“{job.title}” is planned for {own}. Scan a feed of that one.")
    answer = jobs.start_within(session, act, job, at=at, machine_id=machine.id)
    return Did("started", f"“{job.title}” runs on {machine.name}.", odd=_odd_about(answer))


def _same_again(session: Session, act: Act, feed: Feed, *, at: datetime) -> Did:
    machine = session.get_one(Machine, feed.machine_id)
    running = _first(session, machine, JobState.RUNNING)
    if running is not None:
        words = f"“{running.title}” still runs on {machine.name} by the books. Say how it came off, then same again."
        raise Conflict("still_runs", words)
    last = _first(session, machine, JobState.ENDED)
    if last is None:
        raise BadInput("nothing_before", f"{machine.name} has printed nothing yet. Enter its job under Jobs.")
    answer = again.start_again(session, act, last, at=at)
    return Did("started", f"“{last.title}” runs on {machine.name} once more.", odd=_odd_about(answer))


def _first(session: Session, machine: Machine, state: JobState) -> Job | None:
    """Give the machine's job in a state: the one that ended last, started last, or is planned next."""
    order = {
        JobState.ENDED: col(Job.ended_at).desc(),
        JobState.RUNNING: col(Job.started_at).desc(),
        JobState.PLANNED: col(Job.planned_at),
    }[state]
    query = select(Job).where(col(Job.machine_id) == machine.id, col(Job.state) == state, col(Job.live))
    return session.scalars(query.order_by(order, col(Job.id).desc())).first()


def _job_on(session: Session, feed: Feed) -> Job:
    machine = session.get_one(Machine, feed.machine_id)
    last = _first(session, machine, JobState.ENDED)
    assumed = last if last and last.assumed else None
    job = _first(session, machine, JobState.RUNNING) or assumed or _first(session, machine, JobState.PLANNED)
    if job is None:
        words = f"No job runs on {machine.name} by the books. Scan the job's ticket, or enter it under Jobs."
        raise BadInput("no_job_there", words)
    return job


def _spool_on(session: Session, feed: Feed) -> Spool:
    loading = loaded_on(session, feed.id)
    if loading is None:
        where = code_text(CodeKind.FEED, feed.serial)
        raise BadInput("no_spool_there", f"No spool is on {where} by the books. Scan the spool itself.")
    return session.get_one(Spool, loading.spool_id)


def _feed(row: Spool | Feed | Job) -> Feed:
    assert isinstance(row, Feed)  # noqa: S101 - `GOES_WITH` says what may come
    return row
