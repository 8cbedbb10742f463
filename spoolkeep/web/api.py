"""The JSON doors: scans, job reports and stock, for scripts at the machines.

The app factory registers it. Keys carry their units; amounts are integers; times are ISO 8601.
"""

from dataclasses import asdict
from datetime import datetime
from typing import TypeVar

from flask import Blueprint, jsonify, request
from pydantic import BaseModel, ConfigDict, Field, ValidationError
from werkzeug.wrappers import Response

from spoolkeep.domain.errors import BadInput
from spoolkeep.domain.words import Outcome, Purpose
from spoolkeep.services import bench, figures, finding, jobs
from spoolkeep.services.draws import MOST_DRAW_MG
from spoolkeep.services.jobs import FeedGrams, JobReport
from spoolkeep.store.acts import By
from spoolkeep.store.engine import Session
from spoolkeep.store.seeds import FIRST_ACTOR
from spoolkeep.web import doors

pages = Blueprint("api", __name__, url_prefix="/api")


class _Body(BaseModel):
    model_config = ConfigDict(extra="forbid")
    key: str = Field(min_length=1, max_length=200)


class ScanBody(_Body):
    """A scan as a script sends it."""

    code: str = Field(min_length=1, max_length=200)


class FeedDraw(BaseModel):
    """What one feed gave."""

    model_config = ConfigDict(extra="forbid")
    feed: str = Field(max_length=40)
    """The feed's label code."""
    drawn_mg: int = Field(gt=0, le=MOST_DRAW_MG, strict=True)


class JobBody(_Body):
    """A job that has ended, as a script reports it."""

    title: str = Field(min_length=1, max_length=200)
    outcome: Outcome = Outcome.GOOD
    purpose: Purpose = Purpose.SOLD
    ended_at: datetime | None = None
    feeds: list[FeedDraw] = Field(min_length=1, max_length=32)


@pages.post("/scans")
def scan() -> Response:
    """Take a scan."""
    body = _read(ScanBody)
    with doors.writing() as session:
        by = doors.by_station(session, body.key)
        answer = bench.scan(session=session, now=doors.now(), by=by, text=body.code)
    return jsonify(asdict(answer))


@pages.post("/jobs")
def report() -> Response:
    """Take a report of a job that has ended."""
    body = _read(JobBody)
    if body.ended_at is not None and body.ended_at.tzinfo is None:
        raise BadInput("naive_time", "ended_at must say its offset, like 2026-03-04T15:30:00+00:00.")
    by = By(actor_id=FIRST_ACTOR, key=body.key)
    with doors.writing() as session:
        answer = jobs.report_job(
            session=session,
            now=doors.now(),
            by=by,
            report=_job(session, body),
            outcome=body.outcome,
            ended_at=body.ended_at,
        )
    return jsonify(asdict(answer))


@pages.get("/stock")
def stock() -> Response:
    """Give days of stock by item."""
    with doors.reading() as session:
        return jsonify(figures.runout(session=session, now=doors.now()))


def _job(session: Session, body: JobBody) -> JobReport:
    feeds = [finding.feed_of(session, one.feed) for one in body.feeds]
    machines = {feed.machine_id for feed in feeds}
    if len(machines) > 1:
        raise BadInput("several_machines", "A job runs on one machine: report a job for each.")
    grams = tuple(FeedGrams(mg=one.drawn_mg, feed_id=feed.id) for one, feed in zip(body.feeds, feeds, strict=True))
    return JobReport(
        title=body.title, machine_id=machines.pop(), grams=grams, purpose=body.purpose, outside_id=body.key
    )


Body = TypeVar("Body", bound=_Body)


def _read(model: type[Body]) -> Body:
    try:
        return model.model_validate(request.get_json(silent=True) or {})
    except ValidationError as error:
        first = error.errors()[0]
        where = ".".join(str(part) for part in first["loc"]) or "body"
        raise BadInput("bad_body", f"{where}: {first['msg']}. Mend it and send it again.") from None
