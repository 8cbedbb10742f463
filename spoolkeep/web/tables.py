"""Tables of records that leave a page as CSV and XLSX: a view tells each table once, with what every column says.

The blueprints use it, and the page of columns. It must not know a use case.
"""

from collections.abc import Callable, Iterable, Iterator
from collections.abc import Set as AbstractSet
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any, Generic, TypeVar
from urllib.parse import urlencode

from flask import Response, request

from spoolkeep.domain.errors import BadInput, NotFound
from spoolkeep.services.shop import Shop, load_shop
from spoolkeep.services.workbooks import Cell, Table
from spoolkeep.store.engine import Session
from spoolkeep.web import doors, paper
from spoolkeep.web.rules import may

Row = TypeVar("Row")
AS_FILE = {"csv": "CSV", "xlsx": "XLSX"}
NO_FILTER = frozenset({"as", "table", "page", "before"})
"""What in an address says how much of a list is shown, and not which of its rows there are."""
MOST_IN_A_WORKBOOK = 100_000
"""Rows of a workbook, which is built in memory. Source: our own choice."""


@dataclass(frozen=True)
class Column(Generic[Row]):
    """One column: its name with its unit, what it says, and its value of a row; moments are written in shop time."""

    name: str
    says: str
    of: Callable[[Row], Cell]

    @property
    def is_money(self) -> bool:
        """Give whether only those see it who may see Money."""
        return self.name.endswith("_minor")


@dataclass(frozen=True)
class Offered:
    """A table whose rows can be had: where the address asks for it, they are read."""

    name: str
    made: Callable[[Session, Shop], Table]


@dataclass(frozen=True)
class Records(Generic[Row]):
    """A table of a page: its name in the address and of its files, what its rows are, and its columns."""

    name: str
    words: str
    endpoint: str
    """The page that it stands on."""
    columns: tuple[Column[Row], ...] = field(repr=False)

    def of(self, rows: Callable[[Session], Iterable[Row]]) -> Offered:
        """Offer it with its rows: all that fit the address, in the order of the page."""

        def made(session: Session, shop: Shop) -> Table:
            shown = list(self._shown())
            told = tuple(tuple(_cell(one.of(row), shop) for one in shown) for row in rows(session))
            return Table(self.name, tuple(one.name for one in shown), told, shop.today(doors.now()))

        return Offered(self.name, made)

    def _shown(self) -> Iterator[Column[Row]]:
        sees_money = may(doors.caller(), "money.page")
        return (one for one in self.columns if sees_money or not one.is_money)


def _cell(value: Cell, shop: Shop) -> Cell:
    if isinstance(value, datetime):
        return shop.clock.local(value).replace(tzinfo=None, microsecond=0)
    if isinstance(value, bool):
        return "yes" if value else ""
    return str(value) if isinstance(value, str) else value


def asked(*offered: Offered) -> Response | None:
    """Give the file that the address asks for with `as` and `table`, the first table where it names none; else None.

    Errors: BadInput, NotFound.
    """
    kind = request.args.get("as", "")
    if not kind:
        return None
    if kind not in AS_FILE:
        raise BadInput("no_such_file", f"“{kind[:20]}” is no kind of file. A table is given as csv or xlsx.")
    name = request.args.get("table", "") or offered[0].name
    found = next((one for one in offered if one.name == name), None)
    if found is None:
        names = ", ".join(one.name for one in offered)
        raise NotFound("no_such_table", f"This page has no table “{name[:40]}”. It has: {names}.")
    with doors.reading() as session:
        table = found.made(session, load_shop(session))
    if kind == "csv":
        return paper.csv(table.as_csv(), table.name)
    if len(table.rows) > MOST_IN_A_WORKBOOK:
        words = f"A workbook holds {MOST_IN_A_WORKBOOK} rows at most, and these are {len(table.rows)}."
        raise BadInput("too_many_rows", f"{words} Narrow the list, or take it as CSV.")
    return paper.workbook(table.as_workbook(), table.name)


def address_of(name: str, kind: str) -> str:
    """Give where the page's own address has a table as a file; nothing where the page answers a form."""
    if request.method != "GET":
        return ""
    return f"{request.path}?{urlencode([*_asked_but(NO_FILTER), ('table', name), ('as', kind)])}"


def _asked_but(names: AbstractSet[str]) -> list[tuple[str, str]]:
    """Give what the address asks for, but for these."""
    return [(key, value) for key, value in request.args.items(multi=True) if key not in names and value]


def page_address(number: int | str, at: str = "", name: str = "page") -> str:
    """Give where another part of a long list of this page is, or all of it, narrowed as it is."""
    kept = _asked_but({name, "as", "table"})
    asked = urlencode([*kept, (name, str(number))] if number != 1 else kept)
    return f"{request.path}{'?' if asked else ''}{asked}{'#' if at else ''}{at}"


AnyRecords = Records[Any]
