"""What to order, and from whom."""

from dataclasses import replace
from datetime import date

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from spoolkeep.domain.errors import BadInput
from spoolkeep.domain.reorder import (
    Choice,
    Need,
    OfferTerms,
    Purchase,
    Reason,
    Suggestion,
    best_offer,
    purchase,
    suggest,
    whole_spools,
)

TODAY = date(2026, 11, 20)
GREY = Need(daily_mg=210_000, left_mg=630_000, committed_mg=0, on_order_mg=0, lead_days=6, safety_days=2)


def ask(need: Need, *, review_days: int = 7, cover_days: int = 14) -> Suggestion | None:
    """Give what to order on the 20th of November."""
    return suggest(need, today=TODAY, review_days=review_days, cover_days=cover_days)


def buy(offers: list[OfferTerms], need: Need, *, cover_days: int = 14) -> Purchase | None:
    """Give what to buy on the 20th of November, from one of these offers."""
    return purchase(need, offers, today=TODAY, review_days=7, cover_days=cover_days)


def test_a_colour_that_ends_before_a_delivery_is_ordered_late_and_says_so() -> None:
    # hand calculation: 3 days left, 6 of delivery, 2 of safety: order by the 15th. 210 x (6+2+7+14) = 6,090 g wanted,
    # less 630 = 5,460 g. 3 days short whatever is done.
    assert ask(GREY) == Suggestion(
        wanted_mg=5_460_000,
        gap_days=3,
        why=Reason("late", 210_000, 630_000, 0, 0, 3.0, 6, 2, date(2026, 11, 15)),
    )


def test_a_colour_is_due_when_its_order_day_comes_before_the_next_review() -> None:
    # hand calculation: 3,150 g = 15 days, to 5 December, less 8: the 27th, which is the next order day
    due = ask(replace(GREY, left_mg=3_150_000))
    assert due is not None
    assert (due.why.code, due.why.order_by, due.gap_days) == ("due", date(2026, 11, 27), 0)


def test_a_colour_that_lasts_past_the_next_review_can_wait() -> None:
    assert ask(replace(GREY, left_mg=3_360_000)) is None


def test_what_is_on_order_counts() -> None:
    assert ask(replace(GREY, on_order_mg=3_000_000)) is None


def test_a_late_colour_within_its_safety_days_has_no_gap() -> None:
    # 7 days left, 6 of delivery: one day of the margin is gone, no machine stands
    late = ask(replace(GREY, left_mg=1_470_000))
    assert late is not None
    assert (late.why.code, late.gap_days) == ("late", 0)


def test_a_colour_that_nobody_draws_is_not_ordered() -> None:
    assert ask(replace(GREY, daily_mg=0, left_mg=0)) is None


def test_a_planned_job_that_lacks_plastic_is_bought_for_even_when_nothing_was_drawn() -> None:
    planned = ask(replace(GREY, daily_mg=0, left_mg=500_000, committed_mg=1_700_000, on_order_mg=1_000_000))
    assert planned is not None
    assert (planned.wanted_mg, planned.why.code, planned.gap_days, planned.why.days) == (200_000, "committed", 6, None)


def test_an_exact_number_of_spools_is_not_rounded_up() -> None:
    # hand calculation: 100 g a day x (6 + 2 + 7 + 15) days = 3,000 g = 3 spools
    exact = buy([replace(PLAIN, lead_days=6)], replace(GREY, daily_mg=100_000, left_mg=0), cover_days=15)
    assert exact is not None
    assert exact.choice.spools == 3


NEEDS = st.builds(
    Need,
    daily_mg=st.floats(0, 5e6, allow_nan=False),
    left_mg=st.integers(0, 10**7),
    committed_mg=st.integers(0, 10**7),
    on_order_mg=st.integers(0, 10**7),
    lead_days=st.integers(0, 60),
    safety_days=st.integers(0, 30),
)


@example(need=replace(GREY, daily_mg=100_000 / 3, left_mg=0), review=0, cover=1)
@given(need=NEEDS, review=st.integers(0, 30), cover=st.integers(1, 60))
def test_what_was_just_ordered_is_not_due_again(need: Need, review: int, cover: int) -> None:
    first = ask(need, review_days=review, cover_days=cover)
    if first is None:
        return
    assert first.wanted_mg > 0
    placed = replace(need, on_order_mg=need.on_order_mg + first.wanted_mg)
    assert ask(placed, review_days=review, cover_days=cover) is None


