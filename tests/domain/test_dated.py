"""What a price that ends, or one that begins, does to an order."""

import numpy as np
import numpy.typing as npt
import pytest

from spoolkeep.domain.dated import Way, days_ahead
from spoolkeep.domain.planned import Cause, House, Line, Lot, Plan, Source, State
from spoolkeep.domain.reorder import plan
from spoolkeep.domain.shortfall import HORIZON, Floats, Pile
from spoolkeep.domain.terms import OfferTerms, SellerTerms

KG = 1_000_000
CARRY = 0.2 / 365
LEAD = 5
PARCEL, MINUTES = 500, 500.0
NOW, DEARER = 1800, 1830


def pile(*items: tuple[float, float], spread: float = 0.0, lost: float = 4200.0) -> Pile:
    """Give items that are drawn so many grams a day and of which so many are here."""
    days = np.arange(HORIZON + 1, dtype=np.float64)
    mean: Floats = np.array([daily * 1000.0 for daily, _ in items])[:, None] * days
    held = np.repeat(np.array([here * 1000.0 for _, here in items])[:, None], HORIZON + 1, axis=1)
    return Pile(mean, mean * spread * 40_000.0, held, np.full(len(items), lost), np.ones(len(items)))


def source(number: int = 1, *, parcel: int = PARCEL) -> Source:
    """Give a supplier that delivers in five days."""
    serves = np.zeros(HORIZON + 1)
    serves[LEAD] = 1.0
    return Source(SellerTerms(number, parcel), serves)


def lot(offer: int, price: int, *, item: int = 0, at: int = 0, begins: int = 0, ends: int | None = None) -> Lot:
    """Give an offer of a spool of a kilogram that can be ordered from a day on, up to another."""
    return Lot(item, at, OfferTerms(offer, price, KG), 0.0, begins, ends)


def planned(items: Pile, *sold: Lot, sources: tuple[Source, ...] = (), **house: int) -> Plan:
    """Give the plan."""
    terms = House(MINUTES, CARRY, **{"most_days": HORIZON, **house})
    return plan(items, sold, sources or (source(),), terms)


def only(items: Pile, *sold: Lot, **house: int) -> Line:
    """Give the line of the one item."""
    return planned(items, *sold, sources=(), **house).lines[0]


def bears(line: Line) -> bool:
    """Tell whether another price bears on what is bought, and is not only named."""
    return line.turn is not None and (line.turn.ahead_spools > 0 or line.turn.waits_days is not None)


def way(price: float, *, begins: int = 0, ends: int | None = None) -> Way:
    """Give a way to buy at a price a kilogram."""
    return Way(round(price), 0, price / KG, 0.0, source().serves, PARCEL + MINUTES, begins, ends)


@pytest.mark.parametrize(("now", "then"), [(1800, 1900), (1800, 1830), (2000, 2040)])
def test_a_dearer_price_is_bought_ahead_of_by_the_textbooks_days(now: int, then: int) -> None:
    # Silver, Pyke and Peterson (1998), section 5.9 (from memory): beyond the usual order, (v2 - v1) / (v1 r)
    holding = now / KG * CARRY
    spares = days_ahead([way(now, ends=0), way(then)], holding=holding, length=20, next_look=1, most_days=400)
    assert len(spares) == pytest.approx(LEAD + 20 + (then - now) / (now * CARRY), abs=1.5)
    assert (np.diff(spares[LEAD:]) < 0).all()


def test_no_more_is_bought_ahead_than_until_a_price_as_good_comes_again() -> None:
    usual = {"holding": NOW / KG * CARRY, "length": 20, "next_look": 1, "most_days": 400}
    ends, dear, again = way(NOW, ends=0), way(2200), way(NOW, begins=45)
    assert len(days_ahead([ends, dear, again], **usual)) == 45 + LEAD - 1  # type: ignore[arg-type]
    assert len(days_ahead([ends, dear], **usual)) > 300  # type: ignore[arg-type]


def test_what_nobody_sells_later_is_not_guessed() -> None:
    usual = {"holding": 1e-6, "length": 20, "next_look": 1, "most_days": 120}
    assert not len(days_ahead([way(NOW, ends=0)], **usual))  # type: ignore[arg-type]
    (alone, standing) = (only(pile((400, 2000)), lot(1, NOW, ends=end)) for end in (0, None))
    assert alone.spools == standing.spools
    assert alone.turn is None


def test_a_price_that_ends_before_the_next_look_is_bought_ahead_of() -> None:
    usual = only(pile((400, 2000)), lot(1, NOW), lot(2, DEARER))
    ending = only(pile((400, 2000)), lot(1, NOW, ends=0), lot(2, DEARER))
    assert ending.spools > usual.spools > 0
    assert ending.turn is not None
    assert ending.turn.offer_id == 2
    assert ending.turn.ahead_spools == ending.spools - usual.spools
    # hand calculation: each spool spares at most the rise, less what it lies for
    assert 0 < ending.turn.spared_minor < ending.turn.ahead_spools * (DEARER - NOW)


