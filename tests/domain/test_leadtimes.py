"""How long deliveries take: what is learned, what is still awaited, weekends and holidays between."""

from datetime import date, timedelta

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from spoolkeep.domain.errors import BadInput
from spoolkeep.domain.leadtimes import (
    EVERY_DAY,
    MONDAY_TO_FRIDAY,
    Chances,
    Closed,
    Delivered,
    LeadTime,
    arrivals,
    arrives_on,
    carrier_days_between,
    next_open,
    on_weekdays,
    orders_taken,
)

MONDAY = date(2026, 3, 2)
DAY = timedelta(days=1)
WEEKDAYS = on_weekdays(MONDAY_TO_FRIDAY)


def never(_: date) -> bool:
    return False


SAYINGS = st.tuples(st.floats(0, 40), st.floats(0, 15))
DELIVERIES = st.lists(
    st.builds(
        Delivered,
        days=st.integers(0, 60),
        busy=st.booleans(),
        longer=st.booleans(),
        from_days=st.none() | st.integers(0, 60),
        weight=st.floats(0.05, 1),
    ),
    max_size=25,
)
MASKS = st.integers(1, EVERY_DAY)
CLOSED_DAYS = st.frozensets(st.integers(0, 40), max_size=12)


def closed_on(numbers: frozenset[int]) -> Closed:
    return lambda day: (day - MONDAY).days in numbers


def by_day(lead: LeadTime, day: date, horizon: int, **how: object) -> Chances:
    told: dict[str, object] = {
        "order_days_mask": EVERY_DAY,
        "supplier_closed": never,
        "carrier_weekdays": MONDAY_TO_FRIDAY,
        "shop_closed": never,
    }
    return arrivals(lead, day, horizon=horizon, **{**told, **how})  # type: ignore[arg-type]


def exactly(days: int) -> LeadTime:
    return LeadTime(np.eye(days + 1)[days])


@given(saying=SAYINGS, seen=DELIVERIES)
def test_chances_add_up_whatever_was_seen(saying: tuple[float, float], seen: list[Delivered]) -> None:
    lead = LeadTime.learned(seen, prior=LeadTime.said(*saying))
    for one in (lead, lead.in_busy):
        assert one.chance.min() >= 0
        assert one.chance.sum() == pytest.approx(1)
        assert one.days.shape == one.chance.shape
        assert one.quantile(0.1) <= one.quantile(0.5) <= one.quantile(0.9)
    assert lead.in_busy.mean == pytest.approx(lead.mean + lead.busy_days)


@given(saying=SAYINGS)
def test_without_deliveries_the_owner_s_word_stands(saying: tuple[float, float]) -> None:
    said = LeadTime.said(*saying)
    assert LeadTime.learned([], prior=said).chance is said.chance


def test_the_owner_s_word_leaves_room_for_a_late_one() -> None:
    said = LeadTime.said(5, 2)
    assert said.quantile(0.5) == 5
    assert said.chance[:11].sum() == pytest.approx(0.988, abs=0.01)
    assert said.chance[3:8].sum() > 0.85


@given(saying=SAYINGS, days=st.integers(0, 80), more=st.integers(1, 40))
def test_the_more_deliveries_the_farther_from_what_was_said(saying: tuple[float, float], days: int, more: int) -> None:
    said = LeadTime.said(*saying)
    few, many = (LeadTime.learned([Delivered(days)] * count, prior=said) for count in (more, more + 5))
    assert many.chance[days] >= few.chance[days] >= (said.chance[days] if days < len(said.chance) else 0)
    assert abs(many.mean - days) <= abs(few.mean - days) + 1e-9


def test_one_delivery_beside_four_that_are_worth_the_owner_s_word() -> None:
    """By hand: a fifth of the chance is the delivery's, four fifths the word's."""
    said = exactly(3)
    assert LeadTime.learned([Delivered(8)], prior=said).chance[[3, 8]].tolist() == pytest.approx([0.8, 0.2])


REMISSION = "6 6 6 6+ 7 9+ 10 10+ 11+ 13 16 17+ 19+ 20+ 22 23 25+ 32+ 32+ 34+ 35+"


