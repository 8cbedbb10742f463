"""The Bench: what a scan means, and what is loaded where.

The web's Bench page and its JSON door call it.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

from sqlalchemy import exists, func, select
from sqlalchemy.orm import Session
from sqlmodel import col

from spoolkeep.domain.codes import Code, CodeKind, RetailCode, kind_in_words, read_code
from spoolkeep.domain.errors import BadInput, NotFound
from spoolkeep.domain.words import Kind
from spoolkeep.services import finding, stations
from spoolkeep.services.finding import Item
from spoolkeep.services.loadings import load, take_off
from spoolkeep.services.shop import code_text, load_shop
from spoolkeep.store.acts import By, once
from spoolkeep.store.journal import change
from spoolkeep.store.tables import Act, Balance, Feed, Loading, Machine, Movement, Offer, Place, SetAside, Spool

HEARD, ATTENTION = "heard", "attention"
PACE_OVER = timedelta(days=7)


@dataclass(frozen=True)
class ScanAnswer:
    """What a scan did, in a word for the eye and a sentence for the mind."""

    kind: str
    """`heard`, or `attention` where it was booked and something is odd."""
    words: str
    act_id: int
    did: str
    """`waits`, `loaded`, `moved` or `looked up`."""
    spool_code: str | None = None
    waiting: bool = False


@dataclass(frozen=True)
class Loaded:
    """A spool on a feed."""

    spool_code: str
    item: Item
    left_mg: int
    doubtful: bool
    since: datetime
    hours_left: float | None
    """At the pace of this feed's last week; None where it drew nothing."""


@dataclass(frozen=True)
class FeedView:
    """One feed on the board."""

    feed_id: int
    code: str
    position: int
    loaded: Loaded | None


@dataclass(frozen=True)
class MachineView:
    """One machine on the board, with its feeds in order."""

    machine_id: int
    name: str
    feeds: tuple[FeedView, ...]


def scan(*, session: Session, now: datetime, by: By, text: str) -> ScanAnswer:
    """Give what a scan did. Two halves, a spool and a feed or a place in either order, make an act.

    Errors: BadInput for what is no code, or a foreign one; NotFound for a code that nothing carries.
    """
    station_id = by.station_id
    if station_id is None:
        raise BadInput("no_station", "This device is not known as a station yet. Open the Bench once, then scan.")

    def do(act: Act) -> ScanAnswer:
        code = read_code(text)
        if isinstance(code, RetailCode):
            return _look_up_retail(session, act, code)
        return _hear(session, act, code, station_id=station_id, now=now)

    return once(
        session,
        "scan",
        by=by,
        now=now,
        request={"text": text},
        answers=ScanAnswer,
        about=lambda: _about(session, text, station_id=station_id, now=now),
        do=do,
    )


def board(*, session: Session, now: datetime) -> list[MachineView]:
    """Give every machine with its feeds, what is on them and how long it lasts at the last week's pace."""
    loaded = _loaded(session, now)
    feeds: dict[int, list[FeedView]] = {}
    for feed in session.scalars(select(Feed).where(col(Feed.live)).order_by(col(Feed.position))):
        view = FeedView(feed.id, code_text(CodeKind.FEED, feed.serial), feed.position, loaded.get(feed.id))
        feeds.setdefault(feed.machine_id, []).append(view)
    machines = session.scalars(
        select(Machine).where(col(Machine.live), ~col(Machine.retired)).order_by(col(Machine.name))
    )
    return [MachineView(machine.id, machine.name, tuple(feeds.get(machine.id, ()))) for machine in machines]


def _loaded(session: Session, now: datetime) -> dict[int, Loaded]:
    pace = _mg_an_hour(session, now)
    query = (
        select(Loading, Spool, Balance)
        .join(Spool, col(Spool.id) == col(Loading.spool_id))
        .join(Balance, col(Balance.spool_id) == col(Spool.id))
        .where(col(Loading.live), col(Loading.until_at).is_(None), ~col(Loading.standby))
    )
    rows = session.execute(query).all()
    known = finding.items(session, [spool.article_id for _, spool, _ in rows])
    return {
        loading.feed_id: Loaded(
            spool_code=code_text(CodeKind.SPOOL, spool.serial),
            item=known[spool.article_id],
            left_mg=balance.left_mg,
            doubtful=balance.doubtful,
            since=loading.from_at,
            hours_left=balance.left_mg / pace[loading.feed_id] if pace.get(loading.feed_id) else None,
        )
        for loading, spool, balance in rows
    }


def waiting(*, session: Session, station_id: int | None, now: datetime) -> str:
    """Give what the first half of a scan named, while a station waits for the second; else nothing."""
    first = _first_half(session, station_id, now) if station_id is not None else None
    return _describe(session, first) if first else ""


def _first_half(session: Session, station_id: int, now: datetime) -> Code | None:
    """Give the first half of a scan that waits, unless what it names is no longer in the books."""
    text = stations.waiting_scan(session, station_id, now)
    code = read_code(text) if text else None
    try:
        return code if isinstance(code, Code) and _describe(session, code) else None
    except NotFound:
        return None


