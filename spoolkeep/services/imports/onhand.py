"""The sheet of orders on hand: what customers ordered, by product and colour. A later file tells what changed.

The imports' engine calls it.
"""

from collections.abc import Sequence

from spoolkeep.domain.errors import Refusal
from spoolkeep.domain.sheets import SheetRow
from spoolkeep.services import onhand
from spoolkeep.services.asked import Range, Wanted
from spoolkeep.services.imports.cells import Booked, Booker, Cells, Column, Reading, day_from
from spoolkeep.store.tables import Act

COLUMNS = (
    Column("order", needed=True, says="the order's number"),
    Column("product", needed=True, says="the product's name"),
    Column("colour", needed=False, says="the colour, where the product's name does not say it"),
    Column("pieces", needed=False, says="how many; 1 if empty"),
    Column("sent", needed=False, says="how many went out; none if empty"),
    Column("due", needed=False, says="the day on which it must go out, like 2026-03-01"),
    Column("called_off", needed=False, says="yes where the customer wants it no more"),
)
KNOWN_BY = ("order", "product", "colour")
_YES = {"yes", "y", "true", "1", "x"}


def read(reading: Reading, rows: Sequence[SheetRow]) -> Booker:
    """Give what tells of these orders."""
    sold = Range(reading.session)
    lines: dict[str, int] = {}
    found = [_row(Cells(reading, row), sold, lines) for row in rows]

    def book(act: Act) -> Booked:
        new, changed = onhand.tell_within(reading.session, act, found, now=reading.now)
        return Booked(notes=(f"New on hand: {new}. Changed: {changed}.",))

    return book


def _row(cells: Cells, sold: Range, lines: dict[str, int]) -> Wanted:
    wanted = Wanted(
        order=cells.needed("order"),
        product=cells.needed("product"),
        colour=cells.text("colour"),
        pieces=cells.whole("pieces", 1),
        sent=cells.whole("sent", 0),
        due_on=cells.read("due", day_from, None),
        called_off=cells.text("called_off").lower() in _YES,
    )
    if not cells.bad:
        try:
            onhand.check(wanted)
            earlier = lines.setdefault(sold.line(wanted), cells.line)
            if earlier != cells.line:
                cells.problem(
                    None, f"Line {earlier} says the same order, product and colour. Add them up.", "told_twice"
                )
        except Refusal as refusal:
            cells.problem(None, refusal.words, refusal.code)
    return wanted
