"""When an order comes, beside the day on which it is needed, and how that is said."""

from dataclasses import replace
from datetime import date

import pytest

from spoolkeep.domain.arrival import Arrival
from spoolkeep.domain.formats import Formats

FORMATS = Formats("en_GB", "GBP", "Europe/London")
PROMISED = Arrival(
    on=date(2026, 12, 12), is_promised=True, is_sent=True, needed_by=date(2026, 12, 9), today=date(2026, 12, 1)
)


def said(arrival: Arrival) -> str:
    return arrival.words(FORMATS).replace("\N{NO-BREAK SPACE}", " ")


def test_a_promise_after_the_day_it_is_needed_says_the_days_without() -> None:
    """From the 9th, when it should be there, to the 12th, when it comes, are three days: by hand."""
    assert PROMISED.days_without == 3
    assert said(PROMISED) == "promised for 12 Dec, needed by 9 Dec: 3 days without"


@pytest.mark.parametrize(("day", "days"), [(8, 0), (9, 0), (10, 1)])
def test_the_last_day_is_still_in_time(day: int, days: int) -> None:
    assert replace(PROMISED, on=date(2026, 12, day)).days_without == days


def test_an_order_that_nobody_needs_by_a_day_is_never_too_late() -> None:
    free = replace(PROMISED, needed_by=None)
    assert free.days_without == 0
    assert said(free) == "promised for 12 Dec"


def test_what_did_not_come_is_late_by_today() -> None:
    missed = replace(PROMISED, on=date(2026, 12, 5), today=date(2026, 12, 11))
    assert missed.days_without == 2
    assert said(missed) == "promised for 5 Dec and not in yet, needed by 9 Dec: 2 days without so far"


def test_without_a_promise_the_usual_days_are_said_as_such() -> None:
    usual = replace(PROMISED, is_promised=False, on=date(2026, 12, 10))
    assert usual.lacks_promise
    assert said(usual) == "no day is promised; by the usual days it comes about 10 Dec, needed by 9 Dec: 1 day without"
    passed = replace(usual, today=date(2026, 12, 20), needed_by=None)
    assert said(passed) == "no day is promised; by the usual days it was to come 10 Dec"


def test_a_draft_says_when_it_would_come() -> None:
    draft = replace(PROMISED, is_promised=False, is_sent=False, on=date(2026, 12, 7))
    assert not draft.lacks_promise
    assert said(draft) == "if it is sent today, it comes about 7 Dec by the usual days, needed by 9 Dec"


def test_a_day_of_another_year_bears_its_year() -> None:
    assert "12 Dec 2028" in said(replace(PROMISED, on=date(2028, 12, 12)))