def test_what_is_still_awaited_counts_as_the_product_limit_counts_it() -> None:
    """The remission times of Freireich et al. 1963 in Kaplan and Meier's estimate, as textbooks have it (from memory).

    Efron 1967: the self-consistent estimate is the product-limit estimate.
    """
    seen = [Delivered(int(one.rstrip("+")), longer=one.endswith("+")) for one in REMISSION.split()]
    lead = LeadTime.learned(seen, prior=LeadTime(np.full(40, 1 / 40)), worth=1e-9)
    beyond = 1 - np.cumsum(lead.chance)
    published = {6: 0.857, 7: 0.807, 10: 0.753, 13: 0.690, 16: 0.627, 22: 0.538, 23: 0.448}
    assert {day: round(float(beyond[day]), 3) for day in published} == pytest.approx(published, abs=0.0011)


def test_what_stood_before_a_closed_door_is_shared_over_the_days_on_which_it_may_have_come() -> None:
    prior = LeadTime(np.array([0.0, 0.0, 0.3, 0.1, 0.6]))
    found = LeadTime.learned([Delivered(3, from_days=2)], prior=prior, worth=1.0).chance
    assert found[4] == pytest.approx(0.3)
    assert found[2] / found[3] == pytest.approx(3)


def test_what_is_awaited_beyond_all_that_is_known_comes_as_soon_as_it_can() -> None:
    found = LeadTime.learned([Delivered(30, longer=True)], prior=exactly(3))
    assert found.chance[[3, 31]].tolist() == pytest.approx([0.8, 0.2])


def test_busy_months_take_longer_as_far_as_they_have_shown_it() -> None:
    """By hand: eight busy deliveries of 8 beside a usual 4 are (8 x 8 + 4 x 4) / 12 = 6.67, so 2.67 more."""
    prior = exactly(4)
    usual, busy = [Delivered(4)] * 20, [Delivered(8, busy=True)] * 8
    found = LeadTime.learned([*usual, *busy], prior=prior)
    assert found.busy_days == pytest.approx(8 / 3)
    assert found.in_busy.mean == pytest.approx(found.mean + 8 / 3)
    assert LeadTime.learned([*usual, Delivered(2, busy=True)], prior=prior).busy_days == 0


def test_days_already_waited_are_known_to_be_longer() -> None:
    lead = LeadTime(np.array([0.0, 0.5, 0.0, 0.3, 0.1, 0.1]))
    assert (lead.quantile(0.5), lead.quantile(0.9)) == (1, 4)
    assert (lead.quantile(0.5, after=1), lead.quantile(0.5, after=3)) == (3, 4)
    assert lead.quantile(0.5, after=9) == 10


@pytest.mark.parametrize("chance", [0, 1, -0.1, float("nan")])
def test_a_chance_that_is_none_is_refused(chance: float) -> None:
    with pytest.raises(BadInput):
        exactly(2).quantile(chance)


@pytest.mark.parametrize("saying", [(-1, 0), (3, -2), (float("nan"), 1)])
def test_a_delivery_before_its_order_is_refused(saying: tuple[float, float]) -> None:
    with pytest.raises(BadInput):
        LeadTime.said(*saying)


def test_weekends_and_holidays_carry_nothing() -> None:
    """By hand: from Thursday 2 April 2026 over Good Friday and Easter Monday; two carrier days are the 7th and 8th."""
    easter = on_weekdays(MONDAY_TO_FRIDAY, {date(2026, 4, 3), date(2026, 4, 6)}.__contains__)
    thursday = date(2026, 4, 2)
    assert arrives_on(thursday, 2, easter) == date(2026, 4, 8)
    assert carrier_days_between(thursday, date(2026, 4, 8), easter) == 2
    assert carrier_days_between(thursday, date(2026, 4, 6), easter) == 0
    assert arrives_on(date(2026, 4, 3), 0, easter) == date(2026, 4, 3)
    assert carrier_days_between(date(2026, 4, 8), thursday, easter) == 0


