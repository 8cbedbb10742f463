"""A dropped motion file becomes jobs: what they need, what was drawn by a point, and never twice."""

import io
import math
import zipfile
from collections import Counter
from collections.abc import Mapping
from datetime import datetime

import pytest
from sqlalchemy import select
from sqlmodel import col

from spoolkeep.domain.cards import Card
from spoolkeep.domain.codes import Code, CodeKind
from spoolkeep.domain.errors import BadInput, Conflict, NotFound
from spoolkeep.domain.words import FailedWhen, JobState, Kind, Outcome, TimeFrom
from spoolkeep.services import bench, catalogue, endings, joblist, jobs, motionfiles, reports, spools, stock, undoing
from spoolkeep.services.endings import Early
from spoolkeep.services.jobs import FeedGrams, JobAnswer
from spoolkeep.services.motionfiles import FilePlan, FilePlanned, ReadFile
from spoolkeep.services.reports import Ending
from spoolkeep.store.acts import By
from spoolkeep.store.engine import Store
from spoolkeep.store.proof import differences
from spoolkeep.store.seeds import FIRST_ACTOR
from spoolkeep.store.tables import Job, JobFeed, MotionFile, Movement
from tests.workshop import TestWorkshop, by, station_at

LAYERS = 10
PROGRAM = "M83\n" + "".join(
    f";LAYER_CHANGE\nT0\nG1 X1 Y1 E{number * 100} F600\nT1\nG1 X2 Y2 E100\n" for number in range(1, LAYERS + 1)
)
"""Tool 0 draws 100 mm on the first layer and 1,000 on the last, 5,500 in all; tool 1 draws 100 on each."""


@pytest.fixture
def shop(store: Store, now: datetime) -> TestWorkshop:
    """Give a workshop with black on the first feed and white on the second."""
    made = TestWorkshop(store, now)
    for article in (0, 1):
        code = made.deliver(article=article)[0]
        for text in (code, made.feeds[article]):
            with store.write() as session:
                who = By(FIRST_ACTOR, by().key, station_id=station_at(session, now))
                bench.scan(session=session, now=now, by=who, text=text)
    return made


def read(program: str = PROGRAM, name: str = "vase.gcode") -> ReadFile:
    return motionfiles.read(io.BytesIO(program.encode()), name=name)


def plan(shop: TestWorkshop, file: ReadFile | None = None, *, key: By | None = None, **how: object) -> FilePlanned:
    how.setdefault("machine_id", 1)
    told = FilePlan(**how)  # type: ignore[arg-type] # as the tests give them
    return shop.do(
        lambda s: motionfiles.plan_file(session=s, now=shop.now, by=key or by(), file=file or read(), plan=told)
    )


def needs(shop: TestWorkshop, job_id: int) -> list[tuple[int | None, int | None, object]]:
    with shop.store.read() as session:
        rows = session.scalars(select(JobFeed).where(col(JobFeed.job_id) == job_id).order_by(col(JobFeed.id)))
        return [(one.tool, one.feed_id, one.needs_mg) for one in rows]


def end(shop: TestWorkshop, job_id: int, early: Early, outcome: Outcome = Outcome.FAILED) -> JobAnswer:
    return shop.do(
        lambda s: endings.end_early(session=s, now=shop.now, by=by(), job_id=job_id, outcome=outcome, early=early)
    )


def job_of(shop: TestWorkshop, job_id: int) -> Job:
    with shop.store.read() as session:
        job = session.get_one(Job, job_id)
        session.expunge(job)
        return job


MG_PER_M = math.pi / 4 * 1.75**2 * 1240
"""Of a plastic of 1.24 g/cm3, 1.75 mm thick; 335.28 m to a kilogram. Source: geometry."""


