"""The waste bin on the scale: what it held reconciles the waste of jobs that failed nobody knows when.

The page of what fails calls it. Of the bin's grams those that the books have as waste are taken off, and what supports
and brims of good parts usually add; what is left over is spread among the jobs whose failure lies between bounds.
"""

from dataclasses import dataclass
from datetime import datetime, timedelta
from statistics import median

from sqlalchemy import func, select
from sqlalchemy.orm import Session, aliased
from sqlmodel import col

from spoolkeep.domain.errors import BadInput
from spoolkeep.domain.split import largest_remainders
from spoolkeep.domain.spread import Between, settled
from spoolkeep.domain.words import Cause, JobState, Kind
from spoolkeep.services.draws import book_again
from spoolkeep.services.endings import PPM
from spoolkeep.services.jobs import standing_draws
from spoolkeep.services.shop import load_shop
from spoolkeep.services.spools import MOST_GROSS_MG
from spoolkeep.store.acts import By, once
from spoolkeep.store.journal import change, create
from spoolkeep.store.tables import Act, BinWeighing, Job, Movement

_KNOWN_AFTER = 3
"""So many weighings tell what supports and brims usually add. Source: our own choice."""
_CRUMBS_MG = 5_000
"""What may be amiss however little the bin held. Source: our own choice."""
_LONGEST_JOB = timedelta(days=14)
_MOST_DAYS = timedelta(days=92)
_MINUTE = timedelta(minutes=1)
"""A page says the time of the last weighing without its seconds."""
_READ_SD = 0.05
"""Of what the bin held, as a share: crumbs fall beside it, and other things in. Source: our own choice."""

_Doubtful = tuple[Job, int]
"""A job that failed nobody knows when, and what it drew by the books."""


@dataclass(frozen=True)
class BinAnswer:
    """What became of a weighing of the bin."""

    act_id: int
    jobs: int
    """That failed nobody knew when, and are known better now."""
    settled_mg: int
    rest_mg: int
    """What the bin held that no job explains; below 0 where it held less than the books have as waste."""


@dataclass(frozen=True)
class BinView:
    """One weighing of the bin."""

    since_at: datetime
    weighed_at: datetime
    held_mg: int
    booked_mg: int
    settled_mg: int

    @property
    def rest_mg(self) -> int:
        """Give what no job explains."""
        return self.held_mg - self.booked_mg - self.settled_mg


def weigh(
    *, session: Session, now: datetime, by: By, held_mg: int, since_at: datetime, at: datetime | None = None
) -> BinAnswer:
    """Reconcile waste by what the bin held since it was emptied.

    Errors: BadInput where the weight cannot be, or the days do not follow the last weighing.
    """

    def do(act: Act) -> BinAnswer:
        until = at or now
        if until > now:
            raise BadInput("in_the_future", "That moment lies in the future. Check the date.")
        _check(session, held_mg, since_at, until)
        wasted, good = _drawn(session, since_at, until)
        doubtful = _doubtful(session, since_at, until)
        usual = usual_ppm(session)
        more = held_mg - wasted - good * usual // PPM
        each = settled([_between(one) for one in doubtful], more, variance=(_READ_SD * held_mg) ** 2 + _CRUMBS_MG**2)
        settled_mg = sum(_charge(session, act, one, to) for one, to in zip(doubtful, each, strict=True))
        create(
            session,
            act,
            BinWeighing(
                since_at=since_at,
                weighed_at=until,
                held_mg=held_mg,
                booked_mg=wasted,
                settled_mg=settled_mg,
                good_mg=good,
            ),
        )
        return BinAnswer(act.id, len(doubtful), settled_mg, held_mg - wasted - settled_mg)

    request = {"held_mg": held_mg, "since_at": since_at, "at": at}
    return once(session, "waste bin", by=by, now=now, request=request, answers=BinAnswer, about=f"{held_mg} mg", do=do)


def last(*, session: Session, limit: int | None = 10) -> list[BinView]:
    """Give the last weighings of the bin, all where the limit is None, newest first."""
    query = select(BinWeighing).where(col(BinWeighing.live)).order_by(col(BinWeighing.weighed_at).desc()).limit(limit)
    names = ("since_at", "weighed_at", "held_mg", "booked_mg", "settled_mg")
    return [BinView(**{name: getattr(one, name) for name in names}) for one in session.scalars(query)]