@pytest.mark.parametrize(
    ("need", "review", "cover", "code"),
    [
        (GREY, -1, 14, "bad_review"),
        (GREY, 7, 0, "bad_cover"),
        (replace(GREY, lead_days=-1), 7, 14, "negative_figure"),
    ],
)
def test_terms_that_cannot_be_are_refused(need: Need, review: int, cover: int, code: str) -> None:
    with pytest.raises(BadInput) as refused:
        ask(need, review_days=review, cover_days=cover)
    assert refused.value.code == code


def test_grams_become_whole_spools() -> None:
    assert [whole_spools(mg, spool_mg=1000) for mg in (-5, 0, 1, 1000, 1001)] == [0, 0, 1, 1, 2]


PLAIN = OfferTerms(1, price_minor=1800, spool_mg=1_000_000)
BROKEN = OfferTerms(2, price_minor=2000, spool_mg=1_000_000, breaks=((5, 1900), (10, 1500)))


def test_the_cheaper_offer_is_taken() -> None:
    assert best_offer([BROKEN, PLAIN], 2_500_000) == Choice(1, 3, 3_000_000, 1800, 5400)


def test_more_is_bought_where_a_break_makes_the_whole_cheaper() -> None:
    # hand calculation: 9 x 18.00 = 162.00 and 9 x 19.00 = 171.00, but 10 x 15.00 = 150.00
    assert best_offer([PLAIN, BROKEN], 8_200_000) == Choice(2, 10, 10_000_000, 1500, 15000)


def test_a_break_is_reached_in_whole_packs() -> None:
    packed = replace(BROKEN, pack=4)
    # 10 spools cannot be bought in fours: 12 x 15.00 = 180.00 against 8 x 19.00 = 152.00
    assert best_offer([packed], 7_000_000) == Choice(2, 8, 8_000_000, 1900, 15200)


def test_of_two_equal_offers_the_earlier_is_taken() -> None:
    twin = replace(PLAIN, offer_id=9)
    chosen = [best_offer(offers, 1) for offers in ([PLAIN, twin], [twin, PLAIN])]
    assert [choice.offer_id for choice in chosen if choice] == [1, 9]


def test_spools_of_another_size_are_compared_by_the_whole() -> None:
    large = OfferTerms(3, price_minor=6000, spool_mg=5_000_000)
    assert [choice.offer_id for grams in (1000, 4000) if (choice := best_offer([PLAIN, large], grams * 1000))] == [1, 3]


def test_an_all_units_discount_matches_the_textbooks_price() -> None:
    # Snyder and Shen, example 3.5: breaks at 400 and 800, prices 0.75, 0.72, 0.68; in hundredths
    terms = OfferTerms(1, price_minor=75, spool_mg=1, breaks=((400, 72), (800, 68)))
    assert [terms.price_at(spools) for spools in (1, 399, 400, 799, 800)] == [75, 75, 72, 72, 68]


def test_nothing_needed_or_offered_is_nothing_bought() -> None:
    assert best_offer([PLAIN], 0) is None
    assert best_offer([], 1000) is None


@st.composite
def terms(draw: st.DrawFn) -> OfferTerms:
    """Give an offer with up to three falling breaks."""
    counts = sorted(draw(st.sets(st.integers(2, 30), max_size=3)))
    prices = sorted(draw(st.lists(st.integers(0, 50), min_size=4, max_size=4)), reverse=True)
    breaks = tuple(zip(counts, prices[1:], strict=False))
    return OfferTerms(draw(st.integers(1, 99)), prices[0], draw(st.integers(1, 5)), draw(st.integers(1, 6)), breaks)


@given(offers=st.lists(terms(), min_size=1, max_size=4), need=st.integers(1, 40))
def test_no_other_purchase_is_cheaper(offers: list[OfferTerms], need: int) -> None:
    chosen = best_offer(offers, need)
    assert chosen is not None
    assert chosen.mg >= need
    every = [
        spools * offer.price_at(spools)
        for offer in offers
        for spools in range(offer.pack, 80, offer.pack)
        if spools * offer.spool_mg >= need
    ]
    assert chosen.total_minor == min(every)


QUICK = OfferTerms(1, price_minor=3000, spool_mg=1_000_000, lead_days=2)
SLOW = OfferTerms(2, price_minor=1000, spool_mg=1_000_000, lead_days=40)
STEADY = replace(GREY, daily_mg=100_000, left_mg=600_000)
"""6 days left at 100 g a day, 2 of them kept in reserve."""


def test_a_cheap_supplier_who_comes_too_late_is_passed_over_and_named() -> None:
    # hand calculation: 6 days last; the quick one has 4 to spare, the slow one would leave 34 days without.
    # 100 x (2 + 2 + 7 + 14) - 600 = 1,900 g: 2 spools
    bought = buy([SLOW, QUICK], STEADY)
    assert bought is not None
    assert bought.choice == Choice(1, 2, 2_000_000, 3000, 6000)
    assert (bought.suggestion.gap_days, bought.suggestion.why.lead_days, bought.suggestion.wanted_mg) == (
        0,
        2,
        1_900_000,
    )
    assert bought.passed_over == 2


