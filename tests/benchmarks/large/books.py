"""The books of the large workshop: acts with answers and changes, movements with their lines, and the copies.

Its trade and its floor write through them. What an event comes to is the rules' own arithmetic, one step at a time.
"""

from collections import defaultdict
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from typing import Any, NamedTuple

from pydantic import TypeAdapter
from pydantic_core import to_json
from sqlmodel import SQLModel

from spoolkeep.domain.codes import CodeKind
from spoolkeep.domain.ledger import Report, State, sort_key, step, worth
from spoolkeep.domain.words import Kind, TakingsKind
from spoolkeep.services.shop import code_text
from spoolkeep.store.acts import request_hash
from spoolkeep.store.seeds import FIRST_ACTOR
from spoolkeep.store.tables import (
    Act,
    Answer,
    Article,
    Balance,
    Change,
    Colour,
    ColourValue,
    DayTotal,
    Delivery,
    Feed,
    ImportRow,
    Job,
    JobFeed,
    Line,
    Loading,
    Machine,
    Movement,
    Offer,
    Order,
    OrderLine,
    OrderPromise,
    Place,
    PriceBreak,
    Product,
    ProductPart,
    SerialCounter,
    Spool,
    Supplier,
    TakingsDay,
    TakingsLine,
)
from tests.benchmarks.large.bulk import Bulk

ZONE, DAY_STARTS_HOUR = "Etc/GMT-1", 4
"""A zone that never changes its clocks, so that a shop day begins at 03:00 UTC the year round."""
DAY_STARTS_UTC = timedelta(hours=3)

COLUMNS: dict[type[SQLModel], tuple[str, ...]] = {
    Act: ("id", "actor_id", "station_id", "key", "request_hash", "kind", "about", "recorded_at"),
    Answer: ("act_id", "body"),
    Change: ("id", "act_id", "on_table", "row_id", "field", "before", "after"),
    Movement: (
        *("id", "act_id", "kind", "spool_id", "occurred_at", "shop_day", "sort_key", "asked_mg", "leaves_mg"),
        *("gross_mg", "tare_mg", "cost_minor", "job_id", "feed_id", "loading_id", "cause"),
    ),
    Line: ("id", "movement_id", "act_id", "spool_id", "kind", "mg", "value_minor", "book_day"),
    Balance: ("spool_id", "left_mg", "received_mg", "cost_minor", "value_minor", "doubtful", "last_key"),
    DayTotal: ("article_id", "shop_day", "book_day", "kind", "mg", "value_minor"),
    TakingsLine: ("id", "act_id", "channel_id", "shop_day", "book_day", "kind", "amount_minor", "currency"),
    TakingsDay: ("shop_day", "book_day", "channel_id", "kind", "amount_minor"),
    Job: (
        *("id", "title", "machine_id", "product_id", "purpose", "state", "outcome", "duration_s"),
        *("started_at", "ended_at", "outside_id"),
    ),
    JobFeed: ("id", "job_id", "feed_id", "needs_mg"),
    ImportRow: ("id", "act_id", "sheet", "source", "key", "digest", "line", "booked_at"),
    Loading: ("id", "spool_id", "feed_id", "from_at", "until_at"),
    Spool: (
        *("id", "serial", "article_id", "supplier_id", "delivery_id", "order_line_id", "place_id", "home_id"),
        *("lot", "tare_mg", "received_on", "opened_on", "retired_on"),
    ),
    Order: ("id", "serial", "supplier_id", "state", "drafted_at", "sent_at", "promised_for", "closed_at"),
    OrderLine: (
        *("id", "order_id", "offer_id", "article_id", "spools", "spool_mg", "price_minor", "placed_at"),
        "confirmed_for",
    ),
    OrderPromise: ("id", "act_id", "order_line_id", "promised_for", "said_at"),
    Delivery: ("id", "order_id", "supplier_id", "arrived_at", "freight_minor"),
    Supplier: ("id", "name", "address", "lead_days"),
    Offer: ("id", "supplier_id", "article_id", "their_number", "spool_mg", "tare_mg", "price_minor", "pack"),
    PriceBreak: ("id", "offer_id", "from_spools", "price_minor"),
    Machine: ("id", "name", "site_id"),
    Feed: ("id", "serial", "machine_id", "position"),
    Place: ("id", "serial", "name", "kind", "site_id"),
    Colour: ("id", "name", "finish"),
    ColourValue: ("colour_id", "position", "srgb"),
    Article: ("id", "material_id", "colour_id"),
    Product: ("id", "name", "price_minor"),
    ProductPart: ("id", "product_id", "article_id", "mg"),
    SerialCounter: ("kind", "last"),
}


@dataclass(frozen=True)
class Done:
    """An act in the books."""

    id: int
    key: str
    at: datetime


class Told(NamedTuple):
    """What is told of an event: an amount or a level, what it cost, and what drew it."""

    asked_mg: int | None = None
    leaves_mg: int | None = None
    gross_mg: int | None = None
    cost_minor: int = 0
    job_id: int | None = None
    feed_id: int | None = None
    loading_id: int | None = None
    cause: str | None = None


@dataclass
class SpoolBook:
    """One spool while the two years pass."""

    id: int
    serial: int
    article_id: int
    tare_mg: int
    received_on: date
    lot: str
    place_id: int
    supplier_id: int | None = None
    delivery_id: int | None = None
    order_line_id: int | None = None
    opened_on: date | None = None
    retired_on: date | None = None
    state: State = field(default_factory=State)
    last_key: str = ""

    @property
    def code(self) -> str:
        """Give the code on its label."""
        return code_text(CodeKind.SPOOL, self.serial)


