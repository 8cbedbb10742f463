"""Finding the line of a sheet that names its columns, below titles, over one line or two, beside empty columns.

The imports call it. It must not know what a column means.
"""

import re
from collections import Counter
from collections.abc import Collection, Sequence

from spoolkeep.domain.sheets import Record, fold

LOOKED_THROUGH = 40
"""In so many filled lines from the top a heading is looked for. Source: our own choice."""
_TOTALS = frozenset({"total", "totals", "sum", "sums", "subtotal", "grand total", "overall", "in all"})
_FEWEST_NAMES = 2


def found(records: Sequence[Record], known: Collection[str]) -> tuple[int, int]:
    """Give the first and the last line that name the columns; `known` are folded names that may well stand there.

    Of the lines at the top it is the one with the most names; known ones count three times, figures against it. A line
    above or below it belongs to it where it has no figures and fills what the other leaves empty.
    Source: our own choice.
    """
    top = records[:LOOKED_THROUGH]
    if not top:
        return 1, 1
    scores = [_score(record, known) for record in top]
    at = scores.index(max(scores))
    one = top[at]
    if at + 1 < len(top) and _belongs(one, top[at + 1]):
        return one.line, top[at + 1].line
    if at and _belongs(top[at - 1], one):
        return top[at - 1].line, one.line
    return one.line, one.line


def _score(record: Record, known: Collection[str]) -> int:
    names = [fold(cell) for cell in record.cells if cell.strip()]
    figures = sum(1 for name in names if re.search(r"\d", name))
    return len(set(names)) + 2 * sum(1 for name in set(names) if _bare(name) in known) - 3 * figures


def _bare(name: str) -> str:
    return re.sub(r"_*[(\[][^)\]]*[)\]]?", "", name).strip("_")


def _belongs(upper: Record, lower: Record) -> bool:
    """Give whether two lines that follow each other name the columns together."""
    if lower.line != upper.line + 1 or any(re.search(r"\d", cell) for cell in (*upper.cells, *lower.cells)):
        return False
    over, under = _filled(upper), _filled(lower)
    if len(over) < _FEWEST_NAMES or not under or not (over - under) | (under - over):
        return False
    # a name of the lower line stands under one of the upper, or beside it where that one is wider
    return bool(under - over) and all(any(at <= below for at in over) for below in under) and len(over - under) > 0


def _filled(record: Record) -> set[int]:
    return {at for at, cell in enumerate(record.cells) if cell.strip()}


def names_of(records: Sequence[Record], first: int, last: int) -> tuple[str, ...]:
    """Give a name for each column, "" for one without a name and without a cell: of one line, or of those joined.

    A name of the upper line goes on to the right as far as it has none and the lower one has. A column that has cells
    and no name is called by its letter; of names that come again each has its number.
    """
    heads = [record.cells for record in records if first <= record.line <= last]
    width = max((len(record.cells) for record in records), default=0)
    used = {at for record in records if record.line > last for at in _filled(record)}
    lines = [[*map(_one_line, cells), *[""] * (width - len(cells))] for cells in heads]
    names: list[str] = []
    for at in range(width):
        column = [line[at] for line in lines]
        if len(lines) > 1 and not column[0] and column[-1]:
            column[0] = next((lines[0][before] for before in range(at, -1, -1) if lines[0][before]), "")
        name = " ".join(dict.fromkeys(filter(None, column)))
        names.append(name or (f"Column {letter(at)}" if at in used else ""))
    return _told_apart(names)


def _one_line(cell: str) -> str:
    return " ".join(cell.split())


def letter(at: int) -> str:
    """Give the letters by which spreadsheets call a column, counted from 0."""
    return (letter(at // 26 - 1) if at >= 26 else "") + chr(ord("A") + at % 26)  # noqa: PLR2004 - letters


def _told_apart(names: Sequence[str]) -> tuple[str, ...]:
    seen: Counter[str] = Counter()
    told = []
    for name in names:
        seen[fold(name)] += 1
        told.append(f"{name} ({seen[fold(name)]})" if name and seen[fold(name)] > 1 else name)
    return tuple(told)


def sums_up(record: Record) -> bool:
    """Give whether a row looks like a total: one of its cells says so, and nothing else. Source: English words."""
    return any(cell.strip().strip(":=").strip().lower() in _TOTALS for cell in record.cells)
