"""Amounts in another currency, put into the workshop's own at the rate that the sale carries.

Takings call it. It knows no rates.
"""

from spoolkeep.domain.errors import BadInput
from spoolkeep.domain.units import decimal_from

PPM_PER_ONE = 1_000_000
MOST_RATE = 100_000


def rate_ppm(text: str) -> int:
    """Give a typed rate in millionths. Errors: BadInput where it is finer, or not above 0."""
    rate = decimal_from(text, "Rate")
    ppm = rate * PPM_PER_ONE
    if not 0 < rate <= MOST_RATE or ppm != ppm.to_integral_value():
        raise BadInput("no_such_rate", f"A rate is above 0 and at most {MOST_RATE}, with at most six decimals.")
    return int(ppm)


def in_own(foreign_minor: int, rate_ppm: int, *, decimals: int, own_decimals: int) -> int:
    """Give an amount of 0 or more in minor units of the own currency, half up.

    `rate_ppm` is how many millionths of one own unit (not of a cent) one unit of the other is worth; `decimals` are
    those of each currency. Source: ISO 4217 for the decimals; rounding half up is common practice.
    """
    up, down = 10 ** max(0, own_decimals - decimals), 10 ** max(0, decimals - own_decimals)
    whole = PPM_PER_ONE * down
    return int((2 * foreign_minor * rate_ppm * up + whole) // (2 * whole))
