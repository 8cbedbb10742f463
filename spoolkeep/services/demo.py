"""The demo: an invented workshop, read from hand-readable files through the ordinary imports and services.

The command line calls it. `instance_demo/workshop.toml` says what the files mean and how their dates are moved.
"""

import re
import tomllib
from collections.abc import Callable, Mapping
from contextlib import AbstractContextManager
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from pathlib import Path
from typing import Any

from sqlalchemy import select
from sqlalchemy.engine import make_url
from sqlalchemy.orm import Session
from sqlmodel import col

import spoolkeep
from spoolkeep.domain.errors import BadInput, Conflict
from spoolkeep.domain.names import folded
from spoolkeep.domain.units import minor_from_major
from spoolkeep.domain.words import OrderState
from spoolkeep.services.catalogue import set_up
from spoolkeep.services.deliveries import Arrived, book_delivery
from spoolkeep.services.imports import import_sheet
from spoolkeep.services.imports.cells import Reading
from spoolkeep.services.imports.lookups import Items, item_said, numbers_by_name
from spoolkeep.services.instance import Instance
from spoolkeep.services.orders import Wanted, draft, move_on
from spoolkeep.services.shop import Settings, load_shop
from spoolkeep.store.acts import By
from spoolkeep.store.engine import Store
from spoolkeep.store.seeds import FIRST_ACTOR
from spoolkeep.store.tables import Act, Offer, OrderLine, Place, Supplier, Workshop

SETTINGS = "workshop.toml"
BEFORE_ORDERS = ("machines", "places", "articles", "suppliers", "offers", "products", "spools")
AFTER_ORDERS = ("jobs", "takings")
AS_IT_WAS, BUILT = "as it was", "built anew"

_FIRST_KEY = "demo settings"
_DATE = re.compile(r"\b\d{4}-\d{2}-\d{2}\b")
_SENT_AT, _CAME_AT = time(9, 30), time(11, 0)


@dataclass(frozen=True)
class DemoBuilt:
    """What the demo was built from."""

    rows: Mapping[str, int]
    """Rows imported, by sheet."""
    orders: int
    moved_days: int


def demo_folder() -> Path:
    """Give the folder of the demo's files: in the installed package, else beside it."""
    package = Path(spoolkeep.__file__).parent
    inside = package / "instance_demo"
    return inside if inside.is_dir() else package.parent / "instance_demo"


def usual_instance() -> Path:
    """Give the folder in which the demo's database is built where nobody names another."""
    return Path("instance") / "demo"


def prepare(instance: Instance, *, now: datetime, fresh: bool = False) -> str:
    """Build the demo's database where it is not there yet, or anew; say which.

    Errors: Conflict where the database is another workshop's; BadInput where the demo's files cannot be read.
    """
    store = instance.open_or_make(now=now)
    try:
        if _has_demo(store):
            if not fresh:
                return AS_IT_WAS
            store.close()
            _remove(store)
            store = instance.open_or_make(now=now)
        build_demo(store_write=store.write, folder=demo_folder(), now=now)
        return BUILT
    finally:
        store.close()


def build_demo(*, store_write: Callable[[], AbstractContextManager[Session]], folder: Path, now: datetime) -> DemoBuilt:
    """Build the workshop of a folder in an empty database, in one transaction. Errors: BadInput, NotFound, Conflict."""
    config = tomllib.loads((folder / SETTINGS).read_text(encoding="utf-8"))
    with store_write() as session:
        set_up(session=session, now=now, by=_by(_FIRST_KEY), settings=Settings(**config["workshop"]))
        moved = load_shop(session).today(now) - timedelta(days=1) - config["history_ends"]
        rows = {sheet: _import(session, now, folder, sheet, moved=moved) for sheet in BEFORE_ORDERS}
        orders = config.get("order", [])
        for number, order in enumerate(orders, start=1):
            _order(session, now, order, number=number, moved=moved)
        rows |= {sheet: _import(session, now, folder, sheet, moved=moved) for sheet in AFTER_ORDERS}
    return DemoBuilt(rows, len(orders), moved.days)


def moved_dates(text: str, moved: timedelta) -> str:
    """Give a text with every date in it, written like 2026-03-01, moved."""
    return _DATE.sub(lambda found: str(date.fromisoformat(found.group()) + moved), text)


