"""The JSON doors of jobs: planned, from a motion file too, started, ended, or reported whole.

The app factory registers it with the others.
"""

from collections.abc import Callable, Sequence
from datetime import datetime
from http import HTTPStatus
from typing import Annotated, BinaryIO

from pydantic import BeforeValidator, Field
from pydantic_core import PydanticCustomError

from spoolkeep.domain.words import Cause, FailedWhen, Outcome, Purpose
from spoolkeep.services import jobs, motionfiles, reports
from spoolkeep.services.draws import MOST_DRAW_MG
from spoolkeep.services.endings import Early
from spoolkeep.services.joblist import g90_governs_e
from spoolkeep.services.jobs import JobAnswer, JobReport
from spoolkeep.services.motionfiles import MOST_TIMES, FilePlan, FilePlanned
from spoolkeep.services.reports import Ending, FeedAmount
from spoolkeep.web import doors
from spoolkeep.web.api import Code, Keyed, Line, Model, Moment, Whole, endpoints, pages, whole
from spoolkeep.web.openapi import OWN_CODE
from spoolkeep.web.patience import within_time

__all__ = ["endpoints", "pages"]

_MOST_MM, _MOST_MM3 = 100_000_000, 1_000_000_000
_MOST_SECONDS = 100 * 86_400
_MOST_LAYERS, _MOST_BYTES = 1_000_000, 10**12
_LOST = (HTTPStatus.NOT_FOUND, HTTPStatus.CONFLICT)

_Seconds = Annotated[int, Field(gt=0, le=_MOST_SECONDS, strict=True), BeforeValidator(whole)]
Name = Annotated[Line, Field(min_length=1, max_length=200)]


def _one_of(*names: str) -> Callable[[object], object]:
    """Give what refuses an object that does not say one of these, in a sentence."""

    def check(given: object) -> object:
        if isinstance(given, dict) and sum(given.get(name) is not None for name in names) != 1:
            listed = f"{', '.join(names[:-1])} and {names[-1]}"
            raise PydanticCustomError(f"{OWN_CODE}not_one", "Say one of {listed}", {"listed": listed})
        return given

    return check


class _OfFeed(Model):
    feed: Code = Field(max_length=40)
    """The feed's label code: F, six digits, two check digits."""
    cause: Cause | None = None
    """What it was for: good parts, or waste by its cause; by how the job ended where it is left out."""


class FeedMg(_OfFeed):
    """What one feed gave, weighed."""

    drawn_mg: Whole = Field(gt=0, le=MOST_DRAW_MG, strict=True)


class FeedMm(_OfFeed):
    """What one feed gave, in mm of filament; weighed by the density and diameter of what was loaded there then."""

    drawn_mm: float = Field(gt=0, le=_MOST_MM, allow_inf_nan=False)


class FeedMm3(_OfFeed):
    """What one feed gave, in mm³; weighed by the density of what was loaded there then."""

    drawn_mm3: float = Field(gt=0, le=_MOST_MM3, allow_inf_nan=False)


FeedDraw = Annotated[FeedMg | FeedMm | FeedMm3, BeforeValidator(_one_of("drawn_mg", "drawn_mm", "drawn_mm3"))]


class AtLayer(Model):
    """In a layer of the job's motion file, the first of which is 1."""

    layer: Whole = Field(ge=1, le=_MOST_LAYERS, strict=True)


class AtLine(Model):
    """After so many lines of the job's motion file."""

    line: Whole = Field(ge=0, le=_MOST_BYTES, strict=True)


class AtByte(Model):
    """After so many bytes of the job's motion file."""

    byte: Whole = Field(ge=0, le=_MOST_BYTES, strict=True)


class AtShare(Model):
    """At a share of the job's motion file, from 0 to 1."""

    share: float = Field(ge=0, le=1, allow_inf_nan=False)


class About(Model):
    """About when it failed, where nobody saw it."""

    about: FailedWhen


Place = Annotated[
    AtLayer | AtLine | AtByte | AtShare | About, BeforeValidator(_one_of("layer", "line", "byte", "share", "about"))
]


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
    seconds: _Seconds | None = None
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


class ResumeBody(Keyed):
    """A job that goes on."""

    job: Name
    """The code of its ticket, or its id in your program."""
    resumed_at: Moment | None = None


class EndBody(Keyed):
    """A job that ends: with what its feeds gave; or where it ended early; or, with neither, as it was planned."""

    job: Name
    """The code of its ticket, or its id in your program."""
    outcome: Outcome = Outcome.GOOD
    ended_at: Moment | None = None
    feeds: list[FeedDraw] = Field(default=[], max_length=32)
    at: Place | None = None
    """Where it ended early."""


class FileQuery(Keyed):
    """How a motion file is planned."""

    name: Name
    """The file's name."""
    machine: Name | None = None
    """The machine's name; tool 0 is its first feed."""
    title: Name | None = None
    job: Name | None = None
    """The job's own id in your program, under which its only run, printed once, is started and ended."""
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


@endpoints.declare("post", "/jobs/resume", body=ResumeBody, answers=JobAnswer, refusals=_LOST)
def resume(body: ResumeBody) -> JobAnswer:
    """Say that a job which was stopped, or failed, goes on.

    What it drew so far counts as good, and the rest is a job of its own under the same id.
    """
    by = doors.by_key(body.key)
    with doors.writing() as session:
        return reports.resume(session=session, now=doors.now(), by=by, job=body.job, resumed_at=body.resumed_at)


@endpoints.declare("post", "/motion-files", query=FileQuery, answers=FilePlanned, refusals=_LOST)
def motion_file(query: FileQuery, stream: BinaryIO) -> FilePlanned:
    """Plan a motion file: its plastic is metered from its moves, tool by tool.

    Send the file itself: G-code, gzip, binary, or a 3MF package, each run of which becomes a job.
    """
    by = doors.by_key(query.key)
    with doors.reading() as session:
        machine_id = reports.machine_named(session, query.machine) if query.machine else None
        governs = g90_governs_e(session=session, machine_id=machine_id)
    file = motionfiles.read(within_time(stream), name=query.name, g90_governs_e=governs)
    told = FilePlan(
        title=query.title or "",
        machine_id=machine_id,
        purpose=query.purpose,
        times=query.times,
        outside_id=query.job,
    )
    with doors.writing() as session:
        return motionfiles.plan_file(session=session, now=doors.now(), by=by, file=file, plan=told)


def _amounts(feeds: Sequence[FeedMg | FeedMm | FeedMm3]) -> list[FeedAmount]:
    return [
        FeedAmount(
            one.feed,
            mg=one.drawn_mg if isinstance(one, FeedMg) else None,
            mm=one.drawn_mm if isinstance(one, FeedMm) else None,
            mm3=one.drawn_mm3 if isinstance(one, FeedMm3) else None,
            cause=one.cause,
        )
        for one in feeds
    ]


def _at(given: datetime | None) -> datetime:
    return given or doors.now()


def _early(body: EndBody) -> Early | None:
    if body.at is None:
        return None
    return Early(when=body.at.about) if isinstance(body.at, About) else Early(point=body.at.model_dump())
