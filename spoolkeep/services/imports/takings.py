"""The sheet of takings: what the shop took, by day and channel.

The imports' engine calls it.
"""

from collections.abc import Sequence

from spoolkeep.domain.errors import Refusal
from spoolkeep.domain.exchange import rate_ppm
from spoolkeep.domain.formats import currency_decimals
from spoolkeep.domain.sheets import SheetRow
from spoolkeep.domain.units import MinorUnits
from spoolkeep.domain.words import TakingsKind
from spoolkeep.services.imports.cells import Booked, Booker, Cells, Column, Reading
from spoolkeep.services.takings import Checked, Taken, Till
from spoolkeep.store.tables import Act
from spoolkeep.store.takings import book_takings

COLUMNS = (
    Column("id", needed=False, says="the row's own number, where the sheet has one"),
    Column("day", needed=True, says="the shop day, like 2026-03-01"),
    Column("channel", needed=True, says="where it was sold; made where it is new"),
    Column("amount", needed=True, says="above 0, in its currency, net of recoverable tax"),
    Column("kind", needed=False, says="sale, refund or fee; sale if empty"),
    Column("currency", needed=False, says="three letters, like EUR; the workshop's own if empty"),
    Column("rate", needed=False, says="where it is another currency: how many of the own one unit of it was worth"),
    Column("product", needed=False, says="the product that was sold"),
    Column("pieces", needed=False, says="how many pieces of the product"),
)


def read(reading: Reading, rows: Sequence[SheetRow]) -> Booker:
    """Give what books these rows, all in one go."""
    till = Till(reading.session, reading.now)
    found = [checked for row in rows if (checked := _row(Cells(reading, row), till)) is not None]

    def book(act: Act) -> Booked:
        book_takings(reading.session, act, [one.taking for one in found])
        return Booked()

    return book


def _row(cells: Cells, till: Till) -> Checked | None:
    cells.needed("day")
    cells.needed("amount")
    currency = cells.read("currency", _currency, "")
    amount = cells.money("amount", MinorUnits(1), currency=currency)
    if amount == 0:
        cells.problem("amount", "Enter an amount above 0, or leave the row out.", "not_positive")
    told = Taken(
        shop_day=cells.day("day") or till.today,
        channel=cells.needed("channel"),
        kind=cells.word("kind", TakingsKind, TakingsKind.SALE),
        amount_minor=amount,
        currency=currency,
        rate_ppm=cells.read("rate", rate_ppm, None),
        product=cells.text("product"),
        pieces=cells.whole("pieces", 0) or None,
    )
    if cells.bad:
        return None
    try:
        return till.check(told)
    except Refusal as refusal:
        cells.problem(None, refusal.words, refusal.code)
        return None


def _currency(text: str) -> str:
    currency_decimals(text.upper())
    return text.upper()
