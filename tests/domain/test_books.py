"""The books of stock: hand calculations by each cost flow, and the identity whatever happens."""

import random
from collections.abc import Sequence
from datetime import date, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from spoolkeep.domain.books import POOLS, AveragePool, FifoPool, Flow, Moved, Pool, day_order, one_by_one, run
from spoolkeep.domain.ledger import Report, replay
from spoolkeep.domain.words import CostFlow, Kind

KG = 1_000_000
BOUGHT = [Moved(Kind.DELIVERY, 10 * KG, 10_000), Moved(Kind.DELIVERY, 10 * KG, 12_000)]


def _told(kind: Kind, mg: int, value_minor: int) -> Moved:
    """Give a line as the ledger has them; what comes in has a cost of its own sign, a later cost no grams."""
    if kind is Kind.COST:
        return Moved(kind, 0, value_minor)
    comes_in = kind in {Kind.OPENING, Kind.DELIVERY} and mg
    return Moved(kind, mg, abs(value_minor) * (1 if mg > 0 else -1) if comes_in else value_minor)


moves = st.lists(
    st.builds(_told, st.sampled_from(Kind), st.integers(-5 * KG, 5 * KG), st.integers(-20_000, 20_000)), max_size=30
)


def test_first_in_first_out_by_hand() -> None:
    # IAS 2, 27 (from memory): what remains is of what was bought last. 15 kg of 10 at 10.00 and 10 at 12.00:
    # 10 x 10.00 + 5 x 12.00 = 160.00 used, 5 x 12.00 = 60.00 left
    flow = run(FifoPool(), [*BOUGHT, Moved(Kind.DRAW, -15 * KG, 0)])
    assert (flow.bought_minor, flow.used_minor, flow.closing_minor) == (22_000, 16_000, 6_000)
    assert (flow.bought_mg, flow.used_mg, flow.closing_mg) == (20 * KG, 15 * KG, 5 * KG)


def test_the_weighted_average_by_hand() -> None:
    # IAS 2, 27 (from memory): the mean of what is there: 220.00 / 20 kg = 11.00 a kilogram
    flow = run(AveragePool(), [*BOUGHT, Moved(Kind.DRAW, -15 * KG, 0)])
    assert (flow.used_minor, flow.closing_minor) == (16_500, 5_500)


def test_an_average_moves_with_each_delivery() -> None:
    # 10 kg at 10.00, 5 kg drawn (50.00); then 5 kg at 16.00: (50.00 + 80.00) / 10 = 13.00 a kilogram
    pool = AveragePool()
    first = run(pool, [Moved(Kind.DELIVERY, 10 * KG, 10_000), Moved(Kind.DRAW, -5 * KG, 0)])
    then = run(pool, [Moved(Kind.DELIVERY, 5 * KG, 8_000), Moved(Kind.DRAW, -2 * KG, 0)])
    assert first.closing_minor == then.opening_minor == 5_000
    assert (then.used_minor, then.closing_minor) == (2_600, 10_400)


def test_what_goes_back_is_what_came_last() -> None:
    flow = run(FifoPool(), [*BOUGHT, Moved(Kind.RETURN, -4 * KG, 0)])
    assert (flow.returned_minor, flow.closing_minor) == (4_800, 17_200)


@pytest.mark.parametrize("flow", CostFlow)
def test_freight_that_comes_later_is_borne_by_what_is_left_and_what_was_drawn(flow: CostFlow) -> None:
    # of 10 kg 6 are gone when 1.00 of freight is told: the ledger says that 0.60 of it was used
    pool = POOLS[flow]()
    told = [Moved(Kind.DELIVERY, 10 * KG, 10_000), Moved(Kind.DRAW, -6 * KG, 0)]
    late = [Moved(Kind.COST, 0, 100), Moved(Kind.DRAW, 0, -60)]
    found = run(pool, [*told, *late])
    assert (found.bought_minor, found.used_minor, found.closing_minor) == (10_100, 6_060, 4_040)


@pytest.mark.parametrize("flow", CostFlow)
def test_a_cost_that_nothing_is_left_to_bear_was_used(flow: CostFlow) -> None:
    found = run(POOLS[flow](), [BOUGHT[0], Moved(Kind.DRAW, -10 * KG, 0), Moved(Kind.COST, 0, 250)])
    assert (found.bought_minor, found.used_minor, found.closing_minor) == (10_250, 10_250, 0)


@pytest.mark.parametrize("flow", CostFlow)
def test_a_delivery_taken_back_leaves_the_books_as_they_were(flow: CostFlow) -> None:
    pool = POOLS[flow]()
    found = run(pool, [BOUGHT[0], BOUGHT[1], Moved(Kind.DELIVERY, -10 * KG, -12_000)])
    assert (found.bought_minor, found.closing_mg) == (10_000, 10 * KG)
    assert found.gap_minor == 0


