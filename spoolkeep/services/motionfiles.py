"""Motion files: read and metered outside the books, planned as jobs, and asked what was drawn by a point of them.

The web's Jobs page, its JSON doors and the command line call it. The file itself is not kept: its figures are.
"""

import hashlib
import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import PurePath
from typing import BinaryIO

from sqlalchemy import select
from sqlalchemy.orm import Session
from sqlmodel import col

from spoolkeep.domain.course import Course, Point, thinned
from spoolkeep.domain.errors import BadInput, Conflict, NotFound
from spoolkeep.domain.geometry import mg_of
from spoolkeep.domain.motionfile import Run, runs_in
from spoolkeep.domain.split import largest_remainders
from spoolkeep.domain.words import Cause, Purpose
from spoolkeep.services import finding
from spoolkeep.services.finding import Item
from spoolkeep.services.jobs import FeedGrams, JobReport, enter_within
from spoolkeep.services.loadings import loaded_on
from spoolkeep.store.acts import By, once
from spoolkeep.store.journal import create
from spoolkeep.store.tables import Act, Feed, Machine, MotionFile, MotionTool, Spool

MOST_TIMES = 200
_KEPT_POINTS = 400
"""Of a file's course; between two of them what was drawn is taken to grow evenly."""
_UM_PER_MM, _UM_PER_M = 1000, 1_000_000
_LONGEST_NAME = 200


@dataclass(frozen=True)
class ReadFile:
    """A motion file as it was read: its name, the SHA-256 of its bytes, and its runs."""

    name: str
    sha256: str
    g90_governs_e: bool
    runs: tuple[Run, ...]


@dataclass(frozen=True)
class FilePlan:
    """How a file is to be printed."""

    title: str = ""
    """The file's name where it is empty."""
    machine_id: int | None = None
    product_id: int | None = None
    purpose: Purpose = Purpose.SOLD
    due_at: datetime | None = None
    times: int = 1
    """How often each run is planned."""
    outside_id: str | None = None
    """The id by which another program knows the job, where the file becomes only one."""
    items: tuple[tuple[int, int], ...] = ()
    """The item of a tool, by number; else what is loaded now on the machine's feed of that tool."""


@dataclass(frozen=True)
class FilePlanned:
    """The jobs that a file became, and what they need together."""

    act_id: int
    job_ids: tuple[int, ...]
    needs_mg: int
    notes: tuple[str, ...] = ()


def read(stream: BinaryIO, *, name: str, g90_governs_e: bool = False) -> ReadFile:
    """Read and meter a motion file, which takes its time: do it outside every session. Errors: BadInput."""
    digest = hashlib.file_digest(stream, "sha256").hexdigest()  # type: ignore[arg-type] # it reads as one
    stream.seek(0)
    runs = tuple(runs_in(stream, name=name, g90_governs_e=g90_governs_e, timed=True))
    return ReadFile(PurePath(name.replace("\\", "/")).name[:_LONGEST_NAME], digest, g90_governs_e, runs)


def plan_file(*, session: Session, now: datetime, by: By, file: ReadFile, plan: FilePlan) -> FilePlanned:
    """Plan a motion file's runs as jobs; their grams are committed.

    Tool 0 is the machine's first feed, tool 1 its second. Errors: BadInput where it is planned too often;
    Conflict where a tool's item is not known or the machine has too few feeds; NotFound.
    """

    def do(act: Act) -> FilePlanned:
        if not 1 <= plan.times <= MOST_TIMES:
            raise BadInput("too_often", f"A file is planned 1 to {MOST_TIMES} times at once.")
        if plan.outside_id and plan.times * len(file.runs) > 1:
            raise Conflict("several_jobs", "The file becomes several jobs, which cannot share one id. Leave it out.")
        job_ids, needs_mg = [], 0
        for run in file.runs:
            row = _keep(session, act, file, run)
            grams = _needs(session, run, plan)
            report = _report(file, run, plan, grams)
            for _ in range(plan.times):
                job_ids.append(enter_within(session, act, report, motion_file_id=row.id, planned_at=now).id)
                needs_mg += sum(one.mg for one in grams)
        notes = tuple(dict.fromkeys(note for run in file.runs for note in run.metered.notes))
        return FilePlanned(act.id, tuple(job_ids), needs_mg, notes)

    request = {"sha256": file.sha256, "g90_governs_e": file.g90_governs_e, "plan": plan}
    about = plan.title or file.name
    return once(session, "plan file", by=by, now=now, request=request, answers=FilePlanned, about=about, do=do)


def _report(file: ReadFile, run: Run, plan: FilePlan, grams: tuple[FeedGrams, ...]) -> JobReport:
    title = plan.title.strip() or PurePath(file.name).stem
    return JobReport(
        title=title if run.of == 1 else f"{title}, run {run.number} of {run.of}",
        machine_id=plan.machine_id,
        grams=grams,
        product_id=plan.product_id,
        purpose=plan.purpose,
        due_at=plan.due_at,
        duration_s=run.seconds,
        outside_id=plan.outside_id,
    )


def _um(run: Run) -> dict[int, int]:
    return {tool: round(mm * _UM_PER_MM) for tool, mm in run.metered.mm.items()}


