"""How far two colours are apart to the eye, by CIEDE2000.

What offers another colour in place of one that is not there asks it. It must not know articles or stock.
"""

from collections.abc import Sequence
from functools import lru_cache

from coloraide import Color

from spoolkeep.domain.colour import srgb

Lab = tuple[float, float, float]


def ciede2000(one: Lab, other: Lab) -> float:
    """Give the difference of two colours in CIELAB (L* 0 to 100, a*, b*), 0 where they are the same.

    Source: Sharma, Wu and Dalal 2005, Color Research and Application 30(1), 21 to 30, as the library coloraide has it.
    """
    return float(Color("lab-d65", one).delta_e(Color("lab-d65", other), method="2000"))


def apart(one: Sequence[str], other: Sequence[str]) -> float:
    """Give how far two plastics are apart by their sRGB values, one or more each: about 1 is just seen side by side.

    Where a plastic has several colours, each is held beside the nearest of the other, and the mean is given, both ways.
    Errors: BadInput where one is not a colour; ValueError where one has none.
    Source: CIEDE2000 (above); the mean over several colours is common practice, no source.
    """
    nearest = [min(_between(this, that) for that in other) for this in one]
    back = [min(_between(this, that) for that in one) for this in other]
    return (sum(nearest) + sum(back)) / (len(nearest) + len(back))


@lru_cache(maxsize=8192)
def _between(one: str, other: str) -> float:
    return ciede2000(_lab(one), _lab(other))


@lru_cache(maxsize=2048)
def _lab(text: str) -> Lab:
    light, green, blue = Color(srgb(text)).convert("lab-d65")[:3]
    return light, green, blue


def lightness(colours: Sequence[str]) -> float:
    """Give how light a plastic is, 0 for black to 100 for white: L* of CIELAB, the mean over its colours.

    Errors: BadInput where one is not a colour. Source: CIE 15, CIELAB, as the library coloraide has it.
    """
    return sum(_lab(one)[0] for one in colours) / len(colours)