@pytest.mark.parametrize("flow", CostFlow)
def test_what_is_found_is_worth_what_a_gram_costs_here(flow: CostFlow) -> None:
    found = run(POOLS[flow](), [BOUGHT[0], Moved(Kind.WEIGHING, KG, 0)])
    assert (found.differed_mg, found.differed_minor, found.closing_minor) == (-KG, -1_000, 11_000)


def test_a_day_s_deliveries_come_before_its_draws() -> None:
    told = [Moved(Kind.DRAW, -KG, 0), Moved(Kind.COST, 0, 5), Moved(Kind.DELIVERY, KG, 9), Moved(Kind.COUNT, 5, 0)]
    assert [one.kind for one in sorted(told, key=day_order)] == [Kind.DELIVERY, Kind.COST, Kind.COUNT, Kind.DRAW]


@given(st.sampled_from(CostFlow), moves, moves)
def test_the_identity_holds_to_the_cent_whatever_is_told(flow: CostFlow, first: list[Moved], then: list[Moved]) -> None:
    pool: Pool = POOLS[flow]()
    one, two = run(pool, first), run(pool, then)
    both = one + two
    assert one.gap_minor == two.gap_minor == 0
    assert (one.closing_mg, one.closing_minor) == (two.opening_mg, two.opening_minor)
    assert min(one.closing_minor, two.closing_minor) >= 0
    assert both.opening_mg + both.bought_mg == one.bought_mg + two.bought_mg + two.opening_mg
    spools = one_by_one(one_by_one(Flow(), first), then)
    assert spools.gap_minor == 0


def _life(random_: random.Random) -> list[Report]:
    """Give what is reported of one spool: it comes, is drawn on, weighed, costs more, goes back or is scrapped."""
    kinds = random_.choices(
        [Kind.DRAW, Kind.WEIGHING, Kind.COUNT, Kind.COST, Kind.RETURN, Kind.SCRAP, Kind.FOUND],
        [10, 2, 1, 1, 1, 1, 1],
        k=random_.randint(0, 12),
    )
    reports = [Report(0, Kind.DELIVERY, random_.choice([250, 750, 1000]) * 1000, None, random_.randint(0, 4000))]
    for number, kind in enumerate(kinds, 1):
        mg = random_.randint(1, 400_000)
        if kind in {Kind.WEIGHING, Kind.COUNT, Kind.SCRAP, Kind.RETURN}:
            leaves = 0 if kind in {Kind.SCRAP, Kind.RETURN} else mg
            reports.append(Report(number, kind, None, leaves))
        elif kind is Kind.COST:
            reports.append(Report(number, kind, 0, None, random_.randint(-300, 900)))
        else:
            reports.append(Report(number, kind, mg if kind is Kind.FOUND else -mg, None))
    return reports


def _days(random_: random.Random, lives: Sequence[list[Report]]) -> tuple[list[list[Moved]], int, int]:
    """Give by day what the ledger books of these spools, and what is left of them in grams and value."""
    by_day: dict[date, list[Moved]] = {}
    left = value = 0
    for reports in lives:
        day = date(2026, 1, 1) + timedelta(days=random_.randint(0, 40))
        state, booked = replay(reports)
        days = {}
        for one in reports:
            day += timedelta(days=random_.randint(0, 9))
            days[one.movement_id] = day
        for line in booked:
            by_day.setdefault(days[line.movement_id], []).append(Moved(line.kind, line.mg, line.value_minor))
        left += state.left_mg
        value += sum(line.value_minor for line in booked)
    return [sorted(some, key=day_order) for _, some in sorted(by_day.items())], left, value


@pytest.mark.parametrize("flow", CostFlow)
def test_five_hundred_histories_agree_with_the_ledger_to_the_gram_and_the_cent(flow: CostFlow) -> None:
    for seed in range(500):
        random_ = random.Random(seed)  # noqa: S311 - no secret
        days, left_mg, value_minor = _days(random_, [_life(random_) for _ in range(random_.randint(1, 8))])
        pool = POOLS[flow]()
        flows = [run(pool, some) for some in days]
        spools = [Flow()]
        for some in days:
            spools.append(one_by_one(spools[-1], some))
        assert all(one.gap_minor == 0 for one in [*flows, *spools])
        assert flows[-1].closing_mg == spools[-1].closing_mg == left_mg
        assert spools[-1].closing_minor == value_minor
        bought = sum(one.bought_minor for one in flows)
        assert bought == sum(one.bought_minor for one in spools)
        out = sum(one.used_minor + one.differed_minor + one.written_off_minor + one.returned_minor for one in flows)
        assert bought - out == flows[-1].closing_minor
