"""sRGB colours as they are typed, how light they are, and which ink can be read on them.

Imports, pages and labels call it. It must not know articles, themes or style sheets.
"""

import colorsys
import re

from spoolkeep.domain.errors import BadInput

BLACK = "#000000"
WHITE = "#ffffff"

_HEX = re.compile(r"#?([0-9a-f]{3}|[0-9a-f]{6})", re.ASCII)
_KNEE = 0.04045
_RED, _GREEN, _BLUE = 0.2126, 0.7152, 0.0722
_FLARE = 0.05


def srgb(text: str) -> str:
    """Give a typed colour as #rrggbb in small letters; #rgb is widened, and # may be missing.

    Errors: BadInput where it is anything else.
    """
    found = _HEX.fullmatch(text.strip().lower())
    if not found:
        raise BadInput("bad_colour", f"“{text.strip()}” is not a colour. Write it like #1e90ff.")
    digits = found.group(1)
    if len(digits) == len("rgb"):
        digits = "".join(2 * digit for digit in digits)
    return f"#{digits}"


def channels(text: str) -> tuple[int, int, int]:
    """Give red, green and blue of a typed colour, each from 0 to 255. Errors: BadInput where it is no colour."""
    digits = srgb(text)[1:]
    return int(digits[:2], 16), int(digits[2:4], 16), int(digits[4:], 16)


def relative_luminance(text: str) -> float:
    """Give how light an sRGB colour is, from 0 for black to 1 for white.

    Errors: BadInput where it is not a colour.
    Source: WCAG 2.2, definition of relative luminance (with the threshold of IEC 61966-2-1, 0.04045).
    """
    red, green, blue = (_linear(channel / 255) for channel in channels(text))
    return _RED * red + _GREEN * green + _BLUE * blue


def _linear(channel: float) -> float:
    return channel / 12.92 if channel <= _KNEE else float(((channel + 0.055) / 1.055) ** 2.4)


def contrast_ratio(one: str, other: str) -> float:
    """Give the contrast of two sRGB colours, from 1 (the same) to 21 (black and white), in either order.

    Not rounded: a threshold such as 4.5 has to be met by the figure itself.
    Source: WCAG 2.2, definition of contrast ratio.
    """
    darker, lighter = sorted((relative_luminance(one), relative_luminance(other)))
    return (lighter + _FLARE) / (darker + _FLARE)


def ink_on(background: str) -> str:
    """Give black or white, whichever is easier to read on a colour; it always has a contrast above 4.5.

    Source: WCAG 2.2, success criterion 1.4.3; the better of the two is at least the square root of 21.
    """
    return max(BLACK, WHITE, key=lambda ink: contrast_ratio(ink, background))


_HUES = ((15, "red"), (45, "orange"), (70, "yellow"), (170, "green"), (255, "blue"), (290, "purple"), (335, "pink"))
"""Where each basic word ends on the wheel of hues, in degrees; red goes on from the last."""


def basic_words(text: str) -> frozenset[str]:
    """Give the plain words by which a person would look for an sRGB colour: black, brown, orange …, one or two.

    Errors: BadInput where it is not a colour.
    Source: the eleven basic terms of Berlin and Kay (1969, from memory); the bounds are common practice, no source.
    """
    hue, light, vivid = colorsys.rgb_to_hls(*(channel / 255 for channel in channels(text)))
    chroma = vivid * (1 - abs(2 * light - 1))
    if light < 0.09 or (chroma < 0.07 and light < 0.25):  # noqa: PLR2004 - bounds of the words
        return frozenset({"black"})
    if chroma < 0.12:  # noqa: PLR2004 - the same
        return frozenset({"white"}) if light > 0.86 else frozenset({"grey", "gray"})  # noqa: PLR2004 - the same
    word = next((name for until, name in _HUES if hue * 360 < until), "red")
    if word in {"red", "orange", "yellow"} and light < 0.42 and chroma < 0.62:  # noqa: PLR2004 - the same
        return frozenset({"brown", word})
    if word == "pink" and light < 0.4:  # noqa: PLR2004 - the same
        return frozenset({"purple", word})
    if word in {"red", "purple"} and light > 0.62:  # noqa: PLR2004 - the same
        return frozenset({"pink", word})
    return frozenset({word})
