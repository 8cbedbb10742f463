"""Why the material share moved: the parts add up, turn with time, and are those of a hand calculation."""

from math import exp, fsum, log

import pytest
from hypothesis import given
from hypothesis import strategies as st

from spoolkeep.domain.split import whole_parts
from spoolkeep.domain.whymoved import TENTHS_PER_WHOLE, Effect, SpanUse, Used, log_mean, moved, split

cents, milligrams = st.integers(0, 10**7), st.integers(0, 10**9)
items = st.dictionaries(
    st.integers(1, 6),
    st.builds(lambda cost, good, waste: Used(cost, good + waste, good), cents, milligrams, milligrams),
    min_size=1,
    max_size=6,
)
spans = st.builds(SpanUse, items, st.integers(10_000, 10**9))


def test_the_logarithmic_mean() -> None:
    assert log_mean(2.0, 1.0) == pytest.approx(1 / log(2))  # Ang (2005), formula (3): (a - b) / (ln a - ln b)
    assert log_mean(3.0, 3.0) == 3.0
    assert log_mean(0.0, 3.0) == log_mean(3.0, 0.0) == 0.0
    assert log_mean(1.0 + 1e-12, 1.0) == pytest.approx(1.0)
    assert log_mean(exp(1), 1.0) == pytest.approx(exp(1) - 1)


def test_one_item_by_hand() -> None:
    # 20.00 a kilogram, 1 of 10 wasted, 900 g good on 1,000.00: a share of 2 %; then 22.00, none wasted, on 880.00
    before = SpanUse({1: Used(2000, 1_000_000, 900_000)}, 100_000)
    after = SpanUse({1: Used(2200, 1_000_000, 1_000_000)}, 88_000)
    parts = split(before, after)
    assert parts is not None
    mean = (0.025 - 0.02) / log(0.025 / 0.02)
    assert parts[1][Effect.PRICE] == pytest.approx(mean * log(1.1))
    assert parts[1][Effect.WASTE] == pytest.approx(mean * log(0.9))
    assert parts[1][Effect.MIX] == pytest.approx(0.0)
    assert parts[1][Effect.DENSITY] == pytest.approx(mean * log((1 / 0.88) / 0.9))
    found = moved(before, after)
    assert found is not None
    assert (found.before_tenths, found.after_tenths, found.tenths) == (2000, 2500, 500)
    # 0.02240710 * 100,000 = 2240.71: times ln 1.1, ln 0.9 and ln 1.262626 are 213.56, -236.08 and 522.52
    assert [found.of(effect) for effect in Effect] == [214, -236, 0, 522]


def test_only_what_changed_is_named() -> None:
    before = SpanUse({1: Used(1000, 50, 50), 2: Used(3000, 100, 100)}, 10_000)
    dearer = SpanUse({1: Used(2000, 50, 50), 2: Used(3000, 100, 100)}, 10_000)
    parts = split(before, dearer)
    assert parts is not None
    assert parts[1][Effect.PRICE] == pytest.approx(0.1)
    assert fsum(abs(part) for effect, part in parts[1].items() if effect is not Effect.PRICE) == pytest.approx(0.0)
    assert fsum(map(abs, parts[2].values())) == pytest.approx(0.0)


def test_the_mix_alone_moves_the_share_where_dear_items_take_the_place_of_cheap_ones() -> None:
    before = SpanUse({1: Used(900, 900, 900), 2: Used(1000, 100, 100)}, 100_000)
    after = SpanUse({1: Used(500, 500, 500), 2: Used(5000, 500, 500)}, 100_000)
    found = moved(before, after)
    assert found is not None
    assert found.of(Effect.MIX) == found.tenths > 0
    assert found.of(Effect.PRICE) == found.of(Effect.WASTE) == found.of(Effect.DENSITY) == 0


@pytest.mark.parametrize(
    ("before", "after", "effect"),
    [
        (Used(0, 0, 0), Used(500, 50, 40), Effect.MIX),  # a new item
        (Used(500, 50, 40), Used(0, 0, 0), Effect.MIX),  # one that is used no more
        (Used(0, 0, 0), Used(500, 50, 0), Effect.WASTE),  # a new one of which nothing came off good
        (Used(0, 50, 50), Used(500, 50, 50), Effect.PRICE),  # one that was a gift
        (Used(500, 50, 50), Used(30, 0, 0), Effect.PRICE),  # freight that came after all was gone
    ],
)
def test_a_change_from_or_to_nothing_is_of_the_factor_that_was_nothing(
    before: Used, after: Used, effect: Effect
) -> None:
    other = Used(1000, 100, 100)
    parts = split(SpanUse({1: before, 2: other}, 10_000), SpanUse({1: after, 2: other}, 10_000))
    assert parts is not None
    change = (after.cost_minor - before.cost_minor) / 10_000
    assert parts[1] == {**dict.fromkeys(Effect, 0.0), effect: change}


def test_without_takings_or_good_grams_there_is_nothing_to_split() -> None:
    some = SpanUse({1: Used(500, 50, 50)}, 10_000)
    assert split(SpanUse(some.items, 0), some) is None
    assert split(some, SpanUse({1: Used(500, 50, 0)}, 10_000)) is None
    assert moved(SpanUse({}, 10_000), some) is None


@given(spans, spans)
def test_the_parts_add_up_and_turn_their_sign_with_time(before: SpanUse, after: SpanUse) -> None:
    parts, back = split(before, after), split(after, before)
    if parts is None or back is None:
        assert min(before.good_mg, after.good_mg) <= 0
        return
    whole_of = fsum(part for by_effect in parts.values() for part in by_effect.values())
    size = max(before.share, after.share)
    assert whole_of == pytest.approx(after.share - before.share, abs=1e-9 * size)
    for key, by_effect in parts.items():
        for effect, part in by_effect.items():
            assert back[key][effect] == pytest.approx(-part, rel=1e-9, abs=1e-9 * size)


@given(spans, spans)
def test_whole_tenths_of_basis_points_add_up_to_what_is_shown(before: SpanUse, after: SpanUse) -> None:
    found = moved(before, after)
    if found is None:
        return
    assert sum(found.of(effect) for effect in Effect) == found.tenths
    assert found.before_tenths == round(before.share * TENTHS_PER_WHOLE)
    exact = split(before, after)
    assert exact is not None
    for effect in Effect:
        total = fsum(one[effect] for one in exact.values()) * TENTHS_PER_WHOLE
        assert found.of(effect) == pytest.approx(total, abs=1.5, rel=1e-9)


@given(st.lists(st.floats(-1e6, 1e6), min_size=1, max_size=12))
def test_whole_parts_are_within_one_of_the_parts(parts: list[float]) -> None:
    total = round(fsum(parts))
    found = whole_parts(total, parts)
    assert sum(found) == total
    assert all(abs(one - part) < 1.001 for one, part in zip(found, parts, strict=True))


def test_the_largest_remainders_go_up() -> None:
    assert whole_parts(2, [0.5, 0.7, 0.8]) == (0, 1, 1)
    assert whole_parts(0, [-0.6, 0.6]) == (-1, 1)
    assert whole_parts(5, []) == ()
