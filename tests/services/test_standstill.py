"""Stops that open and close by themselves, and what a person says of them."""

from datetime import datetime, timedelta

import pytest
from sqlalchemy import event, select
from sqlmodel import col

from spoolkeep.domain.errors import BadInput, Conflict
from spoolkeep.domain.words import Outcome
from spoolkeep.services import asides, catalogue, choices, itemcare, jobs, machines, standstill, stops, today, undoing
from spoolkeep.services.jobs import FeedGrams, JobReport
from spoolkeep.services.machines import MachineEntry
from spoolkeep.services.stops import StopView
from spoolkeep.store.engine import Store
from spoolkeep.store.proof import differences
from spoolkeep.store.tables import Act, Stop
from tests.workshop import TestWorkshop, by

HOUR, MINUTE = timedelta(hours=1), timedelta(minutes=1)


@pytest.fixture
def shop(store: Store, now: datetime) -> TestWorkshop:
    return TestWorkshop(store, now)


def white(shop: TestWorkshop, grams: int = 200) -> FeedGrams:
    """Give grams of white."""
    return FeedGrams(grams * 1000, article_id=shop.articles[1])


def look(shop: TestWorkshop, at: datetime | None = None) -> int:
    """Look once; give how many stops were opened or closed."""
    return standstill.look_at_all(shop.store, now=at or shop.now)


def stood(shop: TestWorkshop) -> list[StopView]:
    """Give the stops, those that last first."""
    with shop.store.read() as session:
        assert list(differences(session)) == []
        return stops.recent(session=session)


def lasting(shop: TestWorkshop) -> list[StopView]:
    """Give the stops that last."""
    return [one for one in stood(shop) if one.until_at is None]


def call_off(shop: TestWorkshop, job_id: int, at: datetime) -> None:
    """Call a job off."""
    stopped = Outcome.STOPPED
    shop.do(lambda s: jobs.end_job(session=s, now=at, by=by(), job_id=job_id, outcome=stopped, grams=[]))


def no_stop(shop: TestWorkshop, stop_id: int, at: datetime) -> int:
    """Say that a stop was none; give the act."""
    return shop.do(lambda s: stops.was_none(session=s, now=at, by=by(), stop_id=stop_id)).act_id


# ------------------------------------------------------------------ it opens


def test_a_stop_opens_when_a_job_is_due_and_no_spool_of_its_item_is_held(shop: TestWorkshop) -> None:
    shop.deliver(3)
    job = shop.plan("Hook", white(shop), due_at=shop.now - MINUTE)
    assert look(shop) == 1
    (stop,) = stood(shop)
    assert (stop.machine, stop.from_at, stop.until_at, stop.by_itself) == ("Larch", shop.now, None, True)
    assert stop.item is not None
    assert (stop.item.name, stop.job) == ("PLA Chalk white", "Hook")
    assert stop.why == "“Hook” is due, and no fitting spool is held."
    with shop.store.read() as session:
        assert session.scalars(select(col(Stop.job_id))).all() == [job]
        assert [one.name for one in today.needed(session=session, now=shop.now).stops.first] == ["Larch"]
        assert session.scalars(select(col(Act.kind)).order_by(col(Act.id).desc())).first() == "stop seen"


def test_looking_again_opens_nothing_more(shop: TestWorkshop) -> None:
    shop.plan("Hook", white(shop))
    assert [look(shop, shop.now + number * MINUTE) for number in range(4)] == [1, 0, 0, 0]
    assert len(stood(shop)) == 1


def test_two_that_look_at_once_open_one_stop(shop: TestWorkshop) -> None:
    shop.plan("Hook", white(shop))
    # both have seen it before either writes
    for _ in range(2):
        shop.do(lambda s: standstill.look(session=s, now=shop.now))
    shop.do(lambda s: standstill.look(session=s, now=shop.now + timedelta(microseconds=1)))
    assert len(stood(shop)) == 1


def test_a_job_is_due_when_it_has_to_begin_to_be_ready_in_time(shop: TestWorkshop) -> None:
    shop.plan("Hook", white(shop), due_at=shop.now + 5 * HOUR, duration_s=3 * 3600)
    assert look(shop) == 0
    assert look(shop, shop.now + 2 * HOUR) == 1