def test_a_file_becomes_a_job_whose_tools_are_the_machines_feeds(shop: TestWorkshop) -> None:
    planned = plan(shop)
    (job_id,) = planned.job_ids
    assert needs(shop, job_id) == [
        (0, 1, pytest.approx(5.5 * MG_PER_M, abs=1)),
        (1, 2, pytest.approx(1.0 * MG_PER_M, abs=1)),
    ]
    job = job_of(shop, job_id)
    assert (job.title, job.state) == ("vase", JobState.PLANNED)
    with shop.store.read() as session:
        file = session.get_one(MotionFile, job.motion_file_id)
        assert (file.layers, file.seconds_from, job.duration_s) == (LAYERS, TimeFrom.MOVES, file.seconds)
        rows = stock.rows(session=session, now=shop.now)
        assert sum(row.committed_mg for row in rows) == planned.needs_mg


def test_a_file_planned_several_times_is_read_once(shop: TestWorkshop) -> None:
    assert len(plan(shop, times=3).job_ids) == 3
    plan(shop)
    with shop.store.read() as session:
        assert len(session.scalars(select(MotionFile)).all()) == 1
    for times in (0, 201):
        with pytest.raises(BadInput, match="1 to 200 times"):
            plan(shop, times=times)


def test_the_same_press_plans_once(shop: TestWorkshop) -> None:
    key = by()
    assert plan(shop, key=key) == plan(shop, key=key)
    with pytest.raises(Conflict):
        plan(shop, read(PROGRAM + "G1 E1\n"), key=key)


def test_planning_is_undone_whole(shop: TestWorkshop) -> None:
    planned = plan(shop, times=2)
    shop.do(lambda s: undoing.undo_act(session=s, now=shop.now, by=by(), act_id=planned.act_id))
    with shop.store.read() as session:
        assert not [job for job in session.scalars(select(Job)) if job.live]
        assert sum(row.committed_mg for row in stock.rows(session=session, now=shop.now)) == 0


def test_the_runs_of_a_package_are_jobs_of_their_own(shop: TestWorkshop) -> None:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as package:
        for number in (1, 2):
            package.writestr(f"Metadata/run_{number}.gcode", f"M83\nG1 X1 E{number * 1000}\n")
    planned = plan(shop, motionfiles.read(out, name="C:\\parts\\set.3mf"))
    assert [job_of(shop, number).title for number in planned.job_ids] == ["set, run 1 of 2", "set, run 2 of 2"]
    assert [needs(shop, number)[0][2] for number in planned.job_ids] == [
        pytest.approx(MG_PER_M, abs=1),
        pytest.approx(2 * MG_PER_M, abs=1),
    ]


def test_without_a_machine_the_items_are_said_and_the_feeds_follow_when_it_starts(shop: TestWorkshop) -> None:
    with pytest.raises(Conflict, match="which item tool 0 prints with"):
        plan(shop, machine_id=None)
    items = ((0, shop.articles[1]), (1, shop.articles[0]))
    (job_id,) = plan(shop, machine_id=None, items=items).job_ids
    assert [feed for _, feed, _ in needs(shop, job_id)] == [None, None]
    shop.do(lambda s: jobs.start_job(session=s, now=shop.now, by=by(), job_id=job_id, machine_id=1))
    assert [(tool, feed) for tool, feed, _ in needs(shop, job_id)] == [(0, 1), (1, 2)]


def test_a_tool_that_the_machine_lacks_is_refused(shop: TestWorkshop) -> None:
    with pytest.raises(Conflict, match="tool 4, and Larch has tools 0 to 1"):
        plan(shop, read("M83\nT4\nG1 X1 E5\n"))
    with pytest.raises(NotFound, match="no such machine"):
        plan(shop, machine_id=99)


