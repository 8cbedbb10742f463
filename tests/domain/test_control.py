"""Which values of a series differ by more than chance."""

import pytest

from spoolkeep.domain.control import RUN, Sign, limits

E_HANDBOOK = [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]
"""NIST/SEMATECH e-Handbook 6.3.2.2 (data and limits from memory, recomputed)."""


def test_the_limits_are_those_of_the_e_handbook() -> None:
    found = limits(E_HANDBOOK)
    assert found is not None
    assert found.middle == pytest.approx(50.81)
    assert found.low == pytest.approx(45.8159, abs=5e-5)
    assert found.high == pytest.approx(55.8041, abs=5e-5)
    assert found.signs(E_HANDBOOK) == (None,) * 10


def test_a_value_beyond_a_limit_is_marked() -> None:
    found = limits(E_HANDBOOK)
    assert found is not None
    assert found.signs([*E_HANDBOOK, 56.0, 45.0])[-2:] == (Sign.BEYOND, Sign.BEYOND)


def test_eight_on_one_side_are_a_run_and_one_on_the_middle_ends_it() -> None:
    found = limits(E_HANDBOOK)
    assert found is not None
    above = [51.0] * RUN
    assert found.signs(above) == (*(None,) * (RUN - 1), Sign.RUN)
    assert Sign.RUN not in found.signs([*above[: RUN - 1], found.middle, *above[: RUN - 1]])
    assert found.signs([*above[: RUN - 1], 49.0, *above])[-1] is Sign.RUN


def test_one_value_has_no_limits_and_equal_ones_have_no_width() -> None:
    assert limits([]) is None
    assert limits([1.4]) is None
    steady = limits([1.4] * 5)
    assert steady is not None
    assert (steady.low, steady.high) == (steady.middle, steady.middle)
    assert steady.signs([1.4] * 20) == (None,) * 20