def test_without_a_due_time_a_job_is_wanted_as_soon_as_its_machine_is_free(shop: TestWorkshop) -> None:
    code = shop.deliver()[0]
    shop.scan(code, shop.feeds[0])
    running = shop.plan("Tray", FeedGrams(50_000, 1))
    shop.start(running)
    shop.plan("Hook", white(shop))
    assert look(shop) == 0
    grams = (FeedGrams(50_000, 1),)
    good = Outcome.GOOD
    end = shop.now + HOUR
    shop.do(lambda s: jobs.end_job(session=s, now=end, by=by(), job_id=running, outcome=good, grams=grams))
    assert look(shop, end) == 1


def test_no_stop_opens_while_nobody_is_there_to_begin_a_job(shop: TestWorkshop) -> None:
    shop.plan("Hook", white(shop))
    night = shop.now + 14 * HOUR
    assert look(shop, night) == 0
    assert look(shop, night + 8 * HOUR) == 1


def test_a_machine_that_begins_by_itself_stands_still_at_night_too(shop: TestWorkshop) -> None:
    entry = MachineEntry(
        largest_reel_mm=None,
        enclosed=False,
        hardened_nozzle=False,
        runout_sensor=False,
        cardboard_reels=True,
        self_starting=True,
        switches=False,
        earns_minor_per_hour=None,
    )
    shop.do(lambda s: machines.describe(session=s, now=shop.now, by=by(), machine_id=1, entry=entry))
    shop.plan("Hook", white(shop))
    assert look(shop, shop.now + 14 * HOUR) == 1


def test_a_job_without_a_machine_stops_none(shop: TestWorkshop) -> None:
    report = JobReport("Hook", None, (white(shop),), due_at=shop.now - HOUR)
    shop.do(lambda s: jobs.plan_job(session=s, now=shop.now, by=by(), report=report))
    assert look(shop) == 0


# ------------------------------------------------------------------ what fits


@pytest.mark.parametrize("where", ["on a shelf", "on its feed", "on another feed of its machine", "on an idle machine"])
def test_a_spool_that_is_held_anywhere_opens_no_stop(shop: TestWorkshop, where: str) -> None:
    (code,) = shop.deliver(article=1)
    shop.do(lambda s: catalogue.add_machine(session=s, now=shop.now, by=by(), name="Rowan", feeds=1))
    with shop.store.read() as session:
        rowan = next(one.code for one in choices.feeds(session=session) if one.name.startswith("Rowan"))
    at = {"on its feed": shop.feeds[0], "on another feed of its machine": shop.feeds[1], "on an idle machine": rowan}
    if where in at:
        shop.scan(code, at[where])
    shop.plan("Hook", FeedGrams(200_000, 1, article_id=shop.articles[1]))
    assert look(shop) == 0


def test_a_spool_that_another_job_draws_from_is_not_to_be_had(shop: TestWorkshop) -> None:
    (code,) = shop.deliver(article=1)
    shop.scan(code, shop.feeds[0])
    shop.do(lambda s: catalogue.add_machine(session=s, now=shop.now, by=by(), name="Rowan", feeds=1))
    shop.start(shop.plan("Tray", FeedGrams(50_000, 1)))
    shop.plan("Hook", white(shop), machine="Rowan")
    assert look(shop) == 1
    assert [one.machine for one in lasting(shop)] == ["Rowan"]


def test_one_spool_serves_one_machine_only(shop: TestWorkshop) -> None:
    shop.deliver(article=1)
    shop.do(lambda s: catalogue.add_machine(session=s, now=shop.now, by=by(), name="Rowan", feeds=1))
    shop.plan("Hook", white(shop), due_at=shop.now - HOUR)
    shop.plan("Peg", white(shop), machine="Rowan", due_at=shop.now - 2 * HOUR)
    assert look(shop) == 1
    assert [one.machine for one in lasting(shop)] == ["Larch"], "what was due first takes the spool"


def test_a_spool_fits_that_the_owner_accepts_in_its_place(shop: TestWorkshop) -> None:
    shop.deliver(article=0)
    shop.plan("Hook", white(shop))
    first, second = shop.articles
    shop.do(
        lambda s: itemcare.accept(session=s, now=shop.now, by=by(), article_id=second, instead_id=first, accepted=True)
    )
    assert look(shop) == 0