def test_a_price_that_still_holds_at_the_next_look_can_wait() -> None:
    line = only(pile((400, 2000)), lot(1, NOW, ends=7), lot(2, DEARER))
    assert line.turn is not None
    assert line.turn.ahead_spools == 0
    assert line.spools == only(pile((400, 2000)), lot(1, NOW)).spools
    assert only(pile((400, 2000)), lot(1, NOW, ends=7), lot(2, DEARER), review_days=8).spools > line.spools


def test_a_rise_that_costs_more_than_an_order_is_a_reason_to_order() -> None:
    lasting = pile((400, 12_000))
    assert only(lasting, lot(1, NOW)).spools == 0
    ending = only(lasting, lot(1, NOW, ends=0), lot(2, 1900))
    assert (ending.state, ending.cause) == (State.NOW, Cause.ENDS)
    assert only(lasting, lot(1, NOW, ends=0), lot(2, NOW + 10)).spools == 0


def test_what_is_bought_ahead_keeps_to_the_budget_the_room_and_the_days() -> None:
    sold = lot(1, NOW, ends=0), lot(2, DEARER)
    free = only(pile((400, 2000)), *sold).spools
    assert only(pile((400, 2000)), *sold, room_spools=free - 1).spools < free
    assert only(pile((400, 2000)), *sold, budget_minor=NOW * (free - 1) + PARCEL).spools < free
    assert only(pile((400, 2000)), *sold, most_days=60).spools <= 60 * 400 / 1000 - 2 + 1


def test_a_better_price_is_waited_for_where_enough_is_here() -> None:
    here = pile((100, 800), spread=2.0)
    assert only(here, lot(1, NOW)).spools > 0
    line = only(here, lot(1, NOW), lot(2, 1200, begins=2))
    assert (line.spools, line.state, line.order_by_days) == (0, State.BY, 2)
    assert line.turn is not None
    assert (line.turn.offer_id, line.turn.ahead_spools) == (2, 0)
    assert line.turn.spared_minor > PARCEL + MINUTES


def test_only_what_must_last_until_a_better_price_is_bought_today() -> None:
    low = pile((100, 200), spread=0.5)
    full = only(low, lot(1, NOW)).spools
    line = only(low, lot(1, NOW), lot(2, 1200, begins=14))
    assert 0 < line.spools < full / 2
    assert line.turn is not None
    assert line.turn.waits_days == 14
    # hand calculation: what it draws until an order of then comes
    assert line.spools >= ((14 + LEAD) * 100 - 200) // 1000


def test_a_better_price_is_not_waited_for_where_its_parcel_costs_what_it_spares() -> None:
    here, both = pile((20, 150), spread=0.5), (source(), source(2, parcel=2500))
    sold = lot(1, NOW), lot(2, NOW - 60, at=1, begins=2)
    found = planned(here, *sold, sources=both).lines[0]
    assert found.spools > 0
    assert not bears(found)


def test_what_waits_takes_the_reason_to_order_with_it() -> None:
    items = pile((100, 800), (60, 2000), spread=2.0)
    plain = [lot(1, NOW), lot(2, NOW, item=1)]
    assert all(line.spools for line in planned(items, *plain).lines)
    found = planned(items, *plain, lot(3, 1200, begins=2)).lines
    assert [line.spools for line in found] == [0, 0]


def test_a_gap_in_which_nobody_sells_it_is_bought_over() -> None:
    # hand calculation: sold until day 2 and again from day 40, it must last 45 days, of which 12 are here
    sold = lot(1, NOW, ends=2), lot(2, 1700, begins=40)
    for here in (1200, 2000, 3000):
        early, last = (only(pile((100, here), spread=0.5), *sold, review_days=days) for days in (2, 7))
        assert early.spools == 0
        assert early.order_by_days is not None
        assert early.order_by_days <= 2
        assert last.state is State.NOW
        assert last.spools * 1000 + here >= 4500


def test_what_waits_keeps_a_discount_that_is_worth_more() -> None:
    basket = source(), Source(SellerTerms(1, PARCEL, basket=((20, 100_000),)), source().serves)
    items = pile((150, 800), (150, 900), spread=2.0)
    sold = [lot(1, NOW), lot(2, NOW, item=1), lot(3, 1600, begins=2)]
    plain, off = (planned(items, *sold, sources=(one,)).lines for one in basket)
    assert not bears(off[0])
    assert sum(line.spools for line in off) >= 20
    assert bears(plain[0])


