"""The JSON doors of jobs: planned, from a motion file too, started, ended, or reported whole.

The app factory registers it with the others.
"""

from datetime import datetime
from http import HTTPStatus
from typing import Annotated, BinaryIO

from pydantic import Field

from spoolkeep.domain.errors import BadInput
from spoolkeep.domain.words import FailedWhen, Outcome, Purpose
from spoolkeep.services import jobs, motionfiles, reports
from spoolkeep.services.draws import MOST_DRAW_MG
from spoolkeep.services.endings import Early
from spoolkeep.services.joblist import g90_governs_e
from spoolkeep.services.jobs import JobAnswer, JobReport
from spoolkeep.services.motionfiles import MOST_TIMES, FilePlan, FilePlanned
from spoolkeep.services.reports import Ending, FeedAmount
from spoolkeep.web import doors
from spoolkeep.web.api import Code, Keyed, Line, Model, Moment, Whole, endpoints, pages

__all__ = ["pages"]

_MOST_MM, _MOST_MM3 = 100_000_000, 1_000_000_000
_MOST_SECONDS = 100 * 86_400
_LOST = (HTTPStatus.NOT_FOUND, HTTPStatus.CONFLICT)

Name = Annotated[Line, Field(min_length=1, max_length=200)]


class FeedDraw(Model):
    """What one feed gave or needs: one of milligrams, mm of filament and mm³."""

    feed: Code = Field(max_length=40)
    """The feed's label code: F, six digits, two check digits."""
    drawn_mg: Whole | None = Field(default=None, gt=0, le=MOST_DRAW_MG, strict=True)
    drawn_mm: float | None = Field(default=None, gt=0, le=_MOST_MM, strict=True, allow_inf_nan=False)
    """Weighed by the density and diameter of what was loaded there at the job's end."""
    drawn_mm3: float | None = Field(default=None, gt=0, le=_MOST_MM3, strict=True, allow_inf_nan=False)

    def amount(self) -> FeedAmount:
        """Give it as the services know it."""
        return FeedAmount(self.feed, self.drawn_mg, self.drawn_mm, self.drawn_mm3)


class JobBody(Keyed):
    """A job that has ended, as a script reports it."""

    title: Name
    job: Name | None = None
    """The job's own id in your program; a job that was planned or started under it ends."""
    outcome: Outcome = Outcome.GOOD
    purpose: Purpose = Purpose.SOLD
    started_at: Moment | None = None
    """When it began; a spool that was changed since shares the draw."""
    ended_at: Moment | None = None
    """When it ended, with its offset, in 2000 or later and not ahead of now; now where it is left out."""
    feeds: list[FeedDraw] = Field(min_length=1, max_length=32)
    """What each feed gave. All belong to one machine."""


class PlanBody(Keyed):
    """A job to come."""

    title: Name
    job: Name | None = None
    """The job's own id in your program, under which it is started and ended."""
    purpose: Purpose = Purpose.SOLD
    due_at: Moment | None = None
    seconds: Whole | None = Field(default=None, gt=0, le=_MOST_SECONDS, strict=True)
    """How long it runs."""
    feeds: list[FeedDraw] = Field(min_length=1, max_length=32)
    """What each feed will give."""


class StartBody(Keyed):
    """A job that begins."""

    job: Name
    """The code of its ticket, or its id in your program."""
    machine: Name | None = None
    """The machine's name, where the job has none yet."""
    started_at: Moment | None = None


class PointBody(Model):
    """A point of the job's motion file; one of these."""

    layer: Whole | None = Field(default=None, ge=1, le=1_000_000, strict=True)
    line: Whole | None = Field(default=None, ge=0, le=10**12, strict=True)
    byte: Whole | None = Field(default=None, ge=0, le=10**12, strict=True)
    share: float | None = Field(default=None, ge=0, le=1, strict=True, allow_inf_nan=False)


class EndBody(Keyed):
    """A job that ends: with what its feeds gave; or where it ended early; or, with neither, as it was planned."""

    job: Name
    """The code of its ticket, or its id in your program."""
    outcome: Outcome = Outcome.GOOD
    ended_at: Moment | None = None
    feeds: list[FeedDraw] = Field(default=[], max_length=32)
    at: PointBody | None = None
    """Where it ended early."""
    about: FailedWhen | None = None
    """About when it failed, where nobody saw it."""