@pytest.mark.parametrize(("left", "opened"), [(400, 0), (205, 1), (150, 1)])
def test_a_spool_fits_that_surely_lasts_for_the_job(shop: TestWorkshop, left: int, opened: int) -> None:
    # a new spool of 205 g may hold a few grams less than it says
    shop.deliver(article=1, grams=left)
    shop.plan("Hook", white(shop, 204))
    assert look(shop) == opened


def test_a_spool_that_is_set_aside_is_not_to_be_had(shop: TestWorkshop) -> None:
    codes = shop.deliver(article=1)
    shop.do(lambda s: asides.set_aside(session=s, now=shop.now, by=by(), spool_codes=codes, why="brittle"))
    shop.plan("Hook", white(shop))
    assert look(shop) == 1


def test_a_machine_with_another_due_job_whose_spool_is_held_does_not_stand_still_for_want_of_one(
    shop: TestWorkshop,
) -> None:
    shop.deliver(article=0)
    shop.plan("Hook", white(shop))
    shop.plan("Peg", FeedGrams(100_000, article_id=shop.articles[0]))
    assert look(shop) == 0


def test_a_job_of_two_colours_lacks_the_one_that_is_not_held(shop: TestWorkshop) -> None:
    shop.deliver(article=0)
    shop.plan("Hook", FeedGrams(100_000, article_id=shop.articles[0]), white(shop))
    assert look(shop) == 1
    (stop,) = stood(shop)
    assert stop.item is not None
    assert stop.item.name == "PLA Chalk white"


def test_a_job_of_which_nobody_said_the_item_opens_no_stop(shop: TestWorkshop) -> None:
    shop.plan("Hook", FeedGrams(100_000, 1))
    assert look(shop) == 0


# ------------------------------------------------------------------ it closes


def test_a_stop_closes_when_its_job_starts_and_an_undo_opens_it_again(shop: TestWorkshop) -> None:
    job = shop.plan("Hook", white(shop))
    look(shop)
    begins = shop.now + HOUR
    act = shop.do(lambda s: jobs.start_job(session=s, now=begins, by=by(), job_id=job)).act_id
    assert [one.until_at for one in stood(shop)] == [begins]
    assert look(shop, begins + MINUTE) == 0
    shop.do(lambda s: undoing.undo_act(session=s, now=begins + MINUTE, by=by(), act_id=act))
    assert [one.until_at for one in stood(shop)] == [None]


def test_a_stop_closes_when_a_fitting_spool_is_held_again(shop: TestWorkshop) -> None:
    shop.plan("Hook", white(shop))
    look(shop)
    shop.deliver(article=1)
    assert look(shop, shop.now + 3 * HOUR) == 1
    assert [one.hours for one in stood(shop)] == [3]
    assert look(shop, shop.now + 4 * HOUR) == 0


def test_a_stop_closes_when_its_job_is_called_off(shop: TestWorkshop) -> None:
    job = shop.plan("Hook", white(shop))
    look(shop)
    call_off(shop, job, shop.now + HOUR)
    assert look(shop, shop.now + 2 * HOUR) == 1
    assert [one.hours for one in stood(shop)] == [1]


def test_a_stop_closes_when_its_machine_has_printed_something_else(shop: TestWorkshop) -> None:
    shop.plan("Hook", white(shop))
    look(shop)
    began, ended = shop.now + HOUR, shop.now + 2 * HOUR
    report = JobReport("Peg", 1, (FeedGrams(10_000, 1),), started_at=began)
    good = Outcome.GOOD
    shop.do(lambda s: jobs.report_job(session=s, now=ended, by=by(), report=report, outcome=good, ended_at=ended))
    assert look(shop, ended) == 2, "that stop is over, and the machine stands still anew"
    over = [one for one in stood(shop) if one.until_at]
    assert [one.until_at for one in over] == [began]
    assert [one.from_at for one in lasting(shop)] == [ended]


