"""What every sheet is read with: its columns as data, and cells that become values or problems with their line.

The modules of the sheets call it. It must not know what any sheet books.
"""

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from datetime import UTC, date, datetime
from enum import StrEnum
from typing import NamedTuple, TypeVar

from sqlalchemy.orm import Session

from spoolkeep.domain import measures
from spoolkeep.domain.errors import BadInput, Refusal
from spoolkeep.domain.formats import currency_decimals
from spoolkeep.domain.sheets import RowProblem, SheetRow
from spoolkeep.domain.units import MinorUnits, decimal_from, minor_from_major, with_mark
from spoolkeep.services.imports.manner import Manner
from spoolkeep.services.shop import Shop
from spoolkeep.store.tables import Act

T = TypeVar("T")
Empty = TypeVar("Empty")
Word = TypeVar("Word", bound=StrEnum)

MOST_LETTERS = 200
FIRST_YEAR, LAST_YEAR = 1990, 2199
_UM_PER_MM = 1000
_LINES_NAMED = 20


@dataclass(frozen=True)
class Column:
    """A column of a sheet: its name, whether the sheet must have it, and what stands in it."""

    name: str
    needed: bool
    says: str


@dataclass(frozen=True)
class Shown:
    """What one row would book: its line, and the words and figures by which a person knows it again."""

    line: int
    item: str
    srgb: tuple[str, ...]
    finish: str
    is_new: bool
    """Whether its item would be made."""
    spools: int
    left_mg: int
    received_mg: int
    cost_minor: int
    place: str
    place_is_new: bool
    more: str
    """What else it says: supplier, dates, lot, machine, note."""


class Booked(NamedTuple):
    """What was booked: codes that want a label, and what a person should know."""

    codes: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()


Booker = Callable[[Act], Booked]
"""Books the rows that were read, inside the import's act."""


@dataclass
class Reading:
    """One sheet while it is read: the books it is read against, and what was found wrong or odd so far."""

    session: Session
    now: datetime
    shop: Shop
    source: str
    manner: Manner = field(default_factory=Manner)
    columns: tuple[str, ...] = ()
    """Of ours, those that the sheet has."""
    problems: list[RowProblem] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    twice: list[int] = field(default_factory=list)
    skipped: list[int] = field(default_factory=list)
    mark: str | None = None
    """The character before decimals, where the sheet's other numbers prove it."""
    day_first: bool | None = None
    """Of dates that could be two, where a person or the sheet's other dates say."""
    either: list[int] = field(default_factory=list)
    """Lines with such dates."""
    shows: list[Shown] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.clock = self.shop.clock
        self.today = self.shop.today(self.now)
        self.decimals = currency_decimals(self.shop.currency)

    def has(self, column: str) -> bool:
        """Say whether the sheet has a column of ours."""
        return column in self.columns

    def all_notes(self) -> tuple[str, ...]:
        """Give what is odd and was read all the same."""
        return (
            *self.notes,
            *_on_lines(self.twice, "this local time occurs twice, because the clocks went back; the first was taken."),
            *_on_lines(self.either, f"dates like 3/4/2026 have their {'day' if self.day_first else 'month'} first."),
            *_on_lines(self.skipped, "this local time does not exist, because the clocks went forward; it was moved."),
        )


def _on_lines(lines: Iterable[int], words: str) -> list[str]:
    found = sorted(set(lines))
    if not found:
        return []
    more = f" and {len(found) - _LINES_NAMED} more" if len(found) > _LINES_NAMED else ""
    return [f"Line {', '.join(map(str, found[:_LINES_NAMED]))}{more}: {words}"]


