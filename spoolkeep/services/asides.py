"""Setting aside: a spool, or every spool of a lot, that may not be loaded until a person decides; and letting it go.

The pages of a delivery and of a spool call it, and the Bench's card.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import ColumnElement, and_, bindparam, or_, select
from sqlalchemy.orm import Session
from sqlmodel import col

from spoolkeep.domain.errors import BadInput, Conflict
from spoolkeep.services import finding
from spoolkeep.store.acts import By, once
from spoolkeep.store.journal import change, create
from spoolkeep.store.rows import read
from spoolkeep.store.tables import Act, Balance, SetAside, Spool

MOST_WHY = 80


@dataclass(frozen=True)
class AsideAnswer:
    """What was set aside or let go."""

    act_id: int
    words: str


def set_aside(*, session: Session, now: datetime, by: By, spool_codes: Sequence[str], why: str = "") -> AsideAnswer:
    """Set spools aside. Errors: BadInput where none is named; NotFound; Conflict where all are aside already."""

    def do(act: Act) -> AsideAnswer:
        spools = _named(session, spool_codes)
        fresh = [spool for spool in spools if why_aside(session, spool) is None]
        if not fresh:
            raise Conflict("aside_before", "That is set aside already. Nothing was changed.")
        for spool in fresh:
            put_aside(session, act, spool, why=why, at=now)
        return AsideAnswer(act.id, f"Set aside: {_in_words(session, fresh)}. It may not be loaded until it is let go.")

    request = {"spool_codes": list(spool_codes), "why": why}
    about = " ".join(spool_codes[:3])
    return once(session, "set aside", by=by, now=now, request=request, answers=AsideAnswer, about=about, do=do)


def put_aside(session: Session, act: Act, spool: Spool, *, why: str, at: datetime) -> None:
    """Set a spool aside within an act. Errors: BadInput."""
    create(session, act, SetAside(spool_id=spool.id, why=_why(why), from_at=at))


def put_lot_aside(session: Session, act: Act, spool: Spool, *, why: str, at: datetime) -> str:
    """Set all of a spool's lot aside within an act, and say so. Errors: BadInput where it has none; Conflict."""
    if not spool.lot:
        raise BadInput("no_lot", "That spool has no lot. Set the spools themselves aside.")
    of_lot = col(SetAside.article_id) == spool.article_id, col(SetAside.lot) == spool.lot
    if session.scalars(select(SetAside).where(*of_lot, *_standing())).first() is not None:
        raise Conflict("aside_before", "That lot is set aside already. Nothing was changed.")
    create(session, act, SetAside(article_id=spool.article_id, lot=spool.lot, why=_why(why), from_at=at))
    return f"Set aside: {finding.item_name(session, spool.article_id)}, all of lot {spool.lot}."


def odd_about(session: Session, spool: Spool) -> str:
    """Give what a person should know about a spool that was just loaded; it is on the machine in fact."""
    if why_aside(session, spool) is not None:
        return "STOP: it is set aside and must not be used until a person decides."
    balance = session.get(Balance, spool.id)
    if balance is None or balance.left_mg == 0:
        return "By the books it is empty: weigh it."
    if balance.doubtful:
        return "More was drawn from it than was there: weigh it."
    return ""


def set_lot_aside(*, session: Session, now: datetime, by: By, spool_code: str, why: str = "") -> AsideAnswer:
    """Set every spool of this one's item and lot aside, those to come too. Errors: BadInput where it has no lot."""

    def do(act: Act) -> AsideAnswer:
        return AsideAnswer(act.id, put_lot_aside(session, act, finding.spool_of(session, spool_code), why=why, at=now))

    request = {"spool_code": spool_code, "why": why}
    return once(session, "set lot aside", by=by, now=now, request=request, answers=AsideAnswer, about=spool_code, do=do)