@pytest.mark.parametrize(
    ("point", "tool_0", "tool_1"),
    [
        ({"layer": 1}, 0.05, 0.05),
        ({"layer": 10}, 5.0, 0.95),
        ({"share": 1.0}, 5.5, 1.0),
        ({"share": 0.0}, 0.0, 0.0),
        ({"line": 1 + 5 * 5}, 1.5, 0.5),
        ({"byte": len(PROGRAM)}, 5.5, 1.0),
    ],
)
def test_a_job_that_failed_at_a_point_is_charged_what_it_drew_by_then(
    shop: TestWorkshop, point: Mapping[str, float], tool_0: float, tool_1: float
) -> None:
    (job_id,) = plan(shop).job_ids
    answer = end(shop, job_id, Early(point=point))
    assert answer.drawn_mg == pytest.approx((tool_0 + tool_1) * MG_PER_M, abs=3)
    job = job_of(shop, job_id)
    assert job.failed_at_ppm == job.failed_from_ppm == job.failed_until_ppm
    assert job.failed_at_ppm == pytest.approx((tool_0 + tool_1) / 6.5 * 1e6, abs=500)


@pytest.mark.parametrize(
    ("when", "low", "high"),
    [
        (FailedWhen.EARLY, 0.0, 1 / 3),
        (FailedWhen.HALF, 1 / 3, 2 / 3),
        (FailedWhen.LATE, 2 / 3, 1.0),
        (FailedWhen.RAN_ON, 1.0, 1.0),
        (FailedWhen.UNKNOWN, 0.0, 1.0),
    ],
)
def test_about_when_a_job_failed_is_an_interval_of_its_plastic_and_its_middle_is_booked(
    shop: TestWorkshop, when: FailedWhen, low: float, high: float
) -> None:
    *known, job_id = plan(shop, times=4).job_ids
    for number, share in zip(known, (low, (low + high) / 2, high), strict=True):
        end(shop, number, Early(point={"share": share}))
    answer = end(shop, job_id, Early(when=when))
    job = job_of(shop, job_id)
    bounds = [job_of(shop, number).failed_at_ppm for number in known]
    assert [job.failed_from_ppm, job.failed_at_ppm, job.failed_until_ppm] == bounds
    assert answer.drawn_mg == pytest.approx(6.5 * MG_PER_M * (job.failed_at_ppm or 0) / 1e6, abs=2)
    with shop.store.read() as session:
        assert list(differences(session)) == []


def test_a_point_that_cannot_be_is_refused(shop: TestWorkshop) -> None:
    (job_id,) = plan(shop).job_ids
    for early, says in (
        (Early(), "Say where it ended"),
        (Early(point={"layer": 1}, when=FailedWhen.HALF), "Say where it ended"),
        (Early(point={"layer": 11}), "layers 1 to 10"),
        (Early(point={"share": 1.5}), "between 0 and 100"),
        (Early(point={"layer": 1, "line": 2}), "one point"),
    ):
        with pytest.raises((BadInput, NotFound), match=says):
            end(shop, job_id, early)
    with pytest.raises(Conflict, match="good job is whole"):
        end(shop, job_id, Early(when=FailedWhen.HALF), Outcome.GOOD)
    assert job_of(shop, job_id).state == JobState.PLANNED


def test_a_job_without_a_file_is_charged_a_share_of_what_it_needs(shop: TestWorkshop) -> None:
    report = jobs.JobReport("Hook", 1, (jobs.FeedGrams(40_000, feed_id=1),))
    job_id = shop.do(lambda s: jobs.plan_job(session=s, now=shop.now, by=by(), report=report)).job_id
    with pytest.raises(Conflict, match="no motion file"):
        end(shop, job_id, Early(point={"layer": 3}))
    assert end(shop, job_id, Early(point={"share": 0.25})).drawn_mg == 10_000


def test_a_weighing_after_it_settles_what_nobody_saw(shop: TestWorkshop) -> None:
    (job_id,) = plan(shop).job_ids
    end(shop, job_id, Early(when=FailedWhen.UNKNOWN))
    with shop.store.read() as session:
        (black,) = (one.code for one in stock.spools_of(session=session, article_id=shop.articles[0]))
    answer = shop.do(lambda s: spools.weigh(session=s, now=shop.now, by=by(), spool_code=black, gross_mg=1_190_000))
    assert answer.left_mg == 990_000