def test_a_machine_that_stands_still_again_for_the_same_job_has_a_second_stop(shop: TestWorkshop) -> None:
    shop.plan("Hook", white(shop))
    look(shop)
    codes = shop.deliver(article=1)
    look(shop, shop.now + HOUR)
    shop.do(lambda s: asides.set_aside(session=s, now=shop.now + 2 * HOUR, by=by(), spool_codes=codes))
    assert look(shop, shop.now + 2 * HOUR) == 1
    assert [(one.from_at, one.until_at) for one in stood(shop)] == [
        (shop.now + 2 * HOUR, None),
        (shop.now, shop.now + HOUR),
    ]


def test_a_closing_that_was_taken_back_is_not_done_again(shop: TestWorkshop) -> None:
    job = shop.plan("Hook", white(shop))
    look(shop)
    call_off(shop, job, shop.now + HOUR)
    look(shop, shop.now + HOUR)
    with shop.store.read() as session:
        act = session.scalars(select(col(Act.id)).where(col(Act.kind) == "stop over")).one()
    shop.do(lambda s: undoing.undo_act(session=s, now=shop.now + HOUR, by=by(), act_id=act))
    assert look(shop, shop.now + 2 * HOUR) == 0
    assert len(lasting(shop)) == 1


# ------------------------------------------------------------------ what a person says


def test_what_a_person_corrected_is_left(shop: TestWorkshop) -> None:
    shop.plan("Hook", white(shop))
    look(shop)
    (stop,) = stood(shop)
    at, since, until = shop.now + 3 * HOUR, shop.now - HOUR, shop.now + 2 * HOUR
    act = shop.do(
        lambda s: stops.correct(session=s, now=at, by=by(), stop_id=stop.stop_id, from_at=since, until_at=until)
    ).act_id
    assert [(one.from_at, one.until_at, one.corrected) for one in stood(shop)] == [(since, until, True)]
    assert look(shop, at) == 0, "the job still waits, and a person has said how long its machine stood still"
    shop.do(lambda s: undoing.undo_act(session=s, now=at, by=by(), act_id=act))
    assert [(one.from_at, one.until_at, one.corrected) for one in stood(shop)] == [(shop.now, None, False)]


def test_a_stop_that_was_none_has_no_hours_and_its_job_opens_none_again(shop: TestWorkshop) -> None:
    job = shop.plan("Hook", white(shop))
    look(shop)
    (stop,) = stood(shop)
    act = no_stop(shop, stop.stop_id, shop.now + HOUR)
    (none,) = stood(shop)
    assert (none.was_none, none.hours) == (True, 0)
    shop.plan("Peg", white(shop))
    assert look(shop, shop.now + 2 * HOUR) == 0, "nor does the next job of the same machine, while nothing has changed"
    with pytest.raises(Conflict, match="said before"):
        no_stop(shop, stop.stop_id, shop.now + 2 * HOUR)
    call_off(shop, job, shop.now + 3 * HOUR)
    assert look(shop, shop.now + 3 * HOUR) == 1, "that job waits no more"
    (peg,) = lasting(shop)
    assert peg.job == "Peg"
    with pytest.raises(Conflict):
        shop.do(lambda s: undoing.undo_act(session=s, now=shop.now + 4 * HOUR, by=by(), act_id=act))


def test_who_says_that_a_machine_runs_again_is_believed(shop: TestWorkshop) -> None:
    shop.plan("Hook", white(shop))
    look(shop)
    (stop,) = stood(shop)
    shop.do(lambda s: stops.end_stop(session=s, now=shop.now + HOUR, by=by(), stop_id=stop.stop_id))
    assert look(shop, shop.now + HOUR + MINUTE) == 0
    assert [(one.hours, one.corrected) for one in stood(shop)] == [(1, True)]


def test_a_stop_that_was_taken_back_is_not_seen_again(shop: TestWorkshop) -> None:
    shop.plan("Hook", white(shop))
    look(shop)
    with shop.store.read() as session:
        act = session.scalars(select(col(Act.id)).where(col(Act.kind) == "stop seen")).one()
    shop.do(lambda s: undoing.undo_act(session=s, now=shop.now + HOUR, by=by(), act_id=act))
    assert look(shop, shop.now + HOUR) == 0
    assert stood(shop) == []


