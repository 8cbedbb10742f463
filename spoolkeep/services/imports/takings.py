"""The sheet of takings: what the shop took, by day and channel.

The imports' engine calls it.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from spoolkeep.domain.sheets import SheetRow
from spoolkeep.domain.units import MinorUnits
from spoolkeep.domain.words import TakingsKind
from spoolkeep.services.imports.cells import Booked, Booker, Cells, Column, Reading
from spoolkeep.services.money import channel_named
from spoolkeep.store.tables import Act
from spoolkeep.store.takings import Taking, book_takings

COLUMNS = (
    Column("id", needed=False, says="the row's own number, where the sheet has one"),
    Column("day", needed=True, says="the shop day, like 2026-03-01"),
    Column("channel", needed=True, says="where it was sold; made where it is new"),
    Column("amount", needed=True, says="above 0, in the workshop's currency, net of recoverable tax"),
    Column("kind", needed=False, says="sale, refund or fee; sale if empty"),
)


@dataclass(frozen=True)
class _Row:
    day: date
    channel: str
    kind: TakingsKind
    amount_minor: int


def read(reading: Reading, rows: Sequence[SheetRow]) -> Booker:
    """Give what books these rows, all in one go."""
    found = [_row(Cells(reading, row)) for row in rows]

    def book(act: Act) -> Booked:
        names = dict.fromkeys(one.channel for one in found)
        channels = {name: channel_named(reading.session, name) for name in names}
        book_takings(reading.session, act, [_taking(one, channels[one.channel], reading) for one in found])
        return Booked()

    return book


def _row(cells: Cells) -> _Row:
    cells.needed("day")
    cells.needed("amount")
    amount = cells.money("amount", MinorUnits(1))
    if amount == 0:
        cells.problem("amount", "Enter an amount above 0, or leave the row out.", "not_positive")
    return _Row(
        day=cells.day("day") or cells.reading.today,
        channel=cells.needed("channel"),
        kind=cells.word("kind", TakingsKind, TakingsKind.SALE),
        amount_minor=amount,
    )


def _taking(one: _Row, channel_id: int, reading: Reading) -> Taking:
    return Taking(
        shop_day=one.day,
        channel_id=channel_id,
        kind=one.kind,
        amount_minor=one.amount_minor if one.kind is TakingsKind.SALE else -one.amount_minor,
        currency=reading.shop.currency,
    )
