"""How a value of each kind of column stands in a CSV, and comes back exactly as it was.

`store.carrying` calls it. It knows no particular table.
"""

from collections.abc import Callable
from datetime import UTC, date, datetime
from typing import Any

from sqlalchemy import Boolean, Column, Date, Integer, LargeBinary, String
from sqlmodel import AutoString

from spoolkeep.store.columns import Moment

NOTHING = "\\N"
"""A text that is not there; an empty cell is a text that is empty."""
RULES = {
    "files": "UTF-8, comma-separated, CRLF, quoted where needed (RFC 4180), one a table, sorted by its key",
    "text": (
        "as it is; nothing at all (NULL) is \\N, and a text that begins with a backslash has one more in front. "
        "Texts are never altered for a spreadsheet: open the files there by importing the columns as text"
    ),
    "integer": "digits; empty is nothing (NULL)",
    "boolean": "true or false; empty is nothing (NULL)",
    "day": "ISO 8601, like 2026-03-04; empty is nothing (NULL)",
    "moment": "ISO 8601 in UTC, like 2026-03-04T12:00:00+00:00; empty is nothing (NULL)",
    "bytes": "x and hexadecimal digits; empty is nothing (NULL)",
}
"""What the files say of themselves. Source: RFC 4180; RFC 3339 for moments."""
LEAST, MOST = -(2**63), 2**63 - 1
_KINDS: tuple[tuple[type, str], ...] = (
    (Boolean, "boolean"),
    (Integer, "integer"),
    (Moment, "moment"),
    (Date, "day"),
    (LargeBinary, "bytes"),
    (String, "text"),
    (AutoString, "text"),
)


def kind_of(column: Column[Any]) -> str:
    """Give the kind of a column, a word of `RULES`. Errors: TypeError for a kind that has no rule yet."""
    for known, kind in _KINDS:
        if isinstance(column.type, known):
            return kind
    raise TypeError(f"no rule says how {column} is written: {column.type!r}")


def writer_of(column: Column[Any]) -> Callable[[Any], str]:
    """Give what turns a value of this column into its cell."""
    return _WRITERS[kind_of(column)]


def reader_of(column: Column[Any]) -> Callable[[str], Any]:
    """Give what turns a cell of this column into its value. Errors: ValueError, whose words say what is expected."""
    return _READERS[kind_of(column)]


def _write_text(value: str | None) -> str:
    if value is None:
        return NOTHING
    return "\\" + value if value.startswith("\\") else value


def _read_text(cell: str) -> str | None:
    if cell == NOTHING:
        return None
    if not cell.startswith("\\"):
        return cell
    if cell.startswith("\\\\"):
        return cell[1:]
    raise ValueError("begins with one backslash; write two, or \\N for nothing")


def _or_empty(write: Callable[[Any], str]) -> Callable[[Any], str]:
    return lambda value: "" if value is None else write(value)


def _or_nothing(read: Callable[[str], Any]) -> Callable[[str], Any]:
    return lambda cell: None if cell == "" else read(cell)


def _read_whole(cell: str) -> int:
    digits = cell.removeprefix("-")
    if not (digits.isascii() and digits.isdigit()) or not LEAST <= (number := int(cell)) <= MOST:
        raise ValueError("is no whole number of 64 bits")
    return number


def _read_flag(cell: str) -> bool:
    if cell not in {"true", "false"}:
        raise ValueError("is neither true nor false")
    return cell == "true"


def _read_day(cell: str) -> date:
    try:
        return date.fromisoformat(cell)
    except ValueError:
        raise ValueError("is no day like 2026-03-04") from None


def _read_moment(cell: str) -> datetime:
    try:
        moment = datetime.fromisoformat(cell)
    except ValueError:
        moment = None
    if moment is None or moment.tzinfo is None:
        raise ValueError("is no moment with its zone, like 2026-03-04T12:00:00+00:00")
    return moment.astimezone(UTC)


def _read_bytes(cell: str) -> bytes:
    if not cell.startswith("x"):
        raise ValueError("is not x and hexadecimal digits")
    try:
        return bytes.fromhex(cell[1:])
    except ValueError:
        raise ValueError("is not x and hexadecimal digits") from None


_WRITERS: dict[str, Callable[[Any], str]] = {
    "text": _write_text,
    "integer": _or_empty(lambda value: f"{value:d}"),
    "boolean": _or_empty(lambda value: "true" if value else "false"),
    "day": _or_empty(date.isoformat),
    "moment": _or_empty(datetime.isoformat),
    "bytes": _or_empty(lambda value: f"x{value.hex()}"),
}
_READERS: dict[str, Callable[[str], Any]] = {
    "text": _read_text,
    "integer": _or_nothing(_read_whole),
    "boolean": _or_nothing(_read_flag),
    "day": _or_nothing(_read_day),
    "moment": _or_nothing(_read_moment),
    "bytes": _or_nothing(_read_bytes),
}
