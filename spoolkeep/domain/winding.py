"""What a ruler tells of a spool: the plastic between two diameters and two flanges, with how far off that may be.

Services call it where there is no scale. It must not know spools.
"""

import math
from dataclasses import dataclass

from spoolkeep.domain.errors import BadInput

_PACKING, _PACKING_SD = 0.75, 0.06
"""The share of the winding that is plastic.

Round strands side by side fill pi/4 = 0.785 of the room and at best pi/sqrt(12) = 0.907 (geometry); wound across each
other they fill less. Source: common practice, no source.
"""
_RULER_SD_MM = 1.0
_MOST_MM = 600
_NINETY = 1.645


@dataclass(frozen=True)
class RulerEstimate:
    """Milligrams by a ruler, and the bounds between which they lie with ninety per cent."""

    mg: int
    low_mg: int
    high_mg: int


def wound_mg(outer_mm: float, inner_mm: float, width_mm: float, *, density_mg_per_cm3: int) -> RulerEstimate:
    """Give what is wound on a reel, by the outer and inner diameter of the winding and its width, in millimetres.

    Errors: BadInput where the outer diameter is not the larger, or a length is none of a reel.
    Source: the volume of a hollow cylinder; the error by its derivatives, a ruler being good to 1 mm.
    """
    if not all(0 < length <= _MOST_MM for length in (outer_mm, inner_mm, width_mm)):
        raise BadInput("bad_length", f"Each length is more than 0 and at most {_MOST_MM} mm.")
    if outer_mm <= inner_mm:
        raise BadInput("bad_diameters", "The winding's outer diameter must be larger than its inner one.")
    volume_mm3 = math.pi / 4 * (outer_mm**2 - inner_mm**2) * width_mm
    per_mm3 = _PACKING * density_mg_per_cm3 / 1000
    slopes = (
        math.pi / 2 * outer_mm * width_mm * _RULER_SD_MM,
        math.pi / 2 * inner_mm * width_mm * _RULER_SD_MM,
        volume_mm3 / width_mm * _RULER_SD_MM,
        volume_mm3 * _PACKING_SD / _PACKING,
    )
    mg, sd_mg = volume_mm3 * per_mm3, math.hypot(*slopes) * per_mm3
    return RulerEstimate(round(mg), max(0, round(mg - _NINETY * sd_mg)), round(mg + _NINETY * sd_mg))
