"""Which spools are worth a weighing: those of which nobody knows whether they last for what comes next.

Today calls it. It only reads. A weighing is asked for only where it would change what a person does: where the bounds
of what is probably left hold the end of a job that is to come, and a scale would narrow them.
"""

from dataclasses import dataclass

from sqlalchemy import select
from sqlalchemy.orm import Session
from sqlmodel import col

from spoolkeep.domain.codes import CodeKind
from spoolkeep.domain.words import TO_COME, JobState
from spoolkeep.services import finding, untold
from spoolkeep.services.finding import Item
from spoolkeep.services.shop import code_text
from spoolkeep.services.untold import WEIGHED_SD_MG, Left
from spoolkeep.store.tables import Balance, Job, JobFeed, Loading, Spool

_WORTH = 1.5
"""A scale narrows the bounds enough where they are so many times as wide as after it. Source: our own choice."""


@dataclass(frozen=True)
class ToWeigh:
    """A spool that may or may not last for a job that is to come."""

    spool_code: str
    feed: str
    item: Item
    low_mg: int
    high_mg: int
    needs_mg: int
    """What the jobs on its feed need until the end of that one."""
    job: str


def asked(*, session: Session) -> list[ToWeigh]:
    """Give the spools that are worth a weighing, those whose job comes first at the top."""
    coming = _coming(session)
    on_feeds = _in_use(session, coming)
    lefts = untold.left_of(session, [spool.id for spool in on_feeds.values()])
    found = []
    for feed_id, jobs in coming.items():
        spool = on_feeds.get(feed_id)
        left = lefts.get(spool.id) if spool else None
        doubt = _doubtful(jobs, left) if left else None
        if spool and left and doubt:
            found.append((doubt, feed_id, spool, left))
    items = finding.items(session, {spool.article_id for _, _, spool, _ in found})
    names = finding.feed_names(session, {feed_id for _, feed_id, _, _ in found})
    return [
        ToWeigh(
            spool_code=code_text(CodeKind.SPOOL, spool.serial),
            feed=names[feed_id],
            item=items[spool.article_id],
            low_mg=max(0, round(left.probably.ninety[0])),
            high_mg=round(left.probably.ninety[1]),
            needs_mg=needs_mg,
            job=title,
        )
        for (needs_mg, title), feed_id, spool, left in found
    ]


def _coming(session: Session) -> dict[int, list[tuple[int, str]]]:
    """Give what the jobs on each feed need together, job by job in the order in which they come, and their titles."""
    query = (
        select(col(JobFeed.feed_id), col(JobFeed.needs_mg), col(Job.title))
        .join(Job, col(Job.id) == col(JobFeed.job_id))
        .where(col(Job.live), col(JobFeed.live), col(Job.state).in_(TO_COME), col(JobFeed.feed_id).is_not(None))
        .order_by(col(Job.state) != JobState.RUNNING, col(Job.due_at).is_(None), col(Job.due_at), col(Job.id))
    )
    found: dict[int, list[tuple[int, str]]] = {}
    for feed_id, needs_mg, title in session.execute(query):
        before = found.setdefault(feed_id or 0, [])
        before.append((needs_mg + (before[-1][0] if before else 0), title))
    return found


def _in_use(session: Session, feeds: dict[int, list[tuple[int, str]]]) -> dict[int, Spool]:
    """Give the spool in use on each of these feeds, but where another stands by, which takes over by itself."""
    query = (
        select(col(Loading.feed_id), col(Loading.standby), Spool)
        .join(Spool, col(Spool.id) == col(Loading.spool_id))
        .join(Balance, col(Balance.spool_id) == col(Spool.id))
        .where(col(Loading.live), col(Loading.until_at).is_(None), ~col(Balance.doubtful))
    )
    rows = [row for row in session.execute(query) if row[0] in feeds]
    waits = {feed_id for feed_id, standby, _ in rows if standby}
    return {feed_id: spool for feed_id, standby, spool in rows if not standby and feed_id not in waits}


def _doubtful(jobs: list[tuple[int, str]], left: Left) -> tuple[int, str] | None:
    """Give the first job within whose end the bounds lie, where a scale would narrow them."""
    low, high = left.probably.ninety
    if not left.since.mg or left.probably.sd < _WORTH * WEIGHED_SD_MG:
        return None
    return next(((needs_mg, title) for needs_mg, title in jobs if low < needs_mg <= high), None)
