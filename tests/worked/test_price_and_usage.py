"""A textbook's material variances, beside the split of the material share.

Source: an exercise on standard costs of an accounting text, as an answer page gives it (qammunity.org/8059627):
185,000 pounds at 6.00 were expected, 183,200 at 5.80 were used. Price: 183,200 x (5.80 - 6.00) = -36,640; quantity:
6.00 x (183,200 - 185,000) = -10,800; together -47,440.
"""

import pytest

from spoolkeep.domain.whymoved import Effect, SpanUse, Used, split

TAKINGS_MINOR = 1_000_000_000
EXPECTED = SpanUse({1: Used(111_000_000, 185_000, 100_000)}, TAKINGS_MINOR)
CAME = SpanUse({1: Used(106_256_000, 183_200, 100_000)}, TAKINGS_MINOR)


def test_the_whole_is_the_textbook_s_and_each_part_lies_between_its_two_ways_to_weigh() -> None:
    parts = split(EXPECTED, CAME)
    assert parts is not None
    minor = {effect: part * TAKINGS_MINOR for effect, part in parts[1].items()}
    assert sum(minor.values()) == pytest.approx(-4_744_000)
    # the textbook weighs price by what came and quantity by what was expected; the other way round it is as much of the
    # other: -37,000 and -10,440. The logarithmic mean takes neither side
    assert -3_700_000 < minor[Effect.PRICE] < -3_664_000
    assert -1_080_000 < minor[Effect.WASTE] < -1_044_000
    assert minor[Effect.MIX] == pytest.approx(0.0)
    assert minor[Effect.DENSITY] == pytest.approx(0.0)
