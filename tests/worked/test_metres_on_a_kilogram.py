"""A kilogram of plastic, in metres."""

import pytest

from spoolkeep.domain.geometry import metres_on, mg_of

KILOGRAM_MG = 1_000_000


def test_a_kilogram_at_1_75_mm_is_335_28_metres() -> None:
    # geometry: 1,000 g / 1.24 g/cm3 = 806.4516 cm3; over pi x 1.75^2 / 4 = 2.405282 mm2 that is 335.2838 m
    metres = metres_on(KILOGRAM_MG, density_mg_per_cm3=1240, diameter_um=1750)
    assert round(metres, 2) == 335.28
    # "about 330 m" is common practice
    assert metres == pytest.approx(330, rel=0.02)


def test_335_28_metres_weigh_a_kilogram() -> None:
    assert mg_of(335.2838, density_mg_per_cm3=1240, diameter_um=1750) == pytest.approx(KILOGRAM_MG, abs=1)
