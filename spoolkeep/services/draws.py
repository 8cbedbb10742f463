"""Draws: from grams on a feed to an event on the spool that was there, or an open draw where none was.

Jobs and imports call it inside their own acts.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy.orm import Session

from spoolkeep.domain.errors import BadInput
from spoolkeep.domain.words import Cause, Kind, Outcome
from spoolkeep.services.loadings import in_use_at
from spoolkeep.store.ledger import Event

MOST_DRAW_MG = 100_000_000
"""A draw of more than 100 kg is a slip of the key: no reel holds it."""


@dataclass(frozen=True)
class Drawn:
    """Grams that one feed, spool or item gave, and for what."""

    mg: int
    cause: Cause = Cause.GOOD
    feed_id: int | None = None
    spool_id: int | None = None
    article_id: int | None = None


def cause_of(outcome: Outcome) -> Cause:
    """Give what a job's grams were for, by how it ended: one that was stopped made nothing good, as one that failed."""
    return Cause.GOOD if outcome is Outcome.GOOD else Cause.FAILED


def check_amount(mg: int) -> None:
    """Refuse grams that no draw can have. Errors: BadInput."""
    if mg <= 0:
        raise BadInput("nothing_drawn", "A draw must be more than 0 g. Leave a feed that gives nothing empty.")
    if mg > MOST_DRAW_MG:
        raise BadInput("too_heavy", "A draw of more than 100 kg cannot be. Enter grams, not milligrams.")


def draw_events(session: Session, drawn: Sequence[Drawn], *, at: datetime, job_id: int | None) -> list[Event]:
    """Give the events of these draws: on the spool named, else on the one in use on the feed, else open.

    Errors: BadInput where one draws nothing, less than nothing, or more than any reel holds.
    """
    for one in drawn:
        check_amount(one.mg)
    return [_event(session, one, at=at, job_id=job_id) for one in drawn]


def _event(session: Session, one: Drawn, *, at: datetime, job_id: int | None) -> Event:
    loading = in_use_at(session, one.feed_id, at) if one.feed_id and not one.spool_id else None
    spool_id = one.spool_id or (loading.spool_id if loading else None)
    return Event(
        kind=Kind.DRAW,
        occurred_at=at,
        spool_id=spool_id,
        article_id=None if spool_id else one.article_id,
        asked_mg=-one.mg,
        cause=one.cause,
        job_id=job_id,
        feed_id=one.feed_id,
        loading_id=loading.id if loading else None,
    )
