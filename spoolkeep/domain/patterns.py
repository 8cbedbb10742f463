"""Names of several things alike, from what a person types once: `Larch 1-6`, `Shelf A-D`, or a list.

Machines and places are entered by it. It must not know what is named.
"""

import re

from spoolkeep.domain.errors import BadInput

MOST_NAMES = 200
_TO = r"\s*(?:-|\N{EN DASH}|\.\.|\bto\b)\s*"
_NUMBERS = re.compile(rf"(.*?)(\d{{1,9}}){_TO}(\d{{1,9}})")
_LETTERS = re.compile(rf"(.*[\s_-]|)([A-Za-z]){_TO}([A-Za-z])")


def names_in(text: str) -> list[str]:
    """Give the names in a text, in their order: parts between commas, semicolons or lines, and ranges at their ends.

    `Larch 1-6` are six names, `Shelf A-D` four, `Box 01-12` keep their zeros.
    Errors: BadInput where there is none, one comes twice, a range counts backwards, or there are more than 200.
    """
    names: list[str] = []
    for part in re.split(r"[,;\n]", text):
        plain = " ".join(part.split())
        if plain:
            names += _of(plain)
        if len(names) > MOST_NAMES:
            raise BadInput("too_many_names", f"That is more than {MOST_NAMES} names. Enter them in parts.")
    if not names:
        raise BadInput("no_name", "Name at least one, like Larch, or several, like Larch 1-6.")
    twice = next((name for name in names if names.count(name) > 1), None)
    if twice:
        raise BadInput("name_twice", f"“{twice}” comes twice. Name each once.")
    return names


def _of(text: str) -> list[str]:
    if found := _NUMBERS.fullmatch(text):
        first, last, width = int(found[2]), int(found[3]), len(found[2])
        if last <= first:
            raise _backwards(text)
        if last - first >= MOST_NAMES:
            raise BadInput("too_many_names", f"“{text}” is more than {MOST_NAMES} names. Enter them in parts.")
        return [f"{found[1]}{number:0{width}}" for number in range(first, last + 1)]
    if (found := _LETTERS.fullmatch(text)) and found[2].isupper() == found[3].isupper():
        if found[3] <= found[2]:
            raise _backwards(text)
        return [f"{found[1]}{chr(letter)}" for letter in range(ord(found[2]), ord(found[3]) + 1)]
    return [text]


def _backwards(text: str) -> BadInput:
    words = f"“{text}” does not count up. Write the lower end first, like Larch 1-6, or name each by itself."
    return BadInput("backwards", words)