def test_a_cheap_slow_supplier_is_ordered_from_while_there_is_time() -> None:
    # hand calculation: 45 days last; the slow one is to be ordered in 45 - 40 - 2 = 3 days, the quick one in 41.
    # 100 x (40 + 2 + 7 + 14) - 4,500 = 1,800 g
    bought = buy([QUICK, SLOW], replace(STEADY, left_mg=4_500_000))
    assert bought is not None
    assert bought.choice == Choice(2, 2, 2_000_000, 1000, 2000)
    assert (bought.suggestion.why.code, bought.suggestion.why.lead_days) == ("due", 40)
    assert bought.passed_over is None


def test_an_item_waits_for_the_cheaper_supplier_where_that_is_the_quick_one() -> None:
    cheap_and_quick = replace(QUICK, price_minor=900)
    assert buy([cheap_and_quick, SLOW], replace(STEADY, left_mg=4_500_000)) is None


def test_where_all_come_too_late_the_shortest_gap_is_taken_and_is_its_own() -> None:
    # hand calculation: none left; 2 days without from the quick supplier, 40 from the slow one
    bought = buy([SLOW, QUICK], replace(STEADY, left_mg=0))
    assert bought is not None
    assert (bought.choice.offer_id, bought.suggestion.gap_days, bought.passed_over) == (1, 2, 2)


def test_the_reserve_is_used_up_only_where_nobody_else_comes_in_time() -> None:
    # hand calculation: 6 days last; 5 of delivery leave one day of the reserve of 2
    tight = replace(SLOW, lead_days=5)
    for offers, chosen, code in (([tight, QUICK], 1, "due"), ([tight], 2, "late")):
        bought = buy(offers, STEADY)
        assert bought is not None
        assert (bought.choice.offer_id, bought.suggestion.why.code, bought.suggestion.gap_days) == (chosen, code, 0)


def test_a_single_spool_is_not_bought_as_a_pack_of_ten_for_a_lower_price_each() -> None:
    # hand calculation: 800 g wanted: one spool at 20.00, not ten at 19.00
    need = replace(STEADY, daily_mg=0, left_mg=0, committed_mg=800_000)
    packed = OfferTerms(1, price_minor=1900, spool_mg=1_000_000, pack=10)
    single = OfferTerms(2, price_minor=2000, spool_mg=1_000_000)
    bought = buy([packed, single], need)
    assert bought is not None
    assert bought.choice == Choice(2, 1, 1_000_000, 2000, 2000)


def test_nobody_who_offers_it_is_nobody_to_buy_from() -> None:
    assert buy([], STEADY) is None


@given(need=NEEDS, offers=st.lists(terms(), min_size=1, max_size=4), leads=st.lists(st.integers(0, 60), min_size=4))
def test_no_other_offer_would_leave_a_shorter_gap(need: Need, offers: list[OfferTerms], leads: list[int]) -> None:
    numbered = [
        replace(offer, offer_id=at, spool_mg=offer.spool_mg * 250_000, lead_days=leads[at])
        for at, offer in enumerate(offers)
    ]
    bought = buy(numbered, need)
    alone = [one for offer in numbered if (one := ask(replace(need, lead_days=offer.lead_days)))]
    if bought is None:
        assert len(alone) < len(numbered)
        return
    chosen = numbered[bought.choice.offer_id]
    assert bought.suggestion == ask(replace(need, lead_days=chosen.lead_days))
    assert bought.choice.mg >= bought.suggestion.wanted_mg
    assert bought.choice.spools % chosen.pack == 0
    assert bought.suggestion.gap_days == min([one.gap_days for one in alone] if len(alone) == len(numbered) else [0])


@pytest.mark.parametrize(
    ("price", "pack", "breaks", "code"),
    [
        (-1, 1, (), "bad_price"),
        (100, 0, (), "bad_pack"),
        (100, 1, ((10, 90), (5, 80)), "breaks_out_of_order"),
        (100, 1, ((5, 90), (5, 80)), "breaks_out_of_order"),
        (100, 1, ((1, 90),), "breaks_out_of_order"),
        (100, 1, ((5, 110),), "dearer_break"),
    ],
)
def test_an_offer_that_cannot_be_is_refused(
    price: int, pack: int, breaks: tuple[tuple[int, int], ...], code: str
) -> None:
    with pytest.raises(BadInput) as refused:
        OfferTerms(1, price, 1_000_000, pack, breaks)
    assert refused.value.code == code
