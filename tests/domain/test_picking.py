"""Which spool to take."""

from datetime import date, timedelta

import pytest

from spoolkeep.domain.picking import Candidate, Uses, ranked

DAY = date(2026, 3, 4)
USES = Uses(usual_mg=100_000, scrap_mg=20_000)


def spool(number: int, grams: int, *, opened: bool = False, came: int = 0, **more: object) -> Candidate:
    mg = grams * 1000
    return Candidate(number, mg, mg, opened, DAY + timedelta(days=came), **more)  # type: ignore[arg-type] # as named


def first(*candidates: Candidate, grams: int = 150) -> int | None:
    found = ranked(candidates, needs_mg=grams * 1000, uses=USES)
    return found[0].spool_id if found else None


def test_an_opened_spool_comes_before_a_sealed_one() -> None:
    assert first(spool(1, 1000), spool(2, 700, opened=True)) == 2


def test_one_that_will_not_last_is_never_given() -> None:
    assert first(spool(1, 100, opened=True)) is None
    assert first(spool(1, 100, opened=True), spool(2, 1000)) == 2


def test_what_is_surely_there_counts_and_not_what_the_books_hope() -> None:
    doubtful = Candidate(1, 160_000, 140_000, opened=True, received_on=DAY)
    assert first(doubtful) is None


def test_the_one_that_leaves_no_unusable_rest_comes_first() -> None:
    # 230 g would leave 80 g, which fits no usual job; 260 g leaves 110 g, which does
    assert first(spool(1, 230, opened=True), spool(2, 260, opened=True)) == 2


def test_a_rest_that_is_scrap_anyway_is_no_rest() -> None:
    assert first(spool(1, 165, opened=True), spool(2, 260, opened=True)) == 1


def test_of_two_alike_the_older_comes_first() -> None:
    assert first(spool(1, 1000, came=5), spool(2, 1000, came=1)) == 2


def test_a_heavy_reel_is_taken_from_a_low_place() -> None:
    assert first(spool(1, 5000, height_mm=1800), spool(2, 5000, came=3, height_mm=400)) == 2
    assert first(spool(1, 1000, height_mm=1800), spool(2, 1000, came=3, height_mm=400)) == 1


def test_what_the_machine_cannot_take_is_never_given() -> None:
    assert first(spool(1, 500, opened=True, hindered="Its reel is too wide.")) is None


def test_a_thirsty_spool_comes_last() -> None:
    assert first(spool(1, 500, opened=True, thirsty=True), spool(2, 1000)) == 2


@pytest.mark.parametrize(
    ("grams", "opened", "why"),
    [
        (260, True, "opened already; 110 g left over"),
        (230, True, "opened already; 80 g left over, too little for a usual job"),
        (160, True, "opened already; it is used up by it"),
        (1000, False, "sealed; 850 g left over"),
    ],
)
def test_the_reason_is_said_in_one_line(grams: int, why: str, *, opened: bool) -> None:
    (pick,) = ranked([spool(1, grams, opened=opened)], needs_mg=150_000, uses=USES)
    assert (pick.why, pick.rest_mg) == (why, grams * 1000 - 150_000)