def usual_ppm(session: Session) -> int:
    """Give what supports and brims usually add to the bin, of a million good grams; 0 before a few weighings tell."""
    rows = session.scalars(select(BinWeighing).where(col(BinWeighing.live), col(BinWeighing.good_mg) > 0)).all()
    rests = [PPM * (one.held_mg - one.booked_mg - one.settled_mg) // one.good_mg for one in rows]
    return max(0, round(median(rests))) if len(rests) >= _KNOWN_AFTER else 0


def _check(session: Session, held_mg: int, since_at: datetime, until: datetime) -> None:
    if not 0 <= held_mg <= MOST_GROSS_MG:
        raise BadInput("no_such_weight", "The bin holds 0 to 100 kg. Enter grams, without the bin.")
    if since_at >= until:
        raise BadInput("no_such_days", "The bin was emptied before it was weighed. Check both times.")
    if until - since_at > _MOST_DAYS:
        raise BadInput("too_long", "A bin is weighed over at most three months. Check when it was emptied before.")
    later = select(BinWeighing).where(col(BinWeighing.live), col(BinWeighing.weighed_at) > since_at + _MINUTE)
    if session.scalars(later).first() is not None:
        words = "The bin was weighed since then already. Say when it was emptied last, or undo that weighing."
        raise BadInput("weighed_since", words)


def _drawn(session: Session, since_at: datetime, until: datetime) -> tuple[int, int]:
    """Give milligrams that were wasted, and that were drawn for good parts, in some days."""
    shop = load_shop(session)
    at = func.coalesce(col(Job.ended_at), col(Movement.occurred_at))  # of a job that is over, whole when it ended
    query = (
        select(col(Movement.cause), func.sum(-col(Movement.sign) * col(Movement.asked_mg)))
        .outerjoin(Job, col(Job.id) == col(Movement.job_id))
        .where(col(Movement.kind) == Kind.DRAW, at > since_at, at <= until)
        # the day is indexed and the moment is not
        .where(col(Movement.shop_day).between(shop.today(since_at - _LONGEST_JOB), shop.today(until)))
        .group_by(col(Movement.cause))
    )
    found = {cause: int(mg or 0) for cause, mg in session.execute(query)}
    good = found.pop(Cause.GOOD, 0)
    return sum(found.values()), good


def _doubtful(session: Session, since_at: datetime, until: datetime) -> list[_Doubtful]:
    """Give the jobs that failed in some days nobody knows when, each with what it drew."""
    back, later = aliased(Movement), aliased(Job)
    query = (
        select(Job, func.sum(-col(Movement.asked_mg)))
        .join(Movement, col(Movement.job_id) == col(Job.id))
        .where(
            col(Job.live), col(Job.state) == JobState.ENDED, col(Job.ended_at) > since_at, col(Job.ended_at) <= until
        )
        .where(col(Job.failed_until_ppm) > col(Job.failed_from_ppm), col(Job.failed_at_ppm) > 0)
        .where(col(Movement.kind) == Kind.DRAW, col(Movement.sign) == 1)
        .where(~select(col(back.id)).where(col(back.reverses_id) == col(Movement.id)).exists())
        .where(~select(col(later.id)).where(col(later.resumes_id) == col(Job.id), col(later.live)).exists())
        .group_by(col(Job.id))
        .order_by(col(Job.id))
    )
    return [(job, int(mg or 0)) for job, mg in session.execute(query)]


def _between(one: _Doubtful) -> Between:
    job, mg = one
    per_ppm = mg / (job.failed_at_ppm or 1)
    return Between(mg, per_ppm * (job.failed_from_ppm or 0), per_ppm * (job.failed_until_ppm or 0))


def _charge(session: Session, act: Act, one: _Doubtful, to: Between) -> int:
    """Charge a job what it probably drew, and keep between what bounds that lies; give how much more that is."""
    job, mg = one
    per_ppm = mg / (job.failed_at_ppm or 1)
    low, middle, high = (round(grams / per_ppm) for grams in (to.low, to.value, to.high))
    at = min(max(middle, 1), PPM)
    change(session, act, job, failed_from_ppm=min(low, at), failed_at_ppm=at, failed_until_ppm=max(high, at))
    wanted = max(1, round(to.value))
    if wanted != mg:
        draws = standing_draws(session, job)
        parts = largest_remainders(wanted, [-(draw.asked_mg or 0) for draw in draws])
        asked = {draw.id: {"asked_mg": -part} for draw, part in zip(draws, parts, strict=True)}
        book_again(session, act, draws, lambda draw: asked[draw.id])
    return wanted - mg
