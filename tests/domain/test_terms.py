"""On what terms plastic is sold, and what an order comes to."""

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from spoolkeep.domain.errors import BadInput
from spoolkeep.domain.terms import Bought, OfferTerms, SellerTerms, bill, less_off, whole_spools

PLAIN = OfferTerms(1, price_minor=1800, spool_mg=1_000_000)
BROKEN = OfferTerms(2, price_minor=2000, spool_mg=1_000_000, breaks=((5, 1900), (10, 1500)))
BASKET = SellerTerms(1, parcel_minor=490, free_from_minor=10_000, basket=((10, 50_000), (20, 100_000)))


def test_grams_become_whole_spools() -> None:
    assert [whole_spools(mg, spool_mg=1000) for mg in (-5, 0, 1, 1000, 1001)] == [0, 0, 1, 1, 2]


def test_spools_come_in_whole_packs_from_the_least_number_on() -> None:
    assert whole_spools(2001, spool_mg=1000, pack=2) == 4
    assert replace(PLAIN, pack=2, least_spools=3).first_spools == 4


def test_an_all_units_discount_matches_the_textbooks_price() -> None:
    # Snyder and Shen, example 3.5: breaks at 400 and 800, prices 0.75, 0.72, 0.68; in hundredths
    terms = OfferTerms(1, price_minor=75, spool_mg=1, breaks=((400, 72), (800, 68)))
    assert [terms.price_at(spools) for spools in (1, 399, 400, 799, 800)] == [75, 75, 72, 72, 68]


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


@pytest.mark.parametrize(
    ("terms", "code"),
    [
        ({"parcel_minor": -1}, "negative_price"),
        ({"least_minor": -1}, "negative_price"),
        ({"basket": ((10, 50_000), (5, 60_000))}, "breaks_out_of_order"),
        ({"basket": ((10, 50_000), (20, 40_000))}, "dearer_break"),
        ({"basket": ((10, 1_000_000),)}, "dearer_break"),
    ],
)
def test_a_supplier_whose_terms_cannot_be_is_refused(terms: dict[str, object], code: str) -> None:
    with pytest.raises(BadInput) as refused:
        SellerTerms(1, **terms)  # type: ignore[arg-type]
    assert refused.value.code == code


def test_an_offer_sold_from_no_spool_on_is_refused() -> None:
    with pytest.raises(BadInput) as refused:
        replace(PLAIN, least_spools=0)
    assert refused.value.code == "bad_least"


def test_a_basket_counts_all_spools_and_comes_after_an_items_own_break() -> None:
    # hand calculation: 7 + 5 spools reach ten: 5 % off. 5 x 19.00 at the break: 18.05; 7 x 18.00: 17.10
    done = bill([Bought(BROKEN, 5), Bought(PLAIN, 7)], BASKET)
    assert done.prices_minor == (1805, 1710)
    assert (done.goods_minor, done.off_ppm) == (5 * 1805 + 7 * 1710, 50_000)


def test_a_parcel_is_free_from_what_the_goods_come_to() -> None:
    # hand calculation: 5 x 18.00 = 90.00 pay the parcel; 6 x 18.00 = 108.00 do not
    assert [bill([Bought(PLAIN, many)], BASKET).total_minor for many in (5, 6)] == [9490, 10_800]


def test_no_line_pays_no_parcel() -> None:
    assert bill([], BASKET).total_minor == 0


def test_half_a_minor_unit_is_rounded_up() -> None:
    assert [less_off(minor, 50_000) for minor in (10, 30, 1999)] == [10, 29, 1899]  # 9.5, 28.5, 1899.05


@given(spools=st.lists(st.integers(1, 40), min_size=1, max_size=5))
def test_a_bill_adds_up_and_nobody_pays_more_by_the_basket(spools: list[int]) -> None:
    lines = [Bought(BROKEN if at % 2 else PLAIN, many) for at, many in enumerate(spools)]
    done, without = bill(lines, BASKET), bill(lines, replace(BASKET, basket=()))
    assert done.total_minor == done.freight_minor + sum(
        price * line.spools for price, line in zip(done.prices_minor, lines, strict=True)
    )
    assert done.goods_minor <= without.goods_minor
