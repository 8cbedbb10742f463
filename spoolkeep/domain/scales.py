"""What a scale types that is connected as a keyboard, or sends as a line.

The Bench and the spool's page ask it. It must not know spools.
"""

import re
from decimal import Decimal

from spoolkeep.domain.errors import BadInput

_MG = {"g": 1_000, "kg": 1_000_000}
_LINE = re.compile(
    r"(?:(ST|US|OL|S|D)[\s,])?(?:(?:GS|NT|TR|G|N)[\s,])?\s*([+-]?)\s*(\d+(?:[.,]\d+)?)\s*(g|kg)\.?", re.IGNORECASE
)
"""A state, what it is of, a sign, the number and its unit. Source: common practice, no source."""
_UNSETTLED = {"us", "d"}


def reading_mg(line: str) -> int | None:
    """Give the milligrams of a scale's line such as `812.5 g` or `ST,GS,+  812.5 g`; None where it is none.

    A bare number is none: it could be a code. Errors: BadInput where the scale had not settled, was overloaded, or its
    reading is finer than a milligram.
    """
    found = _LINE.fullmatch(line.strip())
    if found is None:
        return None
    state, sign, number, unit = (part.lower() if part else "" for part in found.groups())
    if state in _UNSETTLED:
        raise BadInput("not_settled", "The scale had not settled. Wait for its figure to stand, and send it again.")
    if state == "ol":
        raise BadInput("too_heavy", "The scale was overloaded. Take the spool off, and use a larger one.")
    mg = Decimal(number.replace(",", ".")) * _MG[unit]  # a scale groups no thousands: any mark is before decimals
    if mg != mg.to_integral_value():
        raise BadInput("too_fine", f"{number} {unit} is finer than a milligram. Round it.")
    return -int(mg) if sign == "-" else int(mg)