def let_go(*, session: Session, now: datetime, by: By, spool_codes: Sequence[str]) -> AsideAnswer:
    """Let spools be used again; a lot that was set aside goes with them. Errors: BadInput, NotFound, Conflict."""

    def do(act: Act) -> AsideAnswer:
        spools = _named(session, spool_codes)
        rows = {row.id: row for spool in spools for row in _rows(session, spool)}
        if not rows:
            raise Conflict("not_aside", "That is not set aside. Nothing was changed.")
        for row in rows.values():
            change(session, act, row, until_at=max(now, row.from_at))
        return AsideAnswer(act.id, f"Let go: {_in_words(session, spools)}. It may be used again.")

    request = {"spool_codes": list(spool_codes)}
    about = " ".join(spool_codes[:3])
    return once(session, "let go", by=by, now=now, request=request, answers=AsideAnswer, about=about, do=do)


def why_aside(session: Session, spool: Spool) -> str | None:
    """Give why a spool is set aside, by itself or with its lot; None where it is not."""
    rows = _rows(session, spool)
    return rows[0].why if rows else None


@dataclass(frozen=True)
class Aside:
    """What is set aside: spools by number, and lots by item and lot."""

    spools: frozenset[int]
    lots: frozenset[tuple[int, str]]

    def holds(self, spool_id: int, article_id: int, lot: str) -> bool:
        """Give whether a spool is set aside, by itself or with its lot."""
        return spool_id in self.spools or (article_id, lot) in self.lots


def standing(session: Session) -> Aside:
    """Give all that is set aside now."""
    rows = read(session, _STANDING).all()
    return Aside(
        frozenset(row.spool_id for row in rows if row.spool_id),
        frozenset((row.article_id, row.lot) for row in rows if row.lot and row.article_id),
    )


_STANDING = select(col(SetAside.spool_id), col(SetAside.article_id), col(SetAside.lot)).where(
    col(SetAside.live), col(SetAside.until_at).is_(None)
)


def all_aside(session: Session, spools: Sequence[Spool]) -> dict[int, str]:
    """Give why these spools are set aside, by number; those that are not are left out."""
    rows = session.scalars(select(SetAside).where(*_standing())).all() if spools else []
    by_spool = {row.spool_id: row.why for row in rows if row.spool_id}
    by_lot = {(row.article_id, row.lot): row.why for row in rows if row.lot}
    whys = {spool.id: by_spool.get(spool.id, by_lot.get((spool.article_id, spool.lot))) for spool in spools}
    return {number: why for number, why in whys.items() if why is not None}


def _rows(session: Session, spool: Spool) -> Sequence[SetAside]:
    told = {"spool": spool.id, "article": spool.article_id, "of_lot": spool.lot}
    return session.scalars(_OF_SPOOL, told).all()


_LOT = and_(col(SetAside.article_id) == bindparam("article"), col(SetAside.lot) == bindparam("of_lot"))
_OF_SPOOL = (
    select(SetAside)
    .where(or_(col(SetAside.spool_id) == bindparam("spool"), _LOT))
    .where(col(SetAside.live), col(SetAside.until_at).is_(None))
    .order_by(col(SetAside.id))
)


def _standing() -> tuple[ColumnElement[bool], ...]:
    return col(SetAside.live).is_(True), col(SetAside.until_at).is_(None)


def _named(session: Session, codes: Sequence[str]) -> list[Spool]:
    if not codes:
        raise BadInput("no_spools", "Choose at least one spool.")
    return list({one.id: one for one in (finding.spool_of(session, code) for code in codes)}.values())


def _why(text: str) -> str:
    plain = " ".join(text.split())
    if len(plain) > MOST_WHY:
        raise BadInput("too_long", f"Say why in at most {MOST_WHY} characters.")
    return plain


def _in_words(session: Session, spools: Sequence[Spool]) -> str:
    names = dict.fromkeys(finding.item_name(session, spool.article_id) for spool in spools)
    count = "" if len(spools) == 1 else f"{len(spools)} spools, "
    return count + ", ".join(names)
