"""What a machine prints until an hour, what that draws, and how likely the plastic is to last."""

from datetime import UTC, datetime, timedelta
from random import Random

import pytest

from spoolkeep.domain.drift import Estimate
from spoolkeep.domain.night import (
    Night,
    Print,
    Queue,
    Risk,
    busy_until,
    chance,
    drawn_at,
    judge,
    needed_mg,
    runs,
    to_come,
)

NOW = datetime(2026, 3, 4, 17, 0, tzinfo=UTC)
NIGHT = Night(NOW, NOW + timedelta(hours=1), NOW + timedelta(hours=14))
FEED = 1


def job(grams: int, hours: float | None, title: str = "Hook") -> Print:
    return Print(title, {FEED: grams * 1000}, timedelta(hours=hours) if hours else None)


def running(grams: int, hours: float | None, since: float) -> Print:
    begun = job(grams, hours)
    return Print(begun.title, begun.needs_mg, begun.lasts, 7, NOW - timedelta(hours=since))


def titles(queue: Queue, night: Night = NIGHT) -> list[str]:
    return [one.title for one in to_come(queue, night)]


def test_the_same_job_in_a_row_is_one_run_from_its_first_beginning_to_its_last_end() -> None:
    hours = Night(NOW, NOW + timedelta(hours=10), NOW + timedelta(hours=14))
    told = runs(to_come(Queue(running(100, 4, since=1), [job(50, 2, "Tray")], again=job(50, 3, "Tray")), hours))
    assert [(one.title, one.is_guess, one.times) for one in told] == [("Hook", False, 1), ("Tray", False, 3)]
    assert (told[0].starts_at, told[0].ends_at) == (NOW - timedelta(hours=1), NOW + timedelta(hours=3))
    assert (told[1].starts_at, told[1].ends_at) == (NOW + timedelta(hours=3), NOW + timedelta(hours=11))
    assert runs(()) == ()


def test_nobody_begins_a_job_once_the_last_one_has_left() -> None:
    queue = Queue(running(100, 4, since=1), [job(50, 2, "Tray")])
    assert titles(queue) == ["Hook"]


def test_a_job_that_ends_before_closing_is_followed_by_the_next_planned_one() -> None:
    queue = Queue(running(100, 1.5, since=1), [job(50, 2, "Tray"), job(50, 2, "Pot")])
    assert titles(queue) == ["Hook", "Tray"]


def test_a_machine_that_begins_by_itself_prints_all_night() -> None:
    queue = Queue(running(100, 4, since=1), [job(50, 2, "Tray")], again=job(30, 5, "Pot"), self_starting=True)
    assert titles(queue) == ["Hook", "Tray", "Pot", "Pot"]


def test_where_nothing_is_told_the_last_job_is_printed_once_more() -> None:
    late = Night(NOW + timedelta(hours=5), NOW + timedelta(hours=5), NIGHT.until)
    assert titles(Queue(again=job(30, 5, "Pot"))) == ["Pot"]
    assert titles(Queue(again=job(30, 5, "Pot")), late) == ["Pot"]
    assert titles(Queue()) == []


def test_a_job_of_unknown_time_is_counted_whole_and_taken_to_end_at_the_hour() -> None:
    prints = to_come(Queue(running(100, None, since=2), [job(50, 1)]), NIGHT)
    assert [one.ends_at for one in prints] == [NIGHT.until]
    assert needed_mg(prints, FEED, since=NOW - timedelta(hours=3), until=NIGHT.until) == 100_000


def test_a_job_that_should_have_ended_is_still_on_the_spool() -> None:
    prints = to_come(Queue(running(100, 2, since=5)), NIGHT)
    assert needed_mg(prints, FEED, since=NOW - timedelta(days=1), until=NIGHT.until) == 100_000
    assert busy_until(prints, NIGHT) <= NOW


def test_of_a_long_job_what_comes_until_the_hour_counts() -> None:
    prints = to_come(Queue(running(200, 20, since=2)), NIGHT)
    assert needed_mg(prints, FEED, since=NOW - timedelta(hours=2), until=NIGHT.until) == pytest.approx(160_000)
    assert needed_mg(prints, FEED, since=NOW, until=NIGHT.until) == pytest.approx(140_000)


def test_a_spool_that_was_put_on_in_mid_job_gives_what_came_after() -> None:
    prints = to_come(Queue(running(100, 10, since=5)), NIGHT)
    assert needed_mg(prints, FEED, since=NOW, until=NIGHT.until) == pytest.approx(50_000)


def test_the_moment_at_which_so_much_is_drawn() -> None:
    prints = to_come(Queue(running(100, 10, since=0)), NIGHT)
    at = drawn_at(prints, FEED, 60_000, night=NIGHT, since=NOW)
    assert at is not None
    assert abs(at - (NOW + timedelta(hours=6))) <= timedelta(minutes=1)
    assert drawn_at(prints, FEED, 101_000, night=NIGHT, since=NOW) is None


def test_the_chance_is_half_where_exactly_as_much_is_left_as_is_needed() -> None:
    assert chance(Estimate(0.0, 10_000.0, irregular=True)) == pytest.approx(0.5)
    assert chance(Estimate(60_000.0, 10_000.0, irregular=True)) > 0.95
    assert chance(Estimate(-60_000.0, 10_000.0, irregular=True)) < 0.05


def test_a_spool_that_may_be_another_is_never_quite_sure() -> None:
    sure = chance(Estimate(60_000.0, 10_000.0))
    assert chance(Estimate(60_000.0, 10_000.0, irregular=True)) < sure


def test_what_ends_early_costs_more_hours_than_what_ends_late() -> None:
    prints = to_come(Queue(running(140, 14, since=0)), NIGHT)
    early, late = (
        judge(prints, FEED, after=Estimate(mg, 5_000.0), night=NIGHT, since=NOW) for mg in (-100_000, -20_000)
    )
    assert early.risk.hours > late.risk.hours > 0
    assert early.risk.ends_at is not None
    assert late.risk.ends_at is not None
    assert early.risk.ends_at < late.risk.ends_at


def test_a_machine_earns_what_the_trade_says_of_four_of_them() -> None:
    # four machines, 14 hours, 3 an hour: 168 a day. Source: common practice, no source
    risk = Risk(0.0, NOW, 14.0)
    assert 4 * 3 * risk.hours_at_risk == 168


@pytest.mark.parametrize("seed", range(200))
def test_a_stop_comes_when_the_plastic_ends_and_not_before(seed: int) -> None:
    rng = Random(seed)  # noqa: S311 - no secret
    queue = Queue(
        running(rng.randint(1, 300), rng.uniform(0.5, 20), since=rng.uniform(0, 10)),
        [job(rng.randint(1, 200), rng.uniform(0.2, 9)) for _ in range(rng.randint(0, 3))],
        again=job(20, 3),
        self_starting=rng.random() < 0.5,
    )
    prints = to_come(queue, NIGHT)
    whole = needed_mg(prints, FEED, since=NOW, until=NIGHT.until)
    assert 0 <= whole <= sum(one.needs_mg[FEED] for one in prints)
    mg = rng.uniform(0, 1.2) * whole + 1
    at = drawn_at(prints, FEED, mg, night=NIGHT, since=NOW)
    if at is None:
        assert whole < mg
    else:
        minute = timedelta(minutes=1)
        assert NOW <= at <= NIGHT.until
        assert needed_mg(prints, FEED, since=NOW, until=at) >= mg or at == NOW
        assert at - minute <= NOW or needed_mg(prints, FEED, since=NOW, until=at - minute) <= mg
