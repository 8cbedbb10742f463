"""Two years of a large workshop, a day at a time, into an empty database.

`large_workshop` and the tests call it. Seeded: for one moment and scale the books are always the same.
"""

import gc
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import numpy as np
from sqlalchemy import func, insert, select, text, update
from sqlalchemy.engine import Connection
from sqlmodel import SQLModel, col

from spoolkeep.domain.words import TakingsKind
from spoolkeep.services.takings import TakingsAnswer
from spoolkeep.store.engine import Store
from spoolkeep.store.tables import Channel, Station, Token, Workshop
from tests.benchmarks.large.books import COLUMNS, DAY_STARTS_HOUR, DAY_STARTS_UTC, ZONE, Books, shop_day
from tests.benchmarks.large.bulk import Bulk, loading
from tests.benchmarks.large.floor import Floor
from tests.benchmarks.large.people import keep_busy
from tests.benchmarks.large.stock import Stock
from tests.benchmarks.large.things import SPOOL_MG, furnish

SEED = 20_260_101
DAYS = 730
SHARE = 0.014
"""What plastic costs of takings."""
MARKET_FEE = 0.11
_OWN_SHOP, _MARKET = 1, 2


@dataclass(frozen=True)
class Size:
    """How large a workshop is to be."""

    machines: int
    articles: int
    spools: int
    kept: int
    """How many of the spools are to have plastic left."""
    lines: int
    days: int = DAYS
    """How long it has been at work."""


@dataclass(frozen=True)
class Built:
    """What was written."""

    rows: dict[str, int]
    """By table, as the database counts them."""
    seconds: dict[str, float]
    """Processor and waiting time by part."""
    bytes: int


def size_of(scale: float) -> Size:
    """Give the size at a scale, 1 being the whole."""
    machines, articles = max(4, round(200 * scale)), max(10, round(500 * scale))
    return Size(machines, articles, max(40, round(20_000 * scale)), max(20, round(1_200 * scale)), round(1e6 * scale))


def build(store: Store, *, now: datetime, scale: float = 1.0, size: Size | None = None) -> Built:
    """Write the workshop, of a scale or of a size, into an empty database of the right shape."""
    size, began = size or size_of(scale), time.perf_counter()
    with loading(store) as connection, _no_collector():
        before = now - timedelta(days=size.days + 1)
        _settings(connection, before)
        bulk = Bulk(connection, COLUMNS)
        _all_days(Books(bulk, _stations(connection, before)), size, now)
        written = time.perf_counter()
    loaded = time.perf_counter()
    keep_busy(store, now=now, machines=size.machines)
    done = time.perf_counter()
    seconds = {"rows": written - began, "indexes": loaded - written, "through services": done - loaded}
    return Built(_counted(store), seconds, _bytes(store))


@contextmanager
def _no_collector() -> Iterator[None]:
    """Spare the collector the millions of rows on their way: none of them points at another."""
    gc.disable()
    try:
        yield
    finally:
        gc.enable()


def _settings(connection: Connection, ready_at: datetime) -> None:
    settings = {"zone": ZONE, "day_starts_hour": DAY_STARTS_HOUR, "ready_at": ready_at}
    connection.execute(update(Workshop).where(col(Workshop.id) == 1).values(name="Large workshop", **settings))
    connection.execute(insert(Channel), [{"name": "Own shop"}, {"name": "Market place"}])


def _stations(connection: Connection, made_at: datetime) -> tuple[int, ...]:
    numbers = (1, 2, 3)
    for number in numbers:
        token = {"kind": "station", "secret_hash": f"{number:064}", "label": "Bench", "scopes": "scan"}
        token_id = connection.execute(insert(Token).values(**token, made_at=made_at)).inserted_primary_key
        connection.execute(
            insert(Station).values(label=f"Bench {number}", token_id=token_id[0] if token_id else None, made_at=made_at)
        )
    return numbers