def test_a_ticket_with_digits_is_charged_by_the_file_too(shop: TestWorkshop) -> None:
    job_id, other = plan(shop, times=2).job_ids
    with shop.store.write() as session:
        session.get_one(Job, job_id).serial = 9
    for text in (Code(CodeKind.JOB, 9), Card("5").code, Card("0").code, Card.CAME_OFF_BAD.code):
        with shop.store.write() as session:
            who = By(FIRST_ACTOR, by().key, station_id=station_at(session, shop.now))
            bench.scan(session=session, now=shop.now, by=who, text=text.text)
    end(shop, other, Early(point={"share": 0.5}))
    one, same = job_of(shop, job_id), job_of(shop, other)
    assert one.failed_at_ppm == same.failed_at_ppm
    assert one.failed_at_ppm != 500_000, "half of the file is less than half of its plastic"


def test_same_again_prints_the_same_file(shop: TestWorkshop) -> None:
    (job_id,) = plan(shop).job_ids
    end(shop, job_id, Early(when=FailedWhen.HALF))
    with shop.store.write() as session:
        who = By(FIRST_ACTOR, by().key, station_id=station_at(session, shop.now))
        bench.scan(session=session, now=shop.now, by=who, text=Card.SAME_AGAIN.code.text)
    with shop.store.write() as session:
        who = By(FIRST_ACTOR, by().key, station_id=station_at(session, shop.now))
        bench.scan(session=session, now=shop.now, by=who, text=shop.feeds[0])
    with shop.store.read() as session:
        again = session.scalars(select(Job).where(col(Job.again_of_id) == job_id)).one()
        assert again.motion_file_id == session.get_one(Job, job_id).motion_file_id
    assert needs(shop, again.id) == needs(shop, job_id)


def test_a_machine_whose_g90_governs_extrusion_is_metered_so(shop: TestWorkshop) -> None:
    shop.do(
        lambda s: catalogue.add_machine(session=s, now=shop.now, by=by(), name="Birch", feeds=1, g90_governs_e=True)
    )
    with shop.store.read() as session:
        assert [joblist.g90_governs_e(session=session, machine_id=number) for number in (1, 2, None)] == [
            False,
            True,
            False,
        ]


TOWER = "M83\n;TYPE:Skirt\nG1 X1 E200\n;TYPE:Infill\nG1 X1 E2000\n;TYPE:Wipe tower\nG1 X1 E600\n"


def causes(shop: TestWorkshop, job_id: int) -> dict[str, int]:
    query = select(Movement).where(col(Movement.job_id) == job_id, col(Movement.kind) == Kind.DRAW)
    with shop.store.read() as session:
        found = Counter[str]()
        for row in session.scalars(query):
            found[row.cause or ""] -= row.sign * (row.asked_mg or 0)
    return dict(found)


@pytest.mark.parametrize("said", ["nothing", "the grams of its feed"])
def test_a_tower_and_a_skirt_are_waste_by_cause_whoever_ends_the_job(shop: TestWorkshop, said: str) -> None:
    job_id = plan(shop, read(TOWER), outside_id="night 9").job_ids[0]
    if said == "nothing":
        shop.do(lambda s: reports.end(session=s, now=shop.now, by=by(), job="night 9", ending=Ending()))
    else:
        mg = sum(mg for _, _, mg in needs(shop, job_id) if isinstance(mg, int))
        grams = [FeedGrams(mg, feed_id=1)]
        shop.do(
            lambda s: jobs.end_job(session=s, now=shop.now, by=by(), job_id=job_id, outcome=Outcome.GOOD, grams=grams)
        )
    found = causes(shop, job_id)
    assert set(found) == {"good", "purge", "prime"}
    assert found["good"] == pytest.approx(10 * found["prime"], abs=10)
    assert found["purge"] == pytest.approx(3 * found["prime"], abs=5)
