"""How long a plastic has been out, and when it is dry, by hand."""

from datetime import UTC, date, datetime, timedelta

from spoolkeep.domain.airing import Air, Around, dry_hours, goes, hours_by_days, is_ready, ready_at, softens

NOON = datetime(2026, 3, 4, 12, tzinfo=UTC)
HOUR = timedelta(hours=1)


def test_hours_in_the_air_add_up_and_hours_in_the_dry_store_do_not() -> None:
    out, _ = goes(Air(seconds=0), Around.AIR, NOON, dry_hours=12)
    assert out.out_s(NOON + 5 * HOUR) == 5 * 3600
    stored, came_dry = goes(out, Around.DRY, NOON + 5 * HOUR, dry_hours=12)
    assert not came_dry
    assert stored.out_s(NOON + 100 * HOUR) == 5 * 3600
    again, _ = goes(stored, Around.AIR, NOON + 100 * HOUR, dry_hours=12)
    assert again.out_s(NOON + 103 * HOUR) == 8 * 3600


def test_from_one_place_in_the_air_to_another_it_is_out_all_along() -> None:
    out, _ = goes(Air(seconds=0), Around.AIR, NOON, dry_hours=None)
    assert goes(out, Around.AIR, NOON + HOUR, dry_hours=None) == (out, False)


def test_what_stays_in_a_dryer_for_long_enough_comes_out_dry() -> None:
    out = Air(from_at=NOON - 30 * HOUR, seconds=0)
    inside, _ = goes(out, Around.DRYER, NOON, dry_hours=12)
    assert ready_at(inside, dry_hours=12) == NOON + 12 * HOUR
    assert inside.out_s(NOON + 3 * HOUR) == 30 * 3600, "the hours in it are no hours in the air"
    early, is_dry = goes(inside, Around.AIR, NOON + 11 * HOUR, dry_hours=12)
    assert not is_dry
    assert early.out_s(NOON + 11 * HOUR) == 30 * 3600
    dry, is_dry = goes(inside, Around.DRY, NOON + 12 * HOUR, dry_hours=12)
    assert is_dry
    assert dry == Air(seconds=0)


def test_what_is_scanned_into_its_dryer_again_began_when_it_did() -> None:
    inside = Air(seconds=7200, dryer_at=NOON)
    assert goes(inside, Around.DRYER, NOON + HOUR, dry_hours=12)[0] == inside


def test_where_nobody_said_how_long_it_takes_a_dryer_makes_nothing_dry() -> None:
    inside = Air(seconds=60, dryer_at=NOON)
    assert ready_at(inside, dry_hours=None) is None
    assert not is_ready(inside, NOON + 1000 * HOUR, dry_hours=None)
    assert goes(inside, Around.AIR, NOON + HOUR, dry_hours=None)[0].seconds == 60


def test_a_moment_that_was_told_late_takes_nothing_off() -> None:
    assert Air(from_at=NOON, seconds=60).out_s(NOON - HOUR) == 60


def test_a_spool_stays_as_long_as_the_slower_of_its_plastic_and_the_dryer_asks() -> None:
    assert dry_hours(of_material=12, of_dryer=6) == 12
    assert dry_hours(of_material=4, of_dryer=6) == 6
    assert dry_hours(of_material=None, of_dryer=6) == 6
    assert dry_hours(of_material=12, of_dryer=None) is None, "that is no dryer"


def test_of_one_that_nobody_followed_the_days_since_it_was_opened_or_dried_count() -> None:
    today = date(2026, 3, 4)
    assert hours_by_days(opened_on=None, dried_on=date(2026, 3, 1), today=today) is None
    assert hours_by_days(opened_on=date(2026, 2, 22), dried_on=None, today=today) == 240
    assert hours_by_days(opened_on=date(2026, 2, 22), dried_on=date(2026, 3, 3), today=today) == 24


def test_a_dryer_that_is_set_for_one_plastic_may_soften_another() -> None:
    """Source: common practice, no source."""
    assert softens(80, {"PLA Chalk": 45, "PC Ash": 90, "ABS Soot": 80}) == ["PLA Chalk"]
    assert softens(None, {"PLA Chalk": 45}) == []
