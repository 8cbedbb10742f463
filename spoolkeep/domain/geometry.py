"""The length of plastic on a spool, from its mass, its density and its diameter.

Metering calls it, and weighing by a ruler. It must not know articles or spools: it gets their figures.
"""

import math

from spoolkeep.domain.errors import BadInput
from spoolkeep.domain.units import MAX_MG, Milligrams

_UM2_M_PER_CM3 = 10**6
"""1 cm3 is 10^6 um2 times a metre."""
_MM3_PER_CM3 = 1000


def _mg_per_metre(density_mg_per_cm3: int, diameter_um: int) -> float:
    if density_mg_per_cm3 <= 0:
        raise BadInput("bad_density", "The density must be more than 0. Most plastics are near 1.2 g/cm³.")
    if diameter_um <= 0:
        raise BadInput("bad_diameter", "The diameter must be more than 0. Most plastic is 1.75 or 2.85 mm thick.")
    return math.pi / 4 * diameter_um**2 * density_mg_per_cm3 / _UM2_M_PER_CM3


def mm3_of(mm: float, *, diameter_mm: float) -> float:
    """Give the cubic millimetres of so many millimetres of plastic of a diameter.

    Errors: BadInput where the diameter is not above zero. Source: geometry, length x pi x diameter^2 / 4.
    """
    if not 0 < diameter_mm < math.inf:
        raise BadInput("bad_diameter", "The diameter must be more than 0. Most plastic is 1.75 or 2.85 mm thick.")
    return mm * math.pi / 4 * diameter_mm**2


def metres_on(mass_mg: int, *, density_mg_per_cm3: int, diameter_um: int) -> float:
    """Give the metres of plastic that weigh `mass_mg`; a negative mass (a draw) gives negative metres.

    Errors: BadInput where density or diameter is not above zero.
    Source: geometry, length = mass / (density x pi x diameter^2 / 4).
    """
    return mass_mg / _mg_per_metre(density_mg_per_cm3, diameter_um)


def mg_of(metres: float, *, density_mg_per_cm3: int, diameter_um: int) -> Milligrams:
    """Give the milligrams that so many metres weigh, rounded to whole ones.

    Errors: BadInput where density or diameter is not above zero, or where the metres are no length of plastic.
    Source: geometry, mass = length x density x pi x diameter^2 / 4.
    """
    mg = metres * _mg_per_metre(density_mg_per_cm3, diameter_um)
    if not (math.isfinite(mg) and 0 <= round(mg) <= MAX_MG and metres >= 0):
        raise BadInput("bad_length", "Enter a length of 0 m or more, and of no more than a tonne of plastic.")
    return Milligrams(round(mg))


def mg_of_mm3(mm3: float, *, density_mg_per_cm3: int) -> Milligrams:
    """Give the milligrams that so many cubic millimetres weigh, rounded to whole ones.

    Errors: BadInput where they are no volume of plastic. Source: mass = volume x density.
    """
    mg = mm3 * density_mg_per_cm3 / _MM3_PER_CM3
    if not (math.isfinite(mg) and 0 <= round(mg) <= MAX_MG and mm3 >= 0):
        raise BadInput("bad_volume", "Enter a volume of 0 mm³ or more, and of no more than a tonne of plastic.")
    return Milligrams(round(mg))
