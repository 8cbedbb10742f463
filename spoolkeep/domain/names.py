"""How names are compared: as people mean them, not letter by letter.

The catalogue, the imports and the takings use it. It must not know what is named.
"""

from unicodedata import normalize


def folded(name: str) -> str:
    """Give a name as it is compared with others: whatever its case, its blanks, and how its accents are encoded.

    Source: The Unicode Standard, section 3.13, definition D145 (canonical caseless match).
    """
    return " ".join(normalize("NFD", normalize("NFD", name).casefold()).split())
