"""A count: a walk along the shelves with a scanner, what it saw, and the one act that settles it.

The web's Count page calls it. Sightings are no acts: scanning a spool twice says the same once.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime

from sqlalchemy import ColumnElement, select
from sqlalchemy.orm import Session
from sqlmodel import col

from spoolkeep.domain.codes import Code, CodeKind, kind_in_words, read_code
from spoolkeep.domain.errors import BadInput, Conflict
from spoolkeep.domain.words import Kind
from spoolkeep.services import airing, finding
from spoolkeep.services.finding import Item
from spoolkeep.services.loadings import take_off
from spoolkeep.services.shop import code_text, load_shop
from spoolkeep.store.acts import By, once
from spoolkeep.store.journal import change
from spoolkeep.store.ledger import Event, book
from spoolkeep.store.tables import (
    Act,
    Balance,
    Loading,
    Place,
    Sighting,
    Spool,
    Walk,
    WalkedPlace,
    Walker,
)

HEARD, ATTENTION = "heard", "attention"


@dataclass(frozen=True)
class Counted:
    """What a scan on a walk said."""

    kind: str
    words: str


@dataclass(frozen=True)
class Seen:
    """One spool of a walk: where it was seen, and what the books say of it."""

    code: str
    item: Item
    left_mg: int
    says: str
    """Where the books have it, or why they have it no more; empty where it is where it was seen."""
    loaded: bool = False
    """Whether the books have it on a machine."""


@dataclass(frozen=True)
class PlaceWalked:
    """One place of a walk, and its spools."""

    name: str
    right: tuple[Seen, ...]
    elsewhere: tuple[Seen, ...]
    """Seen here, though the books say another place, a feed, or that it is gone."""
    missing: tuple[Seen, ...]


@dataclass(frozen=True)
class WalkView:
    """The walk that is under way."""

    walk_id: int
    began_at: datetime
    places: tuple[PlaceWalked, ...]

    @property
    def seen(self) -> int:
        """Give how many spools it saw."""
        return sum(len(one.right) + len(one.elsewhere) for one in self.places)

    @property
    def loaded(self) -> int:
        """Give how many of those that it saw on a shelf are on a machine by the books."""
        return sum(one.loaded for place in self.places for one in place.elsewhere)

    @property
    def missing(self) -> int:
        """Give how many spools it has not seen."""
        return sum(len(one.missing) for one in self.places)


@dataclass(frozen=True)
class Settled:
    """What a count came to."""

    act_id: int
    moved: int
    missing: int
    written_off: int


def scan(*, session: Session, now: datetime, by: By, text: str) -> Counted:
    """Take a scan on a walk: a place, then every spool there, then the next place. The first place begins a walk.

    Errors: BadInput for any other code, or a spool before a place; NotFound.
    """
    code = read_code(text)
    if by.station_id is None:
        raise BadInput("no_station", "This device is not known as a station yet. Open the page once, then scan.")
    if isinstance(code, Code) and code.kind is CodeKind.PLACE:
        place = finding.place_by_serial(session, code.serial)
        _walk_to(session, place, station_id=by.station_id, now=now)
        return Counted(HEARD, f"{place.name}. Now scan every spool that is here.")
    if not isinstance(code, Code) or code.kind is not CodeKind.SPOOL:
        what = "a maker's barcode" if not isinstance(code, Code) else f"the code of {kind_in_words(code.kind)}"
        raise BadInput("not_on_a_walk", f"That is {what}. On a count scan a place, and the spools that are there.")
    spool = finding.spool_by_serial(session, code.serial)
    walker, walk = session.get(Walker, by.station_id), _open(session)
    if walker is None or walk is None or walker.walk_id != walk.id:
        raise BadInput("no_place_yet", "Scan the label of the place first, then the spools that are there.")
    is_again = _see(session, walk, spool, place_id=walker.place_id, now=now)
    said = _said(session, walk, spool, session.get_one(Place, walker.place_id))
    return replace(said, words=f"Scanned already. {said.words}") if is_again else said


def view(*, session: Session) -> WalkView | None:
    """Give the walk that is under way, place by place; None where there is none."""
    walk = _open(session)
    return _view(session, walk) if walk else None


def settle(*, session: Session, now: datetime, by: By, walk_id: int, write_off: Sequence[str] = ()) -> Settled:
    """Settle a walk: what was seen is where it was seen, what is missing is nowhere, and is written off where named.

    Errors: BadInput where it saw nothing, or a code is not missing; Conflict where it is settled already.
    """

    def do(act: Act) -> Settled:
        walk = session.get(Walk, walk_id)
        if walk is None or not walk.live or walk.settled_at is not None:
            raise Conflict("settled_before", "That count is settled already, or was undone. Nothing was changed.")
        shown = _view(session, walk)
        lost = {one.code for place in shown.places for one in place.missing}
        if not shown.seen and not lost:
            raise BadInput("nothing_counted", "Nothing was counted yet. Scan a place, and the spools that are there.")
        unknown = sorted(set(write_off) - lost)
        if unknown:
            raise BadInput("not_missing", f"{', '.join(unknown)} is not missing. Open the page again.")
        moved = _put_where_seen(session, act, walk, at=now)
        _lose(session, act, sorted(lost), set(write_off), at=now)
        change(session, act, walk, settled_at=now)
        return Settled(act.id, moved, len(lost), len(set(write_off)))

    request = {"walk_id": walk_id, "write_off": sorted(write_off)}
    return once(session, "count walk", by=by, now=now, request=request, answers=Settled, about="", do=do)


def drop(*, session: Session, walk_id: int) -> None:
    """Forget a walk: nothing was booked by it. Errors: Conflict where it is settled already."""
    walk = session.get(Walk, walk_id)
    if walk is None or not walk.live or walk.settled_at is not None:
        raise Conflict("settled_before", "That count is settled already, or was undone. Nothing was changed.")
    walk.live = False
    session.flush()


def _open(session: Session) -> Walk | None:
    query = select(Walk).where(col(Walk.live), col(Walk.settled_at).is_(None)).order_by(col(Walk.id).desc())
    return session.scalars(query).first()


def _walk_to(session: Session, place: Place, *, station_id: int, now: datetime) -> None:
    walk = _open(session)
    if walk is None:
        walk = Walk(began_at=now)
        session.add(walk)
        session.flush()
    known = (col(WalkedPlace.walk_id) == walk.id, col(WalkedPlace.place_id) == place.id)
    if session.scalars(select(WalkedPlace).where(*known)).first() is None:
        session.add(WalkedPlace(walk_id=walk.id, place_id=place.id, at=now))
    session.merge(Walker(station_id=station_id, walk_id=walk.id, place_id=place.id))
    session.flush()


def _see(session: Session, walk: Walk, spool: Spool, *, place_id: int, now: datetime) -> bool:
    """Note where a spool was seen; give whether it was seen there before."""
    known = (col(Sighting.walk_id) == walk.id, col(Sighting.spool_id) == spool.id)
    row = session.scalars(select(Sighting).where(*known)).first()
    is_again = row is not None and row.place_id == place_id
    if row is None:
        row = Sighting(walk_id=walk.id, spool_id=spool.id, place_id=place_id, at=now)
    row.place_id, row.at = place_id, now
    session.add(row)
    session.flush()
    return is_again


def _said(session: Session, walk: Walk, spool: Spool, place: Place) -> Counted:
    here = next(one for one in _view(session, walk).places if one.name == place.name)
    code = code_text(CodeKind.SPOOL, spool.serial)
    seen = next(one for one in (*here.right, *here.elsewhere) if one.code == code)
    count = len(here.right) + len(here.elsewhere)
    tally = f"{count} seen here" + (f", {len(here.missing)} not yet." if here.missing else ".")
    if not seen.says:
        return Counted(HEARD, f"{seen.item.name}, as the books say. {tally}")
    return Counted(ATTENTION, f"{seen.item.name}: by the books {seen.says}. {tally}")


def _view(session: Session, walk: Walk) -> WalkView:
    walked = _walked(session, walk)
    sightings = {one.spool_id: one.place_id for one in session.scalars(select(Sighting).where(_of(walk)))}
    spools = _spools(session, {place.id for place in walked}, set(sightings))
    feeds = _feeds(session, set(spools))
    names = {one.id: one.name for one in session.scalars(select(Place).where(col(Place.live)))}
    known = finding.items(session, {spool.article_id for spool, _ in spools.values()})

    def seen(spool: Spool, left_mg: int, at: int | None) -> Seen:
        says = _books(spool, left_mg, at, feed=feeds.get(spool.id, ""), names=names)
        code = code_text(CodeKind.SPOOL, spool.serial)
        return Seen(code, known[spool.article_id], left_mg, says, loaded=spool.id in feeds)

    places = []
    for place in walked:
        here = [seen(*spools[number], place.id) for number, at in sightings.items() if at == place.id]
        lost = [
            seen(spool, left_mg, None)
            for spool, left_mg in spools.values()
            if spool.id not in sightings and spool.place_id == place.id and _is_awaited(spool, left_mg, feeds)
        ]
        right, odd = [one for one in here if not one.says], [one for one in here if one.says]
        places.append(PlaceWalked(place.name, _sorted(right), _sorted(odd), _sorted(lost)))
    return WalkView(walk.id, walk.began_at, tuple(places))


def _sorted(some: list[Seen]) -> tuple[Seen, ...]:
    return tuple(sorted(some, key=lambda one: (one.item.name, one.code)))


def _books(spool: Spool, left_mg: int, at: int | None, *, feed: str, names: dict[int, str]) -> str:
    """Give what the books say of a spool that was seen at a place; nothing where they say the same."""
    if spool.retired_on is not None:
        return "it was given up: weigh it"
    if left_mg == 0:
        return "it is empty: weigh it"
    if feed:
        return f"it is on {feed}"
    if at is None or spool.place_id == at:
        return ""
    return f"it is at {names.get(spool.place_id or 0, 'no place')}"


def _is_awaited(spool: Spool, left_mg: int, feeds: dict[int, str]) -> bool:
    return spool.retired_on is None and left_mg > 0 and spool.id not in feeds


def _of(walk: Walk) -> ColumnElement[bool]:
    return col(Sighting.walk_id) == walk.id


def _walked(session: Session, walk: Walk) -> Sequence[Place]:
    query = select(Place).join(WalkedPlace, col(WalkedPlace.place_id) == col(Place.id))
    return session.scalars(query.where(col(WalkedPlace.walk_id) == walk.id).order_by(col(WalkedPlace.id))).all()


def _spools(session: Session, place_ids: set[int], spool_ids: set[int]) -> dict[int, tuple[Spool, int]]:
    """Give the spools that the books have at these places, and those with these numbers, with what is left."""
    query = (
        select(Spool, col(Balance.left_mg))
        .join(Balance, col(Balance.spool_id) == col(Spool.id))
        .where(col(Spool.live), col(Spool.place_id).in_(place_ids) | col(Spool.id).in_(spool_ids))
    )
    return {spool.id: (spool, left_mg) for spool, left_mg in session.execute(query)}


def _feeds(session: Session, spool_ids: set[int]) -> dict[int, str]:
    """Give the names of the feeds on which these spools are, by spool."""
    query = select(col(Loading.spool_id), col(Loading.feed_id)).where(
        col(Loading.live), col(Loading.until_at).is_(None), col(Loading.spool_id).in_(spool_ids)
    )
    rows = session.execute(query).all()
    names = finding.feed_names(session, {feed for _, feed in rows})
    return {spool: names[feed] for spool, feed in rows}


def _put_where_seen(session: Session, act: Act, walk: Walk, *, at: datetime) -> int:
    """Book every spool where it was seen, and give how many were elsewhere by the books."""
    moved = 0
    query = select(Spool, col(Sighting.place_id)).join(Sighting, col(Sighting.spool_id) == col(Spool.id))
    rows = session.execute(query.where(_of(walk), col(Spool.live))).all()
    on_feed = _feeds(session, {spool.id for spool, _ in rows})
    for spool, place_id in rows:
        if spool.place_id == place_id and spool.id not in on_feed and spool.retired_on is None:
            continue
        take_off(session, act, spool=spool, at=at)
        place = session.get_one(Place, place_id)
        airing.put_at(session, act, spool, place, at=at)
        home_id = spool.home_id if place.ready_hours is not None else spool.home_id or place_id
        change(session, act, spool, place_id=place_id, home_id=home_id, retired_on=None)
        moved += 1
    return moved


def _lose(session: Session, act: Act, codes: Sequence[str], write_off: set[str], *, at: datetime) -> None:
    """Say of missing spools that they are nowhere, and write off those that a person named."""
    today = load_shop(session).today(at)
    for code in codes:
        spool = finding.spool_of(session, code)
        change(session, act, spool, place_id=None)
        if code in write_off:
            change(session, act, spool, retired_on=today)
            book(session, act, [Event(kind=Kind.WRITE_OFF, occurred_at=at, spool_id=spool.id, leaves_mg=0)])
