"""When an order comes, beside the day on which it is needed, and how that is said."""

from dataclasses import replace
from datetime import date

import pytest

from spoolkeep.domain.arrival import Arrival, Need
from spoolkeep.domain.formats import Formats

FORMATS = Formats("en_GB", "GBP", "Europe/London")
PROMISED = Arrival(
    on=date(2026, 12, 12), is_promised=True, is_sent=True, need=Need(date(2026, 12, 9)), today=date(2026, 12, 1)
)
GAP = replace(PROMISED, need=Need(date(2026, 12, 9), "PLA Slate black", 0.11, 0, date(2026, 12, 12)))


def said(arrival: Arrival) -> str:
    return arrival.words(FORMATS).replace("\N{NO-BREAK SPACE}", " ")


def test_a_promise_after_the_day_it_is_needed_says_the_days_without() -> None:
    """From the 9th, when it should be there, to the 12th, when it comes, are three days: by hand."""
    assert PROMISED.days_without == 3
    assert said(PROMISED) == "promised for 12 Dec, needed by 9 Dec: 3 days late"


@pytest.mark.parametrize(("day", "days"), [(8, 0), (9, 0), (10, 1)])
def test_the_last_day_is_still_in_time(day: int, days: int) -> None:
    assert replace(PROMISED, on=date(2026, 12, day)).days_without == days


def test_an_order_that_nobody_needs_by_a_day_is_never_too_late() -> None:
    free = replace(PROMISED, need=None)
    assert free.days_without == 0
    assert said(free) == "promised for 12 Dec"


def test_what_did_not_come_is_late_by_today() -> None:
    missed = replace(PROMISED, on=date(2026, 12, 5), today=date(2026, 12, 11))
    assert missed.days_without == 2
    assert said(missed) == "promised for 5 Dec and not in yet, needed by 9 Dec: 2 days late so far"


def test_without_a_promise_the_usual_days_are_said_as_such() -> None:
    usual = replace(PROMISED, is_promised=False, on=date(2026, 12, 10))
    assert usual.lacks_promise
    assert said(usual) == "no day is promised; by the usual days it comes about 10 Dec, needed by 9 Dec: 1 day late"
    passed = replace(usual, today=date(2026, 12, 20), need=None)
    assert said(passed) == "no day is promised; by the usual days it was to come 10 Dec"


def test_a_draft_says_when_it_would_come() -> None:
    draft = replace(PROMISED, is_promised=False, is_sent=False, on=date(2026, 12, 7))
    assert not draft.lacks_promise
    assert said(draft) == "if it is sent today, it comes about 7 Dec by the usual days, needed by 9 Dec"


def test_an_item_that_may_be_out_first_is_said_as_one_case_of_ten() -> None:
    assert (GAP.days_without, GAP.is_likely) == (3, False)
    assert said(GAP) == (
        "promised for 12 Dec; PLA Slate black may be out from 9 Dec on, 3 days before it comes, in one case of ten"
    )


@pytest.mark.parametrize(
    ("chance", "likely", "words"), [(0.4, False, "40 %"), (0.5, True, "50 %"), (1, True, "over 99 %")]
)
def test_a_greater_chance_is_said_as_it_is(chance: float, words: str, *, likely: bool) -> None:
    need = Need(date(2026, 12, 1), "PLA Slate black", chance, 2, date(2026, 12, 12))
    gap = replace(PROMISED, need=need)
    assert gap.is_likely is likely
    assert said(gap) == (
        "promised for 12 Dec; PLA Slate black may be out from today on, 11 days before it comes:"
        f" it runs out first in {words} of cases; 2 more of its items may be out too"
    )


def test_an_item_that_lasts_until_it_comes_is_no_warning() -> None:
    lasts = replace(GAP, need=Need(date(2026, 12, 20), "PLA Slate black", 0.0, 0, date(2026, 12, 12)))
    assert (lasts.days_without, lasts.is_likely) == (0, False)
    assert said(lasts) == "promised for 12 Dec, needed by 20 Dec"


def test_of_what_is_overdue_nobody_says_in_how_many_days_it_comes() -> None:
    """Stock counts on it in three days, the 14th; from the 12th on it may be out."""
    need = Need(date(2026, 12, 12), "PLA Slate black", 0.12, 1, date(2026, 12, 14))
    overdue = replace(GAP, on=date(2026, 12, 8), today=date(2026, 12, 11), need=need)
    assert overdue.days_without == 2
    assert said(overdue) == (
        "promised for 8 Dec and not in yet; PLA Slate black may be out from 12 Dec on, in one case of ten;"
        " 1 more of its items may be out too"
    )


def test_a_day_of_another_year_bears_its_year() -> None:
    assert "12 Dec 2028" in said(replace(PROMISED, on=date(2028, 12, 12)))