def _by(key: str) -> By:
    return By(actor_id=FIRST_ACTOR, key=key)


def _import(session: Session, now: datetime, folder: Path, sheet: str, *, moved: timedelta) -> int:
    name = f"{sheet}.csv"
    data = moved_dates((folder / name).read_text(encoding="utf-8"), moved).encode()
    report = import_sheet(session=session, now=now, by=_by(f"demo {sheet}"), sheet=sheet, source=name, data=data)
    if report.problems:
        first = report.problems[0]
        raise BadInput("bad_demo", f"{folder / name}, line {first.line}: {first.words}")
    return report.new


def _order(session: Session, now: datetime, order: Mapping[str, Any], *, number: int, moved: timedelta) -> None:
    """Send an order as it was sent, and book in what came of it."""
    reading = Reading(session, now, load_shop(session), SETTINGS)
    sent_at, came_at = (_at(reading, order.get(name), hour, moved) for name, hour in _TIMES)
    supplier_id = numbers_by_name(session, Supplier)[folded(order["supplier"])]
    wanted = [Wanted(_offer(session, supplier_id, line["item"]), line["spools"]) for line in order["lines"]]
    (order_id,) = draft(session=session, now=sent_at or now, by=_by(f"demo order {number}"), wanted=wanted).order_ids
    if sent_at:
        by = _by(f"demo order {number} sent")
        move_on(session=session, now=sent_at, by=by, order_id=order_id, state=OrderState.SENT)
    if came_at:
        book_delivery(
            session=session,
            now=came_at,
            by=_by(f"demo order {number} came"),
            arrived=_arrived(session, order, order_id),
            order_id=order_id,
            freight_minor=minor_from_major(order.get("freight", "0"), reading.decimals, "freight"),
        )


_TIMES = (("sent_on", _SENT_AT), ("came_on", _CAME_AT))


def _at(reading: Reading, day: date | None, hour: time, moved: timedelta) -> datetime | None:
    return reading.clock.from_local(datetime.combine(day + moved, hour)).utc if day else None


def _offer(session: Session, supplier_id: int, item: str) -> int:
    article_id = Items(session).need(item_said(item))
    query = select(col(Offer.id)).where(
        col(Offer.supplier_id) == supplier_id, col(Offer.article_id) == article_id, col(Offer.live)
    )
    return session.scalars(query).one()


def _arrived(session: Session, order: Mapping[str, Any], order_id: int) -> list[Arrived]:
    query = select(OrderLine, Offer).join(Offer, col(Offer.id) == col(OrderLine.offer_id))
    lines = session.execute(query.where(col(OrderLine.order_id) == order_id)).all()
    came = {Items(session).need(item_said(line["item"])): line.get("came", 0) for line in order["lines"]}
    place_id = numbers_by_name(session, Place)[folded(order["place"])]
    return [
        Arrived(
            article_id=line.article_id,
            spools=came[line.article_id],
            spool_mg=line.spool_mg,
            price_minor=line.price_minor,
            tare_mg=offer.tare_mg,
            lot=f"R{order_id:03}-{line.id:02}",
            order_line_id=line.id,
            place_id=place_id,
        )
        for line, offer in lines
        if came[line.article_id]
    ]


def _has_demo(store: Store) -> bool:
    """Say whether the demo is in a database. Errors: Conflict where another workshop is."""
    with store.read() as session:
        if session.scalars(select(col(Act.id)).where(col(Act.key) == _FIRST_KEY)).first() is not None:
            return True
        in_use = session.scalars(select(col(Act.id))).first() is not None
        if in_use or session.get_one(Workshop, 1).ready_at is not None:
            words = "This database holds a workshop that is not the demo. Name another folder with --instance."
            raise Conflict("not_the_demo", words)
    return False


def _remove(store: Store) -> None:
    """Remove the demo's database file. Errors: BadInput where it is not a file."""
    url = make_url(store.engine.url)
    if url.get_backend_name() != "sqlite" or not url.database:
        words = "Only a demo in a SQLite file is built anew. Empty that database yourself, then build the demo again."
        raise BadInput("not_a_file", words)
    for suffix in ("", "-journal", "-wal", "-shm"):
        Path(url.database + suffix).unlink(missing_ok=True)
