"""Which names of colours may be one colour, spelled in several ways. It proposes; a person decides.

The imports ask it. It must not know items or stock.
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass

from spoolkeep.domain.names import folded

PLAIN_SHADES = {
    "black": "#1c1c1e",
    "white": "#f4f4f0",
    "grey": "#8a8d90",
    "gray": "#8a8d90",
    "anthracite": "#383b3f",
    "silver": "#b9bcc0",
    "red": "#c8281e",
    "orange": "#ef7a1a",
    "yellow": "#f5cf1f",
    "green": "#2f8a3c",
    "blue": "#1f57b8",
    "purple": "#6a3a94",
    "violet": "#6a3a94",
    "pink": "#ea7aa6",
    "brown": "#6b442a",
    "beige": "#dccbab",
    "natural": "#e9e2cf",
    "gold": "#c29a3b",
    "copper": "#b0693f",
    "bronze": "#8a6a3b",
    "turquoise": "#2aa7a5",
}
"""A usual shade of each plain word, in sRGB. Source: our own choice."""
_LEAST_FOR_A_SLIP, _LEAST_FOR_TWO = 4, 8
_MOST_LETTERS = 80
"""Longer names are one only where they are the same."""


@dataclass(frozen=True)
class Plain:
    """A name, and what of it is compared: read once, however many others it is held against."""

    name: str
    text: str
    joined: str
    figures: tuple[str, ...]
    words: frozenset[str]


def as_plain(name: str) -> Plain:
    """Give a name with what of it is compared."""
    text = plain(name)
    return Plain(name, text, text.replace(" ", ""), tuple(re.findall(r"\d+", text)), frozenset(text.split()))


def plain(name: str) -> str:
    """Give a name as it is compared here: case, blanks, hyphens and other marks make no difference."""
    return " ".join(re.sub(r"[\W_]+", " ", folded(name)).split())


def shade_for(name: str) -> str:
    """Give a usual shade of the last plain word in a colour's name, or nothing where it has none."""
    words = [word for word in plain(name).split() if word in PLAIN_SHADES]
    return PLAIN_SHADES[words[-1]] if words else ""


def may_be_one(one: Plain, other: Plain) -> bool:
    """Give whether two names may well mean one colour.

    They do where they differ by marks and blanks only; where one only adds a plain word (*Chalk*, *Chalk white*); or by
    a slip of a letter, of two in long names. Names with other figures, or of plain words alone, are kept apart.
    Source: the distance of Damerau (1964) and Levenshtein (1966), restricted to neighbours, from memory; the bounds are
    our own choice.
    """
    if one.joined == other.joined:
        return True
    if one.figures != other.figures or max(len(one.text), len(other.text)) > _MOST_LETTERS:
        return False
    few, many = sorted((one.words, other.words), key=len)
    if few < many:
        return many - few <= set(PLAIN_SHADES) and not few <= set(PLAIN_SHADES)
    shorter = min(len(one.text), len(other.text))
    if shorter < _LEAST_FOR_A_SLIP or {one.text, other.text} <= set(PLAIN_SHADES) - {"grey", "gray"}:
        return False
    most = 2 if shorter >= _LEAST_FOR_TWO else 1
    return abs(len(one.text) - len(other.text)) <= most and distance(one.text, other.text, most=most) <= most


def distance(one: str, other: str, *, most: int | None = None) -> int:
    """Give how many letters have to be put in, left out, changed, or swapped with the next, to make one the other.

    Where that is more than `most`, any number above it.
    """
    before: list[int] = []
    row = list(range(len(other) + 1))
    for i, letter in enumerate(one, start=1):
        last, before = before, row
        row = [i]
        for j, wanted in enumerate(other, start=1):
            cost = min(before[j] + 1, row[-1] + 1, before[j - 1] + (letter != wanted))
            if i > 1 and j > 1 and letter == other[j - 2] and one[i - 2] == wanted:
                cost = min(cost, last[j - 2] + 1)
            row.append(cost)
        if most is not None and min(row) > most:
            return most + 1
    return row[-1]


def nearest(name: Plain, near: Sequence[Plain]) -> str:
    """Give that of the names near to one which differs least from it, or nothing where there is none."""
    found = [(distance(name.text[:_MOST_LETTERS], one.text[:_MOST_LETTERS]), one.name) for one in near]
    return min(found, default=(0, ""))[1]
