"""The manner of a source: how a sheet is read that nobody wrote for us. Kept with a draft, remembered for the next one.

The drafts and the proposals make it, the imports' engine reads by it. It holds what a person agreed to, nothing else.
"""

import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field, fields
from typing import Any

from spoolkeep.domain import headings
from spoolkeep.domain.names import folded
from spoolkeep.domain.sheets import Record, fold, rewritten

_MOST_STEPS = 20


@dataclass(frozen=True)
class Manner:
    """How a sheet is read: its heading, its columns, their units, and what its words stand for."""

    first: int = 0
    """The first and the last line that name the columns; 0 where nobody said."""
    last: int = 0
    columns: Mapping[str, str] = field(default_factory=dict)
    """Our column by theirs; "" where it is left out."""
    units: Mapping[str, str] = field(default_factory=dict)
    """The unit of numbers alone, by our column."""
    day_first: bool | None = None
    """Of dates that could be two; None where the sheet's others say."""
    spellings: Mapping[str, str] = field(default_factory=dict)
    """The colour that is meant, by `said`; itself where it is a colour of its own."""
    materials: Mapping[str, str] = field(default_factory=dict)
    """The material that is meant, by its folded spelling."""
    shades: Mapping[str, str] = field(default_factory=dict)
    """The shade of a colour that is new, by its folded name."""
    left_out: tuple[int, ...] = ()
    """Lines that are none of its rows."""
    left_rows: tuple[str, ...] = ()
    """What such lines said, word for word."""
    asked: tuple[str, ...] = ()
    """What was proposed and nobody has said yes to."""

    def colour(self, material: str, name: str) -> str:
        """Give the colour that a spelling means."""
        for _ in range(_MOST_STEPS):
            meant = self.spellings.get(said(material, name), name)
            if meant == name:
                break
            name = meant
        return name

    def as_text(self, *, lasting: bool = False) -> str:
        """Give it as JSON; only what holds for the next sheet too where it is `lasting`."""
        told = asdict(self)
        if lasting:
            for name in ("first", "last", "left_out", "asked"):
                del told[name]
        return json.dumps(told)


def said(material: str, colour: str) -> str:
    """Give the words by which a spelling of a colour is known."""
    return folded(f"{material} {colour}")


def manner_from(text: str) -> Manner:
    """Give a manner from JSON, also from that of a source whose columns only were remembered."""
    told: dict[str, Any] = json.loads(text)
    if not isinstance(told.get("columns"), dict):
        return Manner(columns=told)
    known = {one.name for one in fields(Manner)}
    kept: dict[str, Any] = {
        name: tuple(value) if isinstance(value, list) else value for name, value in told.items() if name in known
    }
    return Manner(**kept)


def theirs(records: Sequence[Record], manner: Manner) -> tuple[str, ...]:
    """Give the names of the columns, "" for one that is empty throughout."""
    return headings.names_of(records, manner.first, manner.last)


def rows(records: Sequence[Record], manner: Manner) -> list[Record]:
    """Give the rows below the heading that are not left out."""
    out = set(manner.left_out)
    return [record for record in records if record.line > manner.last and record.line not in out]


def as_ours(records: Sequence[Record], manner: Manner, known: frozenset[str]) -> bytes:
    """Give the sheet with our names, each row on its line.

    A column that is none of ours keeps its name, in brackets where one of ours, `known`, is called so.
    """
    header = []
    for at, name in enumerate(theirs(records, manner)):
        ours = manner.columns.get(name, "")
        if name:
            header.append((at, ours or (f"({name})" if fold(name) in known else name)))
    return rewritten(header, rows(records, manner), header_line=manner.last)


def cells_of(records: Sequence[Record], manner: Manner) -> dict[str, list[str]]:
    """Give the filled cells of each column, by its name."""
    names = theirs(records, manner)
    found: dict[str, list[str]] = {name: [] for name in names if name}
    for record in rows(records, manner):
        for name, cell in zip(names, record.cells, strict=False):
            if name and cell.strip():
                found[name].append(cell.strip())
    return found