def _keep(session: Session, act: Act, file: ReadFile, run: Run) -> MotionFile:
    """Give the row of a run, made where the same file was not read before in the same way."""
    query = select(MotionFile).where(
        col(MotionFile.live),
        col(MotionFile.sha256) == file.sha256,
        col(MotionFile.run) == run.number,
        col(MotionFile.g90_governs_e) == file.g90_governs_e,
    )
    known = session.scalars(query).first()
    if known is not None:
        return known
    row = MotionFile(
        name=run.name or file.name,
        sha256=file.sha256,
        run=run.number,
        of=run.of,
        g90_governs_e=file.g90_governs_e,
        lines=run.metered.lines,
        layers=run.metered.course.layers,
        seconds=run.seconds,
        seconds_from=run.time_from,
        course=_written(run.metered.course),
        notes="\n".join(run.metered.notes),
    )
    create(session, act, row)
    for tool, um in _um(run).items():
        create(session, act, MotionTool(motion_file_id=row.id, tool=tool, um=um))
    return row


def _written(course: Course) -> str:
    points = [
        [point.byte, point.line, point.layer, {tool: round(mm * _UM_PER_MM) for tool, mm in point.mm.items()}]
        for point in thinned(course.points, _KEPT_POINTS)
    ]
    return json.dumps(points, separators=(",", ":"))


def course_of(file: MotionFile) -> Course:
    """Give the course of a file that was metered."""
    return Course(
        tuple(
            Point(byte, line, layer, {int(tool): um / _UM_PER_MM for tool, um in drawn.items()})
            for byte, line, layer, drawn in json.loads(file.course)
        )
    )


def mg_of_um(um: int, item: Item) -> int:
    """Give what so many micrometres of an item's plastic weigh. Source: geometry."""
    return mg_of(um / _UM_PER_M, density_mg_per_cm3=item.density_mg_per_cm3, diameter_um=item.diameter_um)


def _needs(session: Session, run: Run, plan: FilePlan) -> tuple[FeedGrams, ...]:
    """Give what each tool needs, on its feed where the machine is known. A tool that gives nothing needs nothing.

    What the file's comments call a tower or a skirt is needed too, and waste by its cause.
    """
    feeds = _feeds_of(session, plan.machine_id)
    found: list[FeedGrams] = []
    for tool, um in sorted(_um(run).items()):
        if um > 0:
            found += _by_cause(_need(session, (tool, um), feeds, plan), um, run.metered.waste)
    return tuple(found)


def _by_cause(need: FeedGrams, um: int, waste: Mapping[Cause, Mapping[int, float]]) -> list[FeedGrams]:
    """Share what a tool needs between what is good and what is wasted, by cause."""
    rest, wasted = um, {}
    for cause, mm in waste.items():
        wasted[cause] = min(rest, round(mm.get(need.tool or 0, 0.0) * _UM_PER_MM))
        rest -= wasted[cause]
    parts = largest_remainders(need.mg, [rest, *wasted.values()])
    return [replace(need, mg=mg, cause=cause) for mg, cause in zip(parts, [None, *wasted], strict=True) if mg]


def _need(session: Session, drawn: tuple[int, int], feeds: Sequence[Feed] | None, plan: FilePlan) -> FeedGrams:
    tool, um = drawn
    if feeds is not None and tool >= len(feeds):
        machine = session.get_one(Machine, plan.machine_id)
        words = (
            f"The file uses tool {tool}, and {machine.name} has tools 0 to {len(feeds) - 1}. Choose another machine."
        )
        raise Conflict("no_such_feed", words)
    feed = feeds[tool] if feeds is not None else None
    item = _item_of(session, tool, feed, dict(plan.items))
    mg = max(1, mg_of_um(um, item))
    return FeedGrams(mg, feed_id=feed.id if feed else None, article_id=item.article_id, tool=tool)


def _feeds_of(session: Session, machine_id: int | None) -> Sequence[Feed] | None:
    if machine_id is None:
        return None
    machine = session.get(Machine, machine_id)
    if machine is None or not machine.live:
        raise NotFound("no_such_machine", "There is no such machine. Choose one from the list.")
    query = select(Feed).where(col(Feed.machine_id) == machine_id, col(Feed.live)).order_by(col(Feed.position))
    return session.scalars(query).all()


def _item_of(session: Session, tool: int, feed: Feed | None, items: Mapping[int, int]) -> Item:
    if tool in items:
        return finding.item(session, items[tool])
    loading = loaded_on(session, feed.id) if feed else None
    if loading is None:
        where = f": nothing is loaded on {finding.feed_name(session, feed)}" if feed else ""
        raise Conflict(
            "no_item", f"Say which item tool {tool} prints with{where}. Its density turns length into grams."
        )
    return finding.item(session, session.get_one(Spool, loading.spool_id).article_id)


def shares_by(course: Course, point: Mapping[str, float]) -> dict[int | None, float]:
    """Give the share of each tool's plastic that was drawn by a point: one of layer, line, byte or share.

    Errors: BadInput where the file has no such point.
    """
    (what, value), *more = point.items()
    if more:
        raise BadInput("several_points", "Say one point: a layer, a line, a byte, or a share of the file.")
    whole = course.points[-1].mm
    drawn = course.at_share(value) if what == "share" else getattr(course, f"at_{what}")(int(value))
    return dict(_shares(drawn, whole))


def _shares(drawn: Mapping[int, float], whole: Mapping[int, float]) -> Iterator[tuple[int | None, float]]:
    for tool, mm in whole.items():
        yield tool, max(0.0, drawn.get(tool, 0.0)) / mm if mm > 0 else 0.0