class Cells:
    """One row's cells. What cannot be read is noted as a problem, so that a row shows all of its own at once."""

    def __init__(self, reading: Reading, row: SheetRow) -> None:
        self.reading = reading
        self.line = row.line
        self.bad = False
        self._cells: Mapping[str, str] = row.cells

    def problem(self, column: str | None, words: str, code: str = "bad_cell") -> None:
        """Note what is wrong with this row."""
        self.bad = True
        self.reading.problems.append(RowProblem(self.line, column, words, code))

    def text(self, column: str) -> str:
        """Give a cell's text, without the spaces around it; "" where it is empty or too long to be right."""
        plain = self._cells[column].strip()
        if len(plain) > MOST_LETTERS:
            self.problem(column, f"This cell has more than {MOST_LETTERS} letters. Shorten it.", "too_long")
            return ""
        return with_mark(plain, self.reading.mark) if is_number(column) else plain

    def needed(self, column: str) -> str:
        """Give the text of a cell that must be filled."""
        plain = self.text(column)
        if not self._cells[column].strip():
            self.problem(column, f"Fill in “{column}”.", "empty_cell")
        return plain

    def read(self, column: str, reader: Callable[[str], T], empty: Empty) -> T | Empty:
        """Give what `reader` makes of a cell; `empty` where it is empty, or cannot be read, which is noted."""
        plain = self.text(column)
        if not plain:
            return empty
        try:
            return reader(self._in_grams(column, plain) if is_weight(column) else plain)
        except Refusal as refusal:
            self.problem(column, refusal.words, refusal.code)
            return empty

    def _in_grams(self, column: str, text: str) -> str:
        unit = self.reading.manner.units.get(column, "g")
        return measures.grams(text, mark=self.reading.mark, unit=unit)

    def must(self, column: str, reader: Callable[[str], T], stand_in: Empty) -> T | Empty:
        """Give what `reader` makes of a cell that must be filled; `stand_in` where it is not, which is noted."""
        self.needed(column)
        return self.read(column, reader, stand_in)

    def word(self, column: str, words: type[Word], empty: Word) -> Word:
        """Give one of a closed set of words."""
        return self.read(column, lambda text: one_word(text, words), empty)

    def whole(self, column: str, empty: int) -> int:
        """Give a whole number."""
        return self.read(column, lambda text: whole_from(text, column), empty)

    def money(self, column: str, empty: MinorUnits, *, currency: str = "") -> MinorUnits:
        """Give an amount in minor units, typed in major ones of a currency, the workshop's own if empty; 0 or more."""
        decimals = currency_decimals(currency) if currency else self.reading.decimals
        own = currency or self.reading.shop.currency

        def reader(text: str) -> MinorUnits:
            plain = measures.amount(text, currency=own, mark=self.reading.mark)
            minor = minor_from_major(plain, decimals, column)
            if minor < 0:
                raise BadInput("negative_price", f"{column}: enter 0 or more.")
            return minor

        return self.read(column, reader, empty)

    def day(self, column: str, empty: date | None = None, *, ahead: bool = False) -> date | None:
        """Give a day, which is not in the future unless it may lie `ahead`."""

        def reader(text: str) -> date:
            day = day_from(text, day_first=self._order(text))
            if day > self.reading.today and not ahead:
                raise BadInput("in_the_future", f"{day} lies in the future. Check the date.")
            return day

        return self.read(column, reader, empty)

    def moment(self, column: str, *, ahead: bool = False) -> datetime | None:
        """Give a moment in UTC: a day alone is its start. Not in the future, unless it may lie `ahead`."""

        def reader(text: str) -> datetime:
            at = self._moment(text)
            if at > self.reading.now and not ahead:
                raise BadInput("in_the_future", f"{text} lies in the future. Check the date.")
            return at

        return self.read(column, reader, None)

    def _order(self, text: str) -> bool | None:
        """Give whether a date that could be two has its day first, and note that it was read so."""
        if self.reading.day_first is not None and measures.could_be_two_days(text):
            self.reading.either.append(self.line)
        return self.reading.day_first

    def _moment(self, text: str) -> datetime:
        typed = _iso(text, day_first=self._order(text))
        if not isinstance(typed, datetime):
            return self.reading.clock.span_of(typed)[0]
        if typed.tzinfo is not None:
            return typed.astimezone(UTC)
        local = self.reading.clock.from_local(typed)
        if local.twice:
            self.reading.twice.append(self.line)
        if local.skipped:
            self.reading.skipped.append(self.line)
        return local.utc


def is_number(column: str) -> bool:
    """Say whether a column holds grams or money, which may be written with a point or a comma."""
    return is_weight(column) or column in {"cost", "price", "amount", "rate"}


def is_weight(column: str) -> bool:
    """Say whether a column holds a weight, in grams unless its cells or a person say otherwise."""
    return column.endswith("_g") or column == "grams"


def is_date(column: str) -> bool:
    """Say whether a column holds days or moments."""
    return column.endswith(("_on", "_at")) or column in {"day", "due", "from", "until"}


def day_from(text: str, *, day_first: bool | None = None) -> date:
    """Give a day typed like 2026-03-01. Errors: BadInput."""
    typed = _iso(text, day_first=day_first)
    if isinstance(typed, datetime):
        raise BadInput("bad_date", f"“{text}” is more than a day. Write it like 2026-03-01.")
    return typed


def _iso(text: str, *, day_first: bool | None) -> date | datetime:
    """Give a day, or a day with a time. Errors: BadInput. Source: ISO 8601; else as `measures.iso_day`."""
    days_letters = len("2026-03-01")
    plain = measures.iso_day(text, day_first=day_first)
    try:
        typed = date.fromisoformat(plain) if len(plain) == days_letters else datetime.fromisoformat(plain)
    except ValueError:
        words = f"“{text}” is not a date. Write it like 2026-03-01, or 2026-03-01 14:05 with a time."
        raise BadInput("bad_date", words) from None
    if not FIRST_YEAR <= typed.year <= LAST_YEAR:
        raise BadInput("no_such_year", f"“{text}” is not between {FIRST_YEAR} and {LAST_YEAR}. Check the year.")
    return typed


def whole_from(text: str, what: str) -> int:
    """Give a whole number. Errors: BadInput."""
    number = decimal_from(text, what)
    if number != number.to_integral_value() or abs(number) > 10**9:
        raise BadInput("not_whole", f"{what}: “{text}” is not a whole number. Write it like 12.")
    return int(number)


def diameter_from(text: str) -> int:
    """Give a diameter in micrometres, typed in millimetres. Errors: BadInput."""
    um = decimal_from(text, "Diameter") * _UM_PER_MM
    thinnest, thickest = 1000, 5000
    if um != um.to_integral_value() or not thinnest <= um <= thickest:
        raise BadInput("no_such_diameter", f"“{text}” mm is not a diameter. Write it like 1.75.")
    return int(um)


def one_word(text: str, words: type[Word]) -> Word:
    """Give the word that is typed, in whatever case. Errors: BadInput, naming those that there are."""
    plain = " ".join(text.lower().replace("_", " ").split())
    try:
        return words(plain)
    except ValueError:
        listed = ", ".join(words)
        raise BadInput("unknown_word", f"“{text}” is not known here. Write one of: {listed}.") from None
