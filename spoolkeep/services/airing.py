"""Where a spool of thirsty plastic is, as far as water goes: what moves spools says it here, within its own act.

It must not know pages.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import and_, bindparam, select
from sqlalchemy.orm import Session
from sqlmodel import col

from spoolkeep.domain.airing import SECONDS_AN_HOUR, Air, Around, dry_hours, goes, hours_by_days, ready_at
from spoolkeep.domain.airing import softens as too_hot_for
from spoolkeep.domain.codes import CodeKind
from spoolkeep.domain.words import PlaceKind
from spoolkeep.services import finding
from spoolkeep.services.finding import Item
from spoolkeep.services.shop import code_text, load_shop
from spoolkeep.store.journal import change
from spoolkeep.store.rows import Found, read
from spoolkeep.store.tables import Act, Article, Feed, Loading, Material, Place, Spool

_MATERIAL_OF = (
    select(col(Material.code), col(Material.dry_celsius), col(Material.dry_hours), col(Material.out_hours))
    .join(Article, col(Article.material_id) == col(Material.id))
    .where(col(Article.id) == bindparam("article"))
)


@dataclass(frozen=True)
class Drying:
    """A spool in a dryer."""

    code: str
    item: Item
    place: str
    ready_at: datetime


def air_of(spool: Any) -> Air:  # noqa: ANN401 - a row of a spool, or one that has its fields
    """Give how a spool lies."""
    return Air(spool.air_from, spool.air_s, spool.dryer_from)


def put_at(session: Session, act: Act, spool: Spool, place: Place | None, *, at: datetime) -> str:
    """Say that a spool is at a place now, or nowhere known; give what is to be said of it, where it is in a dryer."""
    if place is not None and place.ready_hours is not None:
        return _into_dryer(session, act, spool, place, at=at)
    _goes(
        session, act, spool, Around.DRY if place is not None and place.kind == PlaceKind.DRY_BOX else Around.AIR, at=at
    )
    return ""


def put_on(session: Session, act: Act, spool: Spool, feed: Feed, *, at: datetime) -> None:
    """Say that an opened spool is on a feed now; out of a dryer it does not go back there by itself."""
    was_in_dryer = spool.dryer_from is not None
    _goes(session, act, spool, Around.DRY if feed.keeps_dry else Around.AIR, at=at)
    if was_in_dryer:
        change(session, act, spool, place_id=spool.home_id)


def was_dried(session: Session, act: Act, spool: Spool, *, at: datetime) -> None:
    """Say that a spool was dry at a moment, wherever it lies."""
    if spool.opened_on is not None and _material(session, spool).out_hours is not None:
        change(session, act, spool, air_s=0, air_from=at if _lies(session, spool) is Around.AIR else None)


def in_dryers(session: Session) -> list[Drying]:
    """Give what lies in dryers, what is dry first at the top."""
    columns = (Spool.serial, Spool.article_id, Spool.air_from, Spool.air_s, Spool.dryer_from)
    query = (
        select(*(col(column) for column in columns), col(Place.name), col(Place.ready_hours), col(Material.dry_hours))
        .join(Place, col(Place.id) == col(Spool.place_id))
        .join(Article, col(Article.id) == col(Spool.article_id))
        .join(Material, col(Material.id) == col(Article.material_id))
        .where(col(Spool.live), col(Spool.dryer_from).is_not(None), col(Spool.retired_on).is_(None))
        .where(col(Place.ready_hours).is_not(None))
        .order_by(col(Spool.dryer_from), col(Spool.id))
    )
    rows = session.execute(query).all()
    items = finding.items(session, {row.article_id for row in rows}) if rows else {}
    found = [_drying(row, items) for row in rows]
    return sorted(found, key=lambda one: (one.ready_at, one.code))


def told(*, session: Session, now: datetime, spool_code: str) -> str:
    """Say how a spool lies as far as water goes; nothing where that does not matter, or it is sealed or given up."""
    spool = finding.spool_of(session, spool_code)
    material, place = _material(session, spool), session.get(Place, spool.place_id) if spool.place_id else None
    if spool.opened_on is None or spool.retired_on is not None:
        return ""
    hours = dry_hours(of_material=material.dry_hours, of_dryer=place.ready_hours if place else None)
    ready = ready_at(air_of(spool), dry_hours=hours)
    if ready is not None and place is not None:
        return f"in {place.name}, dry {'since' if ready <= now else 'from'} {load_shop(session).formats.moment(ready)}"
    if material.out_hours is None or (spool.air_s is None and _lives_dry(session, spool)):
        return ""
    hours_out = round(_so_far(session, spool, now) / SECONDS_AN_HOUR)
    about = "" if spool.air_s is not None else "about "
    words = f"out of the dry store for {about}{hours_out} h, and takes {material.out_hours} h"
    return f"{words}: dry it first" if hours_out > material.out_hours else words


def _drying(row: Any, items: Mapping[int, Item]) -> Drying:  # noqa: ANN401 - a row of several columns
    hours = dry_hours(of_material=row.dry_hours, of_dryer=row.ready_hours)
    ready = ready_at(air_of(row), dry_hours=hours)
    assert ready is not None  # noqa: S101 - asked of dryers only
    return Drying(code_text(CodeKind.SPOOL, row.serial), items[row.article_id], row.name, ready)


def _into_dryer(session: Session, act: Act, spool: Spool, place: Place, *, at: datetime) -> str:
    """Put a spool into a dryer, for which its bag is opened; say when it is dry, and what else lies in there."""
    shop = load_shop(session)
    if spool.opened_on is None:
        change(session, act, spool, opened_on=shop.today(at))
    material = _material(session, spool)
    _goes(session, act, spool, Around.DRYER, at=at)
    hours = dry_hours(of_material=material.dry_hours, of_dryer=place.ready_hours)
    ready = ready_at(air_of(spool), dry_hours=hours)
    said = [f"It is dry from {shop.formats.moment(ready)}."] if ready else []
    if material.dry_celsius:
        said.append(f"Set about {material.dry_celsius} °C, or what its maker's sheet says.")
    warm = _of_others(session, spool, place)
    said += [f"{name} is in there too, and may soften at that." for name in too_hot_for(material.dry_celsius, warm)]
    return " ".join(said)


def _of_others(session: Session, spool: Spool, place: Place) -> dict[str, int]:
    """Give at how many degrees what else is in a dryer is dried, by its item."""
    others = select(Spool).where(col(Spool.place_id) == place.id, col(Spool.live), col(Spool.dryer_from).is_not(None))
    others = others.where(col(Spool.id) != spool.id, col(Spool.retired_on).is_(None))
    rows = session.scalars(others.order_by(col(Spool.id))).all()
    found = {finding.item_name(session, one.article_id): _material(session, one).dry_celsius for one in rows}
    return {name: degrees for name, degrees in found.items() if degrees}


def _goes(session: Session, act: Act, spool: Spool, into: Around, *, at: datetime) -> None:
    """Follow an opened spool of thirsty plastic, and any that is in a dryer."""
    material = _material(session, spool)
    if spool.opened_on is None:
        return
    if material.out_hours is None and spool.dryer_from is None and into is not Around.DRYER:
        change(session, act, spool, air_from=None, air_s=None)
        return
    place = session.get(Place, spool.place_id) if spool.dryer_from and spool.place_id else None
    hours = dry_hours(of_material=material.dry_hours, of_dryer=place.ready_hours if place else None)
    dryer_at = None if spool.retired_on else spool.dryer_from
    was = Air(spool.air_from, _so_far(session, spool, at) if spool.air_s is None else spool.air_s, dryer_at)
    lies, came_dry = goes(was, into, at, dry_hours=hours)
    change(session, act, spool, air_from=lies.from_at, air_s=lies.seconds, dryer_from=lies.dryer_at)
    if came_dry:
        change(session, act, spool, dried_on=load_shop(session).today(at))


def _so_far(session: Session, spool: Spool, at: datetime) -> int:
    """Give how many seconds a spool has been out until a moment: to the day where nobody followed it."""
    if spool.air_s is not None:
        return air_of(spool).out_s(at)
    if _lives_dry(session, spool):
        return 0
    today = load_shop(session).today(at)
    hours = hours_by_days(opened_on=spool.opened_on, dried_on=spool.dried_on, today=today)
    return round((hours or 0) * SECONDS_AN_HOUR)


def _lives_dry(session: Session, spool: Spool) -> bool:
    home = session.get(Place, spool.home_id) if spool.home_id else None
    return home is not None and home.kind == PlaceKind.DRY_BOX


def _lies(session: Session, spool: Spool) -> Around:
    """Give what is around a spool now: on its feed, else at its place."""
    on = select(Feed).join(Loading, col(Loading.feed_id) == col(Feed.id))
    feed = session.scalars(on.where(col(Loading.spool_id) == spool.id, _OPEN)).first()
    if feed is not None:
        return Around.DRY if feed.keeps_dry else Around.AIR
    place = session.get(Place, spool.place_id) if spool.place_id else None
    if place is None:
        return Around.AIR
    if place.ready_hours is not None:
        return Around.DRYER
    return Around.DRY if place.kind == PlaceKind.DRY_BOX else Around.AIR


_OPEN = and_(col(Loading.live), col(Loading.until_at).is_(None))


def holder_changed(session: Session, act: Act, feed: Feed, *, at: datetime) -> None:
    """Say that a feed became a dry box, or is one no more: what is on it is in the air from then on, or not."""
    on = select(Spool).join(Loading, col(Loading.spool_id) == col(Spool.id))
    for spool in session.scalars(on.where(col(Loading.feed_id) == feed.id, _OPEN)).all():
        put_on(session, act, spool, feed, at=at)


def _material(session: Session, spool: Spool) -> Found:
    return read(session, _MATERIAL_OF, {"article": spool.article_id}).one()