def _mg_an_hour(session: Session, now: datetime) -> dict[int, float]:
    """Give what each feed drew in an hour of the last week, idle hours counted."""
    query = (
        select(col(Movement.feed_id), func.sum(col(Movement.sign) * col(Movement.asked_mg)))
        .where(col(Movement.feed_id).is_not(None), col(Movement.kind) == Kind.DRAW)
        .where(col(Movement.occurred_at) > now - PACE_OVER, col(Movement.occurred_at) <= now)
        .group_by(col(Movement.feed_id))
    )
    hours = PACE_OVER.total_seconds() / 3600
    return {feed: -int(mg) / hours for feed, mg in session.execute(query) if feed is not None}


def _look_up_retail(session: Session, act: Act, code: RetailCode) -> ScanAnswer:
    offer = session.scalars(select(Offer).where(col(Offer.retail_code) == code.digits, col(Offer.live))).first()
    if offer is None:
        words = f"{code.digits} is a maker's code, and no offer has it yet. Scan our own label on the reel."
        return ScanAnswer(ATTENTION, words, act.id, "looked up")
    name = finding.item(session, offer.article_id).name
    words = f"{code.digits} is a maker's code for {name}. Book it in under Deliveries, or scan our own label."
    return ScanAnswer(HEARD, words, act.id, "looked up")


def _hear(session: Session, act: Act, code: Code, *, station_id: int, now: datetime) -> ScanAnswer:
    words = _describe(session, code)
    first = _first_half(session, station_id, now)
    pair = _pair(code, first) if first else None
    if pair is None:
        return _wait(session, act, code, words=words, station_id=station_id, now=now)
    stations.forget_half_scan(session, station_id)
    spool = finding.spool_by_serial(session, pair[0].serial)
    doing: Callable[..., ScanAnswer] = _load if pair[1].kind is CodeKind.FEED else _move
    return doing(session, act, spool, pair[1], now=now)


def _about(session: Session, text: str, *, station_id: int, now: datetime) -> str:
    """Give what a scan is about: what it names, and where that goes if it is the second half."""
    code = read_code(text)
    if isinstance(code, RetailCode):
        return code.digits
    first = _first_half(session, station_id, now)
    pair = _pair(code, first) if first else None
    return " to ".join(_describe(session, one) for one in pair or (code,))


def _describe(session: Session, code: Code) -> str:
    if code.kind is CodeKind.SPOOL:
        spool = finding.spool_by_serial(session, code.serial)
        return finding.item(session, spool.article_id).name
    if code.kind is CodeKind.FEED:
        return finding.feed_name(session, finding.feed_by_serial(session, code.serial))
    if code.kind is CodeKind.PLACE:
        return finding.place_by_serial(session, code.serial).name
    raise BadInput(
        "not_for_the_bench",
        f"{code.grouped} is the code of {kind_in_words(code.kind)}. Here scan a spool, a feed or a place.",
    )


def _pair(code: Code, first: Code) -> tuple[Code, Code] | None:
    """Give a spool's code and that of a feed or place, whichever came first; None where they make no pair."""
    if (first.kind is CodeKind.SPOOL) == (code.kind is CodeKind.SPOOL):
        return None
    return (code, first) if code.kind is CodeKind.SPOOL else (first, code)


def _wait(session: Session, act: Act, code: Code, *, words: str, station_id: int, now: datetime) -> ScanAnswer:
    stations.keep_half_scan(session, station_id, code=code.text, now=now)
    if code.kind is CodeKind.SPOOL:
        return ScanAnswer(HEARD, f"{words}. Now scan a feed or a place.", act.id, "waits", code.text, waiting=True)
    return ScanAnswer(HEARD, f"{words}. Now scan a spool.", act.id, "waits", waiting=True)


def _load(session: Session, act: Act, spool: Spool, code: Code, *, now: datetime) -> ScanAnswer:
    feed = finding.feed_by_serial(session, code.serial)
    load(session, act, spool=spool, feed=feed, at=now, today=load_shop(session).today(now))
    name, where = finding.item(session, spool.article_id).name, finding.feed_name(session, feed)
    answer = ScanAnswer(HEARD, f"{name} is on {where}.", act.id, "loaded", code_text(CodeKind.SPOOL, spool.serial))
    odd = _odd(session, spool)
    return replace(answer, kind=ATTENTION, words=f"{answer.words} {odd}") if odd else answer


def _odd(session: Session, spool: Spool) -> str:
    """Give what a person should know about a spool that was just loaded; it is on the machine in fact."""
    lot = (col(SetAside.article_id) == spool.article_id) & (col(SetAside.lot) == spool.lot)
    aside = exists().where(
        ((col(SetAside.spool_id) == spool.id) | lot), col(SetAside.live), col(SetAside.until_at).is_(None)
    )
    if session.scalars(select(aside)).one():
        return "STOP: it is set aside and must not be used until a person decides."
    balance = session.get(Balance, spool.id)
    if balance is None or balance.left_mg == 0:
        return "By the books it is empty: weigh it."
    if balance.doubtful:
        return "More was drawn from it than was there: weigh it."
    return ""


def _move(session: Session, act: Act, spool: Spool, code: Code, *, now: datetime) -> ScanAnswer:
    place: Place = finding.place_by_serial(session, code.serial)
    take_off(session, act, spool=spool, at=now)
    change(session, act, spool, place_id=place.id, home_id=spool.home_id or place.id)
    name = finding.item(session, spool.article_id).name
    return ScanAnswer(HEARD, f"{name} is at {place.name}.", act.id, "moved", code_text(CodeKind.SPOOL, spool.serial))