def test_once_the_machine_has_run_a_word_on_its_last_stop_says_nothing_of_the_next(shop: TestWorkshop) -> None:
    shop.plan("Hook", white(shop))
    look(shop)
    (stop,) = stood(shop)
    since, until = shop.now - 2 * HOUR, shop.now - HOUR
    shop.do(
        lambda s: stops.correct(session=s, now=shop.now, by=by(), stop_id=stop.stop_id, from_at=since, until_at=until)
    )
    ended = shop.now + 2 * HOUR
    report = JobReport("Peg", 1, (FeedGrams(10_000, 1),), started_at=shop.now)
    good = Outcome.GOOD
    shop.do(lambda s: jobs.report_job(session=s, now=ended, by=by(), report=report, outcome=good, ended_at=ended))
    assert look(shop, ended) == 1


def test_a_stop_that_a_person_entered_is_the_persons(shop: TestWorkshop) -> None:
    job = shop.plan("Hook", white(shop))
    shop.do(lambda s: stops.book_stop(session=s, now=shop.now, by=by(), machine_id=1, from_at=shop.now - HOUR))
    assert look(shop) == 0
    shop.start(job, shop.now + HOUR)
    assert look(shop, shop.now + 2 * HOUR) == 0
    assert [one.until_at for one in stood(shop)] == [None]


@pytest.mark.parametrize(
    ("since", "until", "error", "words"),
    [
        (1, 2, BadInput, "cannot lie in the future"),
        (-1, -2, BadInput, "would end before it began"),
        (-1, -1, BadInput, "press “It was no stop” instead"),
        (-6, -4, Conflict, "Correct that one, or choose others"),
        (-9, None, Conflict, "Correct that one, or choose others"),
        (-300_000, -1, BadInput, "before 2000"),
    ],
)
def test_times_that_cannot_be_are_refused_with_what_to_do(
    shop: TestWorkshop, since: int, until: int | None, error: type[Exception], words: str
) -> None:
    at = shop.now
    for first, last in ((-5, -3), (-2, None)):
        ends = at + last * HOUR if last else None
        told = shop.do(
            lambda s, first=first, ends=ends: stops.book_stop(  # type: ignore[misc]
                session=s, now=at, by=by(), machine_id=1, from_at=at + first * HOUR, until_at=ends
            )
        )
    ends = at + until * HOUR if until is not None else None
    with shop.store.write() as session, pytest.raises(error, match=words):
        stops.correct(session=session, now=at, by=by(), stop_id=told.stop_id, from_at=at + since * HOUR, until_at=ends)
    assert [(one.from_at, one.until_at) for one in lasting(shop)] == [(at - 2 * HOUR, None)]


def test_hours_of_a_stop_that_still_lasts_cannot_be_entered_once_more(shop: TestWorkshop) -> None:
    at = shop.now
    shop.do(lambda s: stops.book_stop(session=s, now=at, by=by(), machine_id=1, from_at=at - 3 * HOUR))
    with shop.store.write() as session, pytest.raises(Conflict, match="only what is missing"):
        stops.book_stop(session=session, now=at, by=by(), machine_id=1, from_at=at - 2 * HOUR, until_at=at - HOUR)


def test_a_look_asks_as_often_for_many_machines_as_for_one(store: Store, now: datetime) -> None:
    shop = TestWorkshop(store, now)
    asked = []
    for number in range(1, 7):
        name = f"Rowan {number}"
        shop.do(lambda s, name=name: catalogue.add_machine(session=s, now=now, by=by(), name=name, feeds=2))  # type: ignore[misc]
        shop.deliver(article=0)
        codes = shop.deliver(2, article=1)
        shop.plan("Hook", white(shop, 1500), machine=name)
        sent: list[str] = []
        note = lambda *told, sent=sent: sent.append(told[2])  # noqa: E731
        event.listen(store.engine, "before_cursor_execute", note)
        with store.read() as session:
            opens, _ = standstill._seen(session, now)  # noqa: SLF001 - what it reads before it writes
        event.remove(store.engine, "before_cursor_execute", note)
        assert [one.machine.name for one in opens][-1] == name
        assert len(codes) == 2
        asked.append(len(sent))
    assert len(set(asked)) == 1, asked