def shop_day(at: datetime) -> date:
    """Give the shop day of a moment, as the workshop's clock has it."""
    return (at - DAY_STARTS_UTC).date()


class Books:
    """Everything that is written for good, in the order in which it was told."""

    def __init__(self, bulk: Bulk, station_ids: tuple[int, ...]) -> None:
        self.bulk = bulk
        self.station_ids = station_ids
        self.spools: list[SpoolBook] = []
        self.serials: dict[CodeKind, int] = dict.fromkeys(CodeKind, 0)
        self.lines = 0
        self.drawn_minor: dict[date, int] = defaultdict(int)
        self._adapters: dict[type[object], TypeAdapter[Any]] = {}
        self._totals: dict[tuple[int, date, str], list[int]] = {}
        self._takings: dict[tuple[date, int, str], int] = defaultdict(int)

    def act(
        self, kind: str, *, at: datetime, request: dict[str, Any], about: str = "", station_id: int | None = None
    ) -> Done:
        """Give a new act."""
        number = self.bulk.number(Act)
        key = f"large-{number}"
        self.bulk.add(Act, number, FIRST_ACTOR, station_id, key, request_hash(kind, request), kind, about, at)
        return Done(number, key, at)

    def answered(self, act: Done, answer: Any) -> None:  # noqa: ANN401 - each act answers in its own shape
        """Keep what an act answered."""
        kind = type(answer)
        if kind not in self._adapters:
            self._adapters[kind] = TypeAdapter(kind)
        self.bulk.add(Answer, act.id, self._adapters[kind].dump_json(answer).decode())

    def made(self, act: Done, model: type[SQLModel], number: int) -> None:
        """Note that an act made a row."""
        self.bulk.add(Change, self.bulk.number(Change), act.id, model.__tablename__, number, "live", "false", "true")

    def changed(
        self, act: Done, model: type[SQLModel], number: int, name: str, *, before: object, after: object
    ) -> None:
        """Note that an act set a field."""
        written = (to_json(value).decode() for value in (before, after))
        self.bulk.add(Change, self.bulk.number(Change), act.id, model.__tablename__, number, name, *written)

    def serial(self, kind: CodeKind) -> int:
        """Give the next serial of a kind of code."""
        self.serials[kind] += 1
        return self.serials[kind]

    def move(
        self,
        act: Done,
        spool: SpoolBook,
        kind: Kind,
        at: datetime,
        *,
        told: Told,
        nth: int = 0,
    ) -> bool:
        """Book an event that is later than all others of its spool; say whether more went than was left."""
        key = sort_key(kind, at, f"{act.key}|{nth:06d}")
        if key <= spool.last_key:
            raise AssertionError(f"{key} comes before {spool.last_key}")
        number, day = self.bulk.number(Movement), shop_day(at)
        tare_mg = spool.tare_mg if told.gross_mg is not None else None
        about = (told.cost_minor, told.job_id, told.feed_id, told.loading_id, told.cause)
        self.bulk.add(
            *(Movement, number, act.id, kind, spool.id, at, day, key),
            *(told.asked_mg, told.leaves_mg, told.gross_mg, tare_mg, *about),
        )
        spool.state, booked = step(spool.state, Report(number, kind, told.asked_mg, told.leaves_mg, told.cost_minor))
        spool.last_key = key
        for one in booked:
            if one.mg or one.value_minor:
                self._line(act, spool, number, day=day, kind=one.kind, mg=one.mg, value_minor=one.value_minor)
        return len(booked) > 1

    def _line(
        self, act: Done, spool: SpoolBook, movement_id: int, *, day: date, kind: Kind, mg: int, value_minor: int
    ) -> None:
        number = self.bulk.number(Line)
        self.bulk.add(Line, number, movement_id, act.id, spool.id, kind, mg, value_minor, day)
        self.lines += 1
        sums = self._totals.setdefault((spool.article_id, day, kind), [0, 0])
        sums[0] += mg
        sums[1] += value_minor
        if kind is Kind.DRAW:
            self.drawn_minor[day] -= value_minor

    def take(self, act: Done, day: date, channel_id: int, *, kind: TakingsKind, amount_minor: int) -> None:
        """Book takings."""
        number = self.bulk.number(TakingsLine)
        self.bulk.add(TakingsLine, number, act.id, channel_id, day, day, kind, amount_minor, "EUR")
        self._takings[day, channel_id, kind] += amount_minor

    def close(self) -> None:
        """Write what is known only at the end: spools as they are now, the copies and the serials."""
        add = self.bulk.add
        for one in self.spools:
            add(
                *(Spool, one.id, one.serial, one.article_id, one.supplier_id, one.delivery_id, one.order_line_id),
                *(one.place_id, one.place_id, one.lot, one.tare_mg, one.received_on, one.opened_on, one.retired_on),
            )
            state = one.state
            sums = (state.left_mg, state.received_mg, state.cost_minor, worth(state), state.doubtful)
            add(Balance, one.id, *sums, one.last_key)
        for (article_id, day, kind), (mg, value_minor) in self._totals.items():
            add(DayTotal, article_id, day, day, kind, mg, value_minor)
        for (day, channel_id, kind), amount_minor in self._takings.items():
            add(TakingsDay, day, day, channel_id, kind, amount_minor)
        for kind, last in self.serials.items():
            if last:
                add(SerialCounter, kind, last)
        self.bulk.flush()