class FileQuery(Keyed):
    """How a motion file is planned."""

    name: Name
    """The file's name."""
    machine: Name | None = None
    """The machine's name; tool 0 is its first feed."""
    title: Name | None = None
    times: int = Field(default=1, ge=1, le=MOST_TIMES)
    purpose: Purpose = Purpose.SOLD


@endpoints.declare("post", "/jobs", body=JobBody, answers=JobAnswer, refusals=_LOST)
def report(body: JobBody) -> JobAnswer:
    """Take a report of a job that has ended.

    What its feeds gave is drawn from the spools that were on them while it ran. Of two reports of one job's end the
    first stands, and the second is a conflict.
    """
    by = doors.by_key(body.key)
    with doors.writing() as session:
        machine_id, grams = reports.grams_of(session, _amounts(body.feeds), at=_at(body.ended_at))
        told = JobReport(
            title=body.title,
            machine_id=machine_id,
            grams=grams,
            purpose=body.purpose,
            started_at=body.started_at,
            outside_id=body.job,
        )
        return jobs.report_job(
            session=session, now=doors.now(), by=by, report=told, outcome=body.outcome, ended_at=body.ended_at
        )


@endpoints.declare("post", "/jobs/plan", body=PlanBody, answers=JobAnswer, refusals=_LOST)
def plan(body: PlanBody) -> JobAnswer:
    """Plan a job: its grams are committed."""
    by = doors.by_key(body.key)
    with doors.writing() as session:
        machine_id, grams = reports.grams_of(session, _amounts(body.feeds), at=doors.now())
        told = JobReport(
            title=body.title,
            machine_id=machine_id,
            grams=grams,
            purpose=body.purpose,
            due_at=body.due_at,
            duration_s=body.seconds,
            outside_id=body.job,
        )
        return jobs.plan_job(session=session, now=doors.now(), by=by, report=told)


@endpoints.declare("post", "/jobs/start", body=StartBody, answers=JobAnswer, refusals=_LOST)
def start(body: StartBody) -> JobAnswer:
    """Say that a job began. A start that comes after the job's end only adds when it began."""
    by = doors.by_key(body.key)
    with doors.writing() as session:
        return reports.start(
            session=session,
            now=doors.now(),
            by=by,
            job=body.job,
            started_at=body.started_at,
            machine=body.machine,
        )


@endpoints.declare("post", "/jobs/end", body=EndBody, answers=JobAnswer, refusals=_LOST)
def end(body: EndBody) -> JobAnswer:
    """Say that a job ended.

    Give what its feeds gave, or where it ended early: a point of its motion file, or about when. With neither, all that
    it needs is drawn.
    """
    by = doors.by_key(body.key)
    ending = Ending(outcome=body.outcome, feeds=tuple(_amounts(body.feeds)), early=_early(body), ended_at=body.ended_at)
    with doors.writing() as session:
        return reports.end(session=session, now=doors.now(), by=by, job=body.job, ending=ending)


@endpoints.declare("post", "/motion-files", query=FileQuery, answers=FilePlanned, refusals=_LOST)
def motion_file(query: FileQuery, stream: BinaryIO) -> FilePlanned:
    """Plan a motion file: its plastic is metered from its moves, tool by tool.

    Send the file itself: G-code, gzip, binary, or a 3MF package, each run of which becomes a job.
    """
    by = doors.by_key(query.key)
    with doors.reading() as session:
        machine_id = reports.machine_named(session, query.machine) if query.machine else None
        governs = g90_governs_e(session=session, machine_id=machine_id)
    file = motionfiles.read(stream, name=query.name, g90_governs_e=governs)
    told = FilePlan(title=query.title or "", machine_id=machine_id, purpose=query.purpose, times=query.times)
    with doors.writing() as session:
        return motionfiles.plan_file(session=session, now=doors.now(), by=by, file=file, plan=told)


def _amounts(feeds: list[FeedDraw]) -> list[FeedAmount]:
    return [one.amount() for one in feeds]


def _at(given: datetime | None) -> datetime:
    return given or doors.now()


def _early(body: EndBody) -> Early | None:
    if body.at is None:
        return None if body.about is None else Early(when=body.about)
    if body.about is not None:
        raise BadInput("several_points", "Say where it ended once: at a point, or about when.")
    return Early(point={name: value for name, value in body.at.model_dump().items() if value is not None})
