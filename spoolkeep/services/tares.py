"""What empty reels weigh, by supplier and size: learned from reels that were emptied.

A spool's page and the scale's readings ask it. It only reads.
Two things tell what a reel weighs: somebody weighed it empty, or its spool was weighed once and then ran out, when the
reading less what was drawn since is the reel.
"""

import math
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import median
from typing import Any

from sqlalchemy import ColumnElement, String, and_, cast, func, select
from sqlalchemy.orm import Session, aliased
from sqlmodel import col

from spoolkeep.domain.units import MG_PER_G
from spoolkeep.domain.words import Kind
from spoolkeep.store.tables import Act, Balance, Change, Movement, Spool

_SIZE_MG = 50_000
"""Spools that came with grams nearer than this are of one size."""
_NEAR_MG = 150_000
"""So much at most was drawn between a reading and its zero: what files do not tell of it is a few grams."""
_REEL_SD_MG, _WORTH = 6_000.0, 3
"""How far one maker's reels differ, and for how many reels that counts. Source: common practice, no source."""
_LEAST_MG, _MOST_MG = 10_000, 3_000_000
_LATEST = 2_000

Group = tuple[int | None, int]
"""A supplier, or None for all of them, and a size."""


@dataclass(frozen=True)
class LearnedTare:
    """What a reel of its kind weighs empty, how far one may lie from that, and from how many reels that is known."""

    mg: int
    sd_mg: int
    reels: int
    same_supplier: bool

    def in_words(self) -> str:
        """Say it in a sentence's words."""
        whose = "this supplier's" if self.same_supplier else "other suppliers'"
        reels = "reel" if self.reels == 1 else "reels"
        return f"{self.mg / MG_PER_G:g} g, by {self.reels} of {whose} emptied {reels} of this size,"


def of_spool(session: Session, spool: Spool) -> LearnedTare | None:
    """Give what a spool's reel probably weighs: by its supplier's of its size, else by anybody's; None by none."""
    size = _size(session.get_one(Balance, spool.id).received_mg)
    known = learned(session)
    own = known.get((spool.supplier_id, size)) if spool.supplier_id else None
    return own or known.get((None, size))


def learned(session: Session) -> dict[Group, LearnedTare]:
    """Give what reels weigh empty, by supplier and size, and by size alone."""
    found: dict[Group, list[int]] = defaultdict(list)
    for supplier_id, received_mg, tare_mg in _told(session):
        if _LEAST_MG <= tare_mg <= _MOST_MG:
            found[None, _size(received_mg)].append(tare_mg)
            if supplier_id is not None:
                found[supplier_id, _size(received_mg)].append(tare_mg)
    return {group: _of(tares, same_supplier=group[0] is not None) for group, tares in found.items()}


def _of(tares: Sequence[int], *, same_supplier: bool) -> LearnedTare:
    """Give the middle of some, and how far the next may lie from it: few lean on what is usual."""
    middle = median(tares)
    spread = sum((one - middle) ** 2 for one in tares) + _WORTH * _REEL_SD_MG**2
    sd_mg = math.sqrt(spread / (len(tares) + _WORTH) * (1 + 1 / len(tares)))
    return LearnedTare(round(middle), round(sd_mg), len(tares), same_supplier)


def _size(received_mg: int) -> int:
    return round(received_mg / _SIZE_MG) * _SIZE_MG


def _told(session: Session) -> list[tuple[int | None, int, int]]:
    """Give supplier, received milligrams and tare of each reel that tells: weighed empty, else by a late reading."""
    told = {spool_id: tuple(row) for spool_id, *row in session.execute(_weighed_empty())}
    for spool_id, supplier_id, received_mg, tare_mg in session.execute(_by_zeros()):
        told.setdefault(spool_id, (supplier_id, received_mg, int(tare_mg)))
    return list(told.values())


def _weighed_empty() -> Any:  # noqa: ANN401 - a select of columns that may be empty
    """Ask for the reels whose empty weight somebody entered, latest first."""
    return (
        select(col(Spool.id), col(Spool.supplier_id), col(Balance.received_mg), col(Spool.tare_mg))
        .join(Balance, col(Balance.spool_id) == col(Spool.id))
        .join(Change, (col(Change.on_table) == "spool") & (col(Change.row_id) == col(Spool.id)))
        .join(Act, col(Act.id) == col(Change.act_id))
        .where(col(Change.field) == "tare_mg", col(Act.kind) == "tare", col(Spool.live))
        .where(col(Change.after) == cast(col(Spool.tare_mg), String))
        .order_by(col(Change.id).desc())
        .limit(_LATEST)
    )


def _by_zeros() -> Any:  # noqa: ANN401 - as above
    """Ask for the reels whose spool ran out not long after a reading: the reading less what was drawn since."""
    zero, reading, draw = aliased(Movement), aliased(Movement), aliased(Movement)
    drawn = (
        select(func.coalesce(-func.sum(col(draw.asked_mg)), 0))
        .where(col(draw.spool_id) == col(zero.spool_id), col(draw.kind) == Kind.DRAW, _stands(draw))
        .where(col(draw.sort_key) > col(reading.sort_key), col(draw.sort_key) < col(zero.sort_key))
        .correlate(zero, reading)
        .scalar_subquery()
    )
    return (
        select(col(Spool.id), col(Spool.supplier_id), col(Balance.received_mg), col(reading.gross_mg) - drawn)
        .join(zero, col(zero.spool_id) == col(Spool.id))
        .join(reading, col(reading.spool_id) == col(Spool.id))
        .join(Balance, col(Balance.spool_id) == col(Spool.id))
        .where(col(zero.kind) == Kind.COUNT, col(zero.leaves_mg) == 0, _stands(zero))
        .where(col(reading.kind) == Kind.WEIGHING, col(reading.gross_mg).is_not(None), _stands(reading))
        .where(col(reading.sort_key) < col(zero.sort_key), col(reading.leaves_mg) <= 2 * _NEAR_MG, drawn <= _NEAR_MG)
        .order_by(col(zero.id).desc(), col(reading.id).desc())
        .limit(_LATEST)
    )


def _stands(one: type[Movement]) -> ColumnElement[bool]:
    back = aliased(Movement)
    taken_back = select(col(back.id)).where(col(back.reverses_id) == col(one.id)).exists()
    return and_(col(one.sign) == 1, ~taken_back)