def test_nothing_is_left_to_run_out_for_a_price_that_is_far_away() -> None:
    for lost in (0.7, 70.0, 4200.0):
        line = only(pile((100, 300), spread=2.0, lost=lost), lot(1, NOW), lot(2, 900, begins=100))
        plain = only(pile((100, 300), spread=2.0, lost=lost), lot(1, NOW))
        assert line.state is not State.ENOUGH or plain.state is State.ENOUGH
        assert (line.spools > 0) == (plain.spools > 0)
        assert line.spools == plain.spools or line.spools * 1000 + 300 >= 100 * 85


def test_a_short_offer_is_waited_for_on_its_first_day_whatever_the_looks() -> None:
    line = only(pile((100, 2000), spread=0.5), lot(1, NOW), lot(2, 1200, begins=8, ends=9), review_days=7)
    assert line.spools == 0
    low = only(pile((100, 1300), spread=0.5), lot(1, NOW), lot(2, 1200, begins=5, ends=6), review_days=7)
    assert low.turn is not None
    assert low.turn.waits_days == 5
    assert low.spools <= 2


def test_an_order_is_not_placed_for_what_spares_nothing_beside_what_waits_for_its_own() -> None:
    items = pile((100, 1100), (40, 3500), spread=2.0)
    sold = [lot(1, NOW), lot(2, NOW, item=1, ends=0), lot(3, NOW + 1, item=1)]
    found = planned(items, *sold, review_days=14).lines
    assert not any(line.turn and line.turn.ahead_spools and line.turn.spared_minor < 1 for line in found)


def test_an_order_for_one_price_that_ends_leaves_what_is_cheaper_soon() -> None:
    items = pile((400, 12_000), (300, 9_000))
    sold = [lot(1, NOW, ends=0), lot(2, 1900), lot(3, NOW, item=1), lot(4, 1500, item=1, begins=3)]
    found = planned(items, *sold).lines
    assert found[0].cause is Cause.ENDS
    assert found[1].spools == 0


def test_a_better_price_to_come_is_named_where_nothing_is_due() -> None:
    line = only(pile((100, 4500)), lot(1, NOW), lot(2, 1500, begins=5))
    assert line.spools == 0
    assert line.turn is not None
    assert (line.turn.offer_id, line.turn.ahead_spools, line.turn.waits_days) == (2, 0, None)


def test_an_offer_that_has_not_begun_is_not_ordered_and_is_named() -> None:
    line = only(pile((100, 300)), lot(1, NOW, begins=3))
    assert (line.state, line.spools) == (State.NOBODY, 0)
    assert line.turn is not None
    assert (line.turn.offer_id, line.turn.waits_days) == (1, 3)


def cost_of(first: int, *, daily: float, prices: npt.NDArray[np.float64], days: int) -> float:
    """Give what it costs to meet a steady draw for so many days, if the first order has so many spools.

    Of spools that are drawn one after the other, each bought on a day of choice. Source: Wagner and Whitin, with prices
    that change (Silver, Pyke and Peterson 1998, section 6.3, from memory): an order is placed when nothing is left.
    """
    lasts = 1000.0 / daily
    needed = int(days / lasts)
    holding = prices[0] / 1000.0 * CARRY * 1000.0
    best = np.full(needed + 1, np.inf)
    best[needed] = 0.0

    def bought(start: int, many: int) -> float:
        on = int(start * lasts)
        lies = holding * lasts * (many * many / 2.0)
        return float(PARCEL + MINUTES + many * prices[on] + lies)

    for start in range(needed - 1, 0, -1):
        best[start] = min(bought(start, many) + best[start + many] for many in range(1, needed - start + 1))
    return bought(0, first) + float(best[first])


@pytest.mark.parametrize("daily", [400.0, 900.0])
@pytest.mark.parametrize("then", [1800, 1812, 1840, 1900])
def test_what_is_bought_ahead_costs_hardly_more_than_the_best_number_of_spools(daily: float, then: int) -> None:
    days = 240
    prices = np.full(days, float(then))
    prices[0] = NOW
    here = daily * LEAD  # an order of today comes as the last is drawn
    line = only(pile((daily, here)), lot(1, NOW, ends=0), lot(2, then))
    most = int((HORIZON - LEAD) * daily / 1000)  # of what the plan may buy
    every = {many: cost_of(many, daily=daily, prices=prices, days=days) for many in range(1, most + 1)}
    lost = every[line.spools] - min(every.values())
    assert lost <= 0.05 * (PARCEL + MINUTES)
    if line.turn is not None and bears(line):
        assert every[line.spools - line.turn.ahead_spools] - min(every.values()) > lost
    assert bears(line) == (then > NOW)
