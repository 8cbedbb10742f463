"""A ruler's estimate is the geometry of a hollow cylinder, with bounds that say how rough it is."""

import math

import pytest

from spoolkeep.domain.errors import BadInput
from spoolkeep.domain.winding import wound_mg

PLA = 1240


def test_a_winding_is_a_hollow_cylinder_three_quarters_full() -> None:
    found = wound_mg(160, 80, 60, density_mg_per_cm3=PLA)
    assert found.mg == round(math.pi / 4 * (160**2 - 80**2) * 60 * 0.75 * 1.24)
    assert 0.1 < (found.high_mg - found.low_mg) / 2 / found.mg < 0.2


def test_a_thin_winding_is_known_least() -> None:
    thick, thin = (wound_mg(outer, 80, 60, density_mg_per_cm3=PLA) for outer in (180, 84))
    assert (thin.high_mg - thin.low_mg) / thin.mg > 3 * (thick.high_mg - thick.low_mg) / thick.mg
    assert thin.low_mg >= 0


@pytest.mark.parametrize(
    ("outer", "inner", "width"), [(80, 80, 60), (80, 90, 60), (0, 0, 60), (160, 80, 0), (900, 80, 9)]
)
def test_lengths_that_cannot_be_are_refused(outer: float, inner: float, width: float) -> None:
    with pytest.raises(BadInput, match=r"length|larger"):
        wound_mg(outer, inner, width, density_mg_per_cm3=PLA)