@given(mask=MASKS, closed=CLOSED_DAYS, days=st.integers(1, 30), start=st.integers(0, 20))
def test_counting_days_and_going_them_are_opposites(mask: int, closed: frozenset[int], days: int, start: int) -> None:
    idle, sent = on_weekdays(mask, closed_on(closed)), MONDAY + start * DAY
    assert carrier_days_between(sent, arrives_on(sent, days, idle), idle) == days


def test_what_never_opens_is_waited_for_ten_years_and_no_longer() -> None:
    for found in (arrives_on(MONDAY, 1, on_weekdays(0)), next_open(MONDAY, on_weekdays(0))):
        assert 3650 <= (found - MONDAY).days <= 3700


def test_an_order_waits_for_its_day_travels_and_is_taken_in_when_somebody_is_there() -> None:
    """By hand: placed on a Tuesday, taken on Thursday 5 March, three carrier days later is Tuesday the 10th.

    The shop is closed that day and the next, so Thursday the 12th: nine days after the Tuesday.
    """
    tuesday, thursdays = MONDAY + DAY, 0b0001000
    shut = {date(2026, 3, 10), date(2026, 3, 11)}.__contains__
    found = by_day(exactly(3), tuesday, 20, order_days_mask=thursdays, shop_closed=shut)
    assert np.flatnonzero(found).tolist() == [9]


def test_a_supplier_that_is_closed_neither_takes_an_order_nor_sends_it() -> None:
    """By hand: closed 3 to 6 March, an order of Tuesday the 3rd is taken on Saturday the 7th and carried on Monday."""
    shut = {date(2026, 3, day) for day in range(3, 7)}.__contains__
    found = by_day(exactly(1), MONDAY + DAY, 10, supplier_closed=shut)
    assert np.flatnonzero(found).tolist() == [6]


def test_what_comes_beyond_the_horizon_is_in_no_day() -> None:
    half = LeadTime(np.array([0.0, 0.5, 0, 0, 0, 0, 0, 0.5]))
    assert by_day(half, MONDAY, 5).sum() == pytest.approx(0.5)
    assert by_day(half, MONDAY, 20).sum() == pytest.approx(1)
    assert by_day(half, MONDAY, 20, order_days_mask=0).sum() == 0
    assert by_day(half, MONDAY, 20, shop_closed=lambda _: True).sum() == 0


@settings(max_examples=150)
@given(
    saying=st.tuples(st.floats(0, 10), st.floats(0, 4)),
    masks=st.tuples(MASKS, MASKS),
    closed=st.tuples(CLOSED_DAYS, CLOSED_DAYS),
    days=st.tuples(st.integers(0, 20), st.integers(0, 10)),
)
def test_a_later_order_never_comes_earlier(
    saying: tuple[float, float],
    masks: tuple[int, int],
    closed: tuple[frozenset[int], frozenset[int]],
    days: tuple[int, int],
) -> None:
    lead = LeadTime.said(*saying)
    start, later = days
    supplier, shop = map(closed_on, closed)
    how: dict[str, object] = {
        "order_days_mask": masks[0],
        "carrier_weekdays": masks[1],
        "supplier_closed": supplier,
        "shop_closed": shop,
    }
    first = np.cumsum(by_day(lead, MONDAY + start * DAY, 60 + later, **how))
    second = np.cumsum(by_day(lead, MONDAY + (start + later) * DAY, 60, **how))
    assert (first[later:] >= second - 1e-12).all()


def test_an_order_lies_until_the_suppliers_order_day_and_the_next_one_may_be_closed() -> None:
    tuesdays = 0b0000010
    # from a Monday: tomorrow, and a week after that; the Tuesday after where that one is closed
    assert orders_taken(MONDAY, order_days_mask=tuesdays, supplier_closed=never, horizon=60) == (1, 7)
    feast = MONDAY + 8 * DAY
    assert orders_taken(MONDAY, order_days_mask=tuesdays, supplier_closed=feast.__eq__, horizon=60) == (1, 14)
    assert orders_taken(MONDAY, order_days_mask=EVERY_DAY, supplier_closed=never, horizon=60) == (0, 1)
