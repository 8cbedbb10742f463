"""Which names of colours may be one colour, spelled in several ways. It proposes; a person decides.

The imports ask it. It must not know items or stock.
"""

import re
from collections.abc import Iterable

from spoolkeep.domain.names import folded

PLAIN_SHADES = {
    "black": "#1c1c1e",
    "white": "#f4f4f0",
    "grey": "#8a8d90",
    "gray": "#8a8d90",
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


def plain(name: str) -> str:
    """Give a name as it is compared here: case, blanks, hyphens and other marks make no difference."""
    return " ".join(re.sub(r"[\W_]+", " ", folded(name)).split())


def shade_for(name: str) -> str:
    """Give a usual shade of the last plain word in a colour's name, or nothing where it has none."""
    words = [word for word in plain(name).split() if word in PLAIN_SHADES]
    return PLAIN_SHADES[words[-1]] if words else ""


def may_be_one(one: str, other: str) -> bool:
    """Give whether two names may well mean one colour.

    They do where they differ by marks and blanks only; where one only adds a plain word (*Chalk*, *Chalk white*); or by
    a slip of a letter, of two in long names. Names with other figures, or of plain words alone, are kept apart.
    Source: the distance of Damerau (1964) and Levenshtein (1966), restricted to neighbours, from memory; the bounds are
    our own choice.
    """
    left, right = plain(one), plain(other)
    if left == right or left.replace(" ", "") == right.replace(" ", ""):
        return True
    if re.findall(r"\d+", left) != re.findall(r"\d+", right):
        return False
    few, many = sorted((set(left.split()), set(right.split())), key=len)
    if few < many:
        return many - few <= set(PLAIN_SHADES) and not few <= set(PLAIN_SHADES)
    shorter = min(len(left), len(right))
    if shorter < _LEAST_FOR_A_SLIP or {left, right} <= set(PLAIN_SHADES) - {"grey", "gray"}:
        return False
    return distance(left, right) <= (2 if shorter >= _LEAST_FOR_TWO else 1)


def distance(one: str, other: str) -> int:
    """Give how many letters have to be put in, left out, changed, or swapped with the next, to make one the other."""
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
    return row[-1]


def nearest(name: str, others: Iterable[str]) -> str:
    """Give that of other names which may be this colour and differs least from it, or nothing."""
    found = [other for other in others if may_be_one(name, other)]
    return min(found, key=lambda other: (distance(plain(name), plain(other)), other), default="")
