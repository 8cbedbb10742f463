"""A workshop's own words for what the Bench says: a plain text of lines `english = translation`, checked and applied.

The pages of the Bench and the count ask it. It knows sentences only, and never a service.
"""

import re
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import lru_cache

from spoolkeep.domain.sayings import HEADINGS, SAYINGS

MOST_LETTERS = 200_000
"""Of a file of words. Source: our own choice; the whole list has some 10,000."""
MOST_SAID = 2_000
"""Letters of what is said at once. Source: our own choice; a stop with all its reasons has some 600."""
HEAD = "# What the Bench and the count can say. After each = stands your translation; empty means English."
_OURS = {HEAD, *(f"# {heading}" for heading in HEADINGS.values())}
_HOLE = re.compile(r"\{(\w+)\}")


@dataclass(frozen=True)
class WordProblem:
    """A line that cannot be used, and why."""

    line: int
    words: str


@dataclass(frozen=True)
class Words:
    """What is translated, and what was refused of it."""

    by_english: Mapping[str, str] = field(default_factory=dict)
    problems: tuple[WordProblem, ...] = ()
    remarks: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    """Somebody's own remarks, by the English under them; those at the end by nothing."""

    def said(self, text: str) -> str:
        """Give sentences of the Bench in these words; what is not translated stays in English."""
        if not self.by_english or not text or len(text) > MOST_SAID:
            return text
        return self.by_english.get(text) or " ".join(self._of(part) for part in _parts(text))

    def _of(self, part: "_Part") -> str:
        told = self.by_english.get(part.saying)
        if told is None:
            return part.text
        return _HOLE.sub(lambda hole: self.by_english.get(part.values[hole[1]], part.values[hole[1]]), told)


def words_from(text: str) -> Words:
    """Give the words in a file. A line that cannot be used is among the problems, with its number; # begins a remark.

    A remark belongs to the line under it. A translation has each of the places in braces once, in any order, and no
    others. An empty one is none yet.
    """
    found: dict[str, str] = {}
    problems = []
    remarks: dict[str, tuple[str, ...]] = {}
    above: list[str] = []
    for number, line in enumerate(text.removeprefix("\N{ZERO WIDTH NO-BREAK SPACE}").splitlines(), start=1):
        plain = line.strip()
        if not plain or plain.startswith("#"):
            above += [plain] if plain and plain not in _OURS else []
            continue
        english, equals, told = (part.strip() for part in plain.partition("="))
        words = _wrong(english, told, has_sign=bool(equals), found=found)
        if words:
            problems.append(WordProblem(number, words))
            continue
        if told:
            found[english] = told
        if above:
            remarks[english] = (*remarks.get(english, ()), *above)
            above = []
    return Words(found, tuple(problems), remarks | ({"": tuple(above)} if above else {}))


def _wrong(english: str, told: str, *, has_sign: bool, found: Mapping[str, str]) -> str:
    if not has_sign:
        return "There is no = in it. Write the English words, =, and yours."
    if english not in SAYINGS:
        return f"“{english[:60]}” is nothing that the Bench says. Copy the English words from the list, with each mark."
    if english in found:
        return f"“{english[:60]}” is translated above already. Leave one of the two out."
    if told and Counter(_HOLE.findall(told)) != Counter(_HOLE.findall(english)):
        holes = ", ".join(f"{{{name}}}" for name in _HOLE.findall(english)) or "none"
        return f"The places in braces must be the same as in English: {holes}. Put each in once."
    return ""


def listed(words: Words) -> str:
    """Give a whole file: every saying, with its translation so far and what was remarked above it."""
    lines = [HEAD]
    for english in SAYINGS:
        if english in HEADINGS:
            lines += ["", f"# {HEADINGS[english]}"]
        lines += [*words.remarks.get(english, ()), f"{english} = {words.by_english.get(english, '')}".rstrip()]
    return "\n".join([*lines, *words.remarks.get("", ())]) + "\n"


@dataclass(frozen=True)
class _Part:
    """A piece of what was said: a saying and what stands in its places; or, with no saying, words as they are."""

    text: str
    saying: str = ""
    values: Mapping[str, str] = field(default_factory=dict)


def _pattern(saying: str) -> re.Pattern[str]:
    pieces = _HOLE.split(saying)
    return re.compile(
        "".join(f"(?P<{piece}>.+?)" if at % 2 else re.escape(piece) for at, piece in enumerate(pieces)) + r"(?=\s|$)"
    )


_PATTERNS = [(saying, _pattern(saying)) for saying in sorted(SAYINGS, key=lambda one: -len(_HOLE.sub("", one)))]
"""Those with the most words of their own first: they say more surely what was meant."""


@lru_cache(maxsize=2048)
def _parts(text: str) -> tuple[_Part, ...]:
    """Give the sayings that a text is made of, one after the other."""
    whole = next((_part(saying, found) for saying, pattern in _PATTERNS if (found := pattern.fullmatch(text))), None)
    if whole and not any(". " in value for value in whole.values.values()):
        return (whole,)
    parts, rest = [], text.strip()
    while rest:
        first = _first(rest)
        parts.append(first)
        rest = rest[len(first.text) :].strip()
    return tuple(parts)


def _first(text: str) -> _Part:
    """Give the saying that a text begins with, of which nothing that is filled in goes over the end of a sentence."""
    for saying, pattern in _PATTERNS:
        found = pattern.match(text)
        if found and not any(". " in value for value in found.groupdict().values()):
            return _part(saying, found)
    sentence, point, _ = text.partition(". ")
    return _Part(sentence + point.strip())


def _part(saying: str, found: re.Match[str]) -> _Part:
    return _Part(found[0], saying, found.groupdict())
