"""Reels: a refill is a new spool with a new code, and takes over the empty weight of the reel that it is wound on.

The spool's page and the Bench call it.
"""

from dataclasses import dataclass
from datetime import datetime

from sqlalchemy.orm import Session

from spoolkeep.domain.codes import CodeKind
from spoolkeep.domain.errors import BadInput, Conflict
from spoolkeep.services import finding
from spoolkeep.services.shop import code_text
from spoolkeep.store.acts import By, once
from spoolkeep.store.journal import change
from spoolkeep.store.tables import Act, Balance, Spool


@dataclass(frozen=True)
class ReelAnswer:
    """The empty weight that a refill took over."""

    act_id: int
    spool_code: str
    tare_mg: int


def take_over_reel(*, session: Session, now: datetime, by: By, spool_code: str, reel_of: str) -> ReelAnswer:
    """Say that a spool is wound on the reel of another, which is empty, and so has its empty weight.

    Errors: NotFound; BadInput where both are one, or the reel's weight is not known; Conflict where plastic is left.
    """

    def do(act: Act) -> ReelAnswer:
        spool, emptied = finding.spool_of(session, spool_code), finding.spool_of(session, reel_of)
        return wind_on(session, act, spool, emptied)

    request = {"spool_code": spool_code, "reel_of": reel_of}
    return once(session, "take over reel", by=by, now=now, request=request, answers=ReelAnswer, about=spool_code, do=do)


def wind_on(session: Session, act: Act, spool: Spool, emptied: Spool) -> ReelAnswer:
    """Give a spool the reel of an emptied one within an act. Errors: as `take_over_reel`."""
    if spool.id == emptied.id:
        raise BadInput("same_reel", "A spool cannot take over its own reel. Scan the emptied one.")
    if emptied.tare_mg is None:
        raise BadInput("no_tare", "The empty weight of that reel is not known. Weigh it empty and enter its tare.")
    if session.get_one(Balance, emptied.id).left_mg:
        raise Conflict("not_empty", "By the books plastic is left on that reel. Say first that it ran out.")
    change(session, act, spool, tare_mg=emptied.tare_mg, reel_id=emptied.reel_id)
    return ReelAnswer(act.id, code_text(CodeKind.SPOOL, spool.serial), emptied.tare_mg)


def belong_together(session: Session, one: Spool, other: Spool) -> tuple[Spool, Spool] | None:
    """Give a sealed refill and the emptied reel for it, where two spools are that; None where they are not.

    The refill has no reel and no empty weight yet, and the other ran out with its empty weight known.
    """
    for fresh, emptied in ((one, other), (other, one)):
        is_refill = fresh.tare_mg is None and fresh.reel_id is None and fresh.opened_on is None
        is_empty = emptied.tare_mg is not None and emptied.opened_on is not None
        on_fresh, on_emptied = (session.get_one(Balance, spool.id).left_mg for spool in (fresh, emptied))
        if is_refill and is_empty and on_fresh and not on_emptied:
            return fresh, emptied
    return None
