"""Metres and milligrams of plastic."""

import math

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from spoolkeep.domain.errors import BadInput
from spoolkeep.domain.geometry import metres_on, mg_of

DENSITY = st.integers(200, 9000)
DIAMETER = st.integers(1000, 3500)


@example(mg=10**9, density=1189, diameter=1560)  # a tonne, which comes back a hair heavier before it is rounded
@given(mg=st.integers(0, 10**9), density=DENSITY, diameter=DIAMETER)
def test_metres_and_back_is_the_same_mass(mg: int, density: int, diameter: int) -> None:
    metres = metres_on(mg, density_mg_per_cm3=density, diameter_um=diameter)
    assert mg_of(metres, density_mg_per_cm3=density, diameter_um=diameter) == mg


def test_thicker_plastic_is_shorter_by_the_square() -> None:
    # geometry: the section grows with the square of the diameter
    thin, thick = (metres_on(10**6, density_mg_per_cm3=1240, diameter_um=um) for um in (1750, 2850))
    assert thin / thick == pytest.approx((2.85 / 1.75) ** 2)


def test_a_draw_is_a_negative_length() -> None:
    one = metres_on(5000, density_mg_per_cm3=1040, diameter_um=1750)
    assert metres_on(-5000, density_mg_per_cm3=1040, diameter_um=1750) == -one


@pytest.mark.parametrize(("density", "diameter", "code"), [(0, 1750, "bad_density"), (1240, 0, "bad_diameter")])
def test_plastic_has_a_density_and_a_diameter(density: int, diameter: int, code: str) -> None:
    with pytest.raises(BadInput) as refused:
        metres_on(1, density_mg_per_cm3=density, diameter_um=diameter)
    assert refused.value.code == code


@pytest.mark.parametrize("metres", [-1.0, math.nan, math.inf, 1e9])
def test_a_length_must_be_a_length(metres: float) -> None:
    with pytest.raises(BadInput) as refused:
        mg_of(metres, density_mg_per_cm3=1240, diameter_um=1750)
    assert refused.value.code == "bad_length"