def _all_days(books: Books, size: Size, now: datetime) -> None:
    """Let the days pass, one at a time; as many jobs and grams a day as bring lines and spools out right."""
    rng = np.random.default_rng(SEED)
    days = [shop_day(now) - timedelta(days=back) for back in range(size.days, 0, -1)]
    first = _start_of(days[0]) - timedelta(hours=20)
    things = furnish(books, rng, machines=size.machines, articles=size.articles, at=first)
    stock = Stock(books, things, rng, most_spools=size.spools, a_day=(size.spools - size.kept) / size.days)
    base_mg = (size.spools - size.kept) * SPOOL_MG / max(1, size.lines - 3 * size.spools)
    floor = Floor(books, things, stock, rng, base_mg)
    stock.open_shelves(first + timedelta(hours=1))
    floor.start(first + timedelta(hours=2))
    busy = np.cumsum([_busy(day, rng) for day in days])
    busy /= busy[-1]
    for number, day in enumerate(days):
        lines = round(size.lines * float(busy[number])) - books.lines
        _day(floor, day, rng, lines=lines)
        used = (size.spools - size.kept) * float(busy[number])
        behind = (used - (floor.opened - len(things.feed_names))) / (size.spools - size.kept)
        floor.mean_mg = base_mg * min(1.6, max(0.6, 1 + 20 * behind))
        _takings(books, day, rng)
    _last_lines(floor, _start_of(days[-1]) + timedelta(hours=23.6), size)
    floor.loadings_now()
    stock.close()
    books.close()


def _busy(day: date, rng: np.random.Generator) -> float:
    """Give how busy a day is: weekdays before Sundays, the last months of a year before summer, more each year."""
    season = 1 + 0.35 * np.cos(2 * np.pi * (day.timetuple().tm_yday - 335) / 365)
    weekday = (1.05, 1.1, 1.1, 1.05, 1.2, 0.9, 0.6)[day.weekday()]
    return float(season * weekday * (1 + day.toordinal() % 7300 / 20_000) * rng.uniform(0.85, 1.15))


def _day(floor: Floor, day: date, rng: np.random.Generator, *, lines: int) -> None:
    machines, start = floor.things.machines, _start_of(day)
    feeds_used = sum(max(1.0, 0.75 * len(machine.feeds)) for machine in machines) / len(machines)
    jobs = max(0, round(lines / feeds_used))
    moments = np.sort(rng.uniform(600, 82_000, size=jobs)).tolist()
    chosen = rng.integers(0, len(machines), size=jobs).tolist()
    floor.stock.review(start + timedelta(minutes=1))
    floor.stock.arrive(start + timedelta(minutes=8))
    for moment, machine in zip(moments, chosen, strict=True):
        floor.job(machines[machine], start + timedelta(microseconds=int(moment * 1e6)))
    floor.import_log(start + timedelta(seconds=84_000))
    floor.stock.next_day()


def _last_lines(floor: Floor, at: datetime, size: Size) -> None:
    """Bring in the spools, then the lines, that are still lacking."""
    floor.stock.fill_up(at)
    at += timedelta(minutes=10)
    reporting = [machine for machine in floor.things.machines if machine.reports]
    while floor.books.lines < size.lines:
        floor.job(reporting[floor.books.lines % len(reporting)], at)
        at += timedelta(milliseconds=100)


def _takings(books: Books, day: date, rng: np.random.Generator) -> None:
    """Enter what came in: so much that plastic is a small part of it, and the market place's fee once a month."""
    total = books.drawn_minor.get(day, 0) / SHARE * float(rng.uniform(0.8, 1.2))
    at = _start_of(day) + timedelta(seconds=85_000)
    for channel_id, name, share in ((_OWN_SHOP, "Own shop", 0.35), (_MARKET, "Market place", 0.65)):
        _taking(books, day, at, channel_id=channel_id, name=name, kind=TakingsKind.SALE, amount=round(total * share))
    if day.day == 1:
        fee = -round(total * 30 * MARKET_FEE * 0.65)
        _taking(books, day, at, channel_id=_MARKET, name="Market place", kind=TakingsKind.FEE, amount=fee)


def _taking(
    books: Books, day: date, at: datetime, *, channel_id: int, name: str, kind: TakingsKind, amount: int
) -> None:
    if not amount:
        return
    request = {"shop_day": day, "channel": name, "amount_minor": abs(amount), "kind": kind}
    act = books.act("takings", at=at, request=request, about=f"{name}, {day.isoformat()}")
    books.take(act, day, channel_id, kind=kind, amount_minor=amount)
    books.answered(act, TakingsAnswer(act.id, 1, amount))


def _start_of(day: date) -> datetime:
    return datetime(day.year, day.month, day.day, tzinfo=UTC) + DAY_STARTS_UTC


def _counted(store: Store) -> dict[str, int]:
    tables = [SQLModel.metadata.tables[name] for name in sorted({str(model.__tablename__) for model in COLUMNS})]
    with store.read() as session:
        return {one.name: session.execute(select(func.count()).select_from(one)).scalar_one() for one in tables}


def _bytes(store: Store) -> int:
    if store.engine.dialect.name == "sqlite":
        return Path(str(store.engine.url.database)).stat().st_size
    with store.read() as session:
        return int(session.execute(text("SELECT pg_database_size(current_database())")).scalar_one())
