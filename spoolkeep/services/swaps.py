"""Putting a spool on a feed by two scans: what came off goes home, and the spool is held beside what the job wants.

The Bench calls it, within the scan's own act.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy.orm import Session

from spoolkeep.domain.rightspool import Weight
from spoolkeep.services import airing, checking, finding, floor, picking, standby
from spoolkeep.services.asides import odd_about, why_aside
from spoolkeep.services.checking import Checked
from spoolkeep.services.loadings import around_of, load, loading_of, take_off
from spoolkeep.services.picking import Advice
from spoolkeep.services.shop import load_shop
from spoolkeep.store.journal import change
from spoolkeep.store.tables import Act, Balance, Feed, Place, Spool

_TWICE = "scanned twice"


@dataclass(frozen=True)
class Put:
    """What became of a spool that was scanned with a feed."""

    did: str
    """`loaded`, `moved`, `there already`, `stands by`, or `kept on` where it was there and a person means it."""
    words: str
    weight: Weight | None = None
    """How much what is not right about it weighs."""
    lead: tuple[str, ...] = ()
    """Of a spool that must not be used: what is wrong, and what would be right from where. The words begin with it."""


def put_on(session: Session, act: Act, spool: Spool, feed: Feed, *, at: datetime, names: tuple[str, str]) -> Put:
    """Put a spool on a feed, let it stand by where the holder goes over by itself, or hear that it is meant.

    `names` are the item's and the feed's. Errors: Conflict where it cannot stand by.
    """
    name, where = names
    around = around_of(session, spool, feed)
    there, waits = (
        next((one for one in around if one.feed_id == feed.id and one.standby is standby), None)
        for standby in (False, True)
    )
    if there is not None and there.spool_id == spool.id:
        return _meant(session, act, spool, feed, at=at, names=names)
    if waits is not None and waits.spool_id == spool.id and (feed.switches or there is not None):
        return Put("there already", f"{name} stands by on {where} already.", _of_waiting(session, spool))
    if there is not None and waits is None and _can_wait(session, spool, feed, in_use_id=there.spool_id):
        return _wait(session, act, spool, feed, at=at)
    put = load(session, act, spool=spool, feed=feed, around=around, at=at, today=load_shop(session).today(at))
    session.flush()
    checked = checking.of_feed(session, at, feed.id, feed.machine_id)
    done = [f"{name} is on {where}.", *_home(session, put.came_off)]
    if put.was_on is not None:
        done.append(f"It came off {finding.feed_name(session, finding.feed(session, put.was_on))}.")
    return _said("loaded", checked, done, _instead(session, checked, spool, feed, at=at))


def put_away(session: Session, act: Act, spool: Spool, place: Place, *, at: datetime, name: str) -> Put:
    """Put a spool at a place, and say so where a job still runs on what it came off. Errors: Conflict if told late."""
    before = loading_of(session, spool.id)
    takes_over = take_off(session, act, spool=spool, at=at, late=False)
    said = airing.put_at(session, act, spool, place, at=at)
    is_dryer = place.ready_hours is not None
    change(session, act, spool, place_id=place.id, home_id=spool.home_id if is_dryer else spool.home_id or place.id)
    there = f"{name} is in {place.name}." if is_dryer else f"{name} is at {place.name}."
    words = " ".join(filter(None, (there, said)))
    if before is None or before.standby or takes_over is not None:
        return Put("moved", words)
    feed = finding.feed(session, before.feed_id)
    running = next((job for one in floor.machines(session, [feed.machine_id]) for job in one.jobs if job.runs), None)
    if running is None:
        return Put("moved", words)
    where = finding.feed_name(session, feed)
    return Put("moved", f"{words} “{running.title}” still runs on {where} by the books, without it.", Weight.TELL)


def _wait(session: Session, act: Act, spool: Spool, feed: Feed, *, at: datetime) -> Put:
    answer = standby.stand_by_within(session, act, spool, feed, at=at)
    return Put("stands by", answer.words, _of_waiting(session, spool))


def _of_waiting(session: Session, spool: Spool) -> Weight | None:
    """Give how much what is odd about a spool that stands by weighs."""
    if why_aside(session, spool) is not None:
        return Weight.STOP
    return Weight.ASK if odd_about(session, spool) else None


def _can_wait(session: Session, spool: Spool, feed: Feed, *, in_use_id: int) -> bool:
    """Give whether a second spool of an item waits on a holder that goes over by itself, while the first has some."""
    if not feed.switches:
        return False
    same = session.get_one(Spool, in_use_id).article_id == spool.article_id
    return same and session.get_one(Balance, in_use_id).left_mg > 0


def _meant(session: Session, act: Act, spool: Spool, feed: Feed, *, at: datetime, names: tuple[str, str]) -> Put:
    """Hear a spool once more on the feed where it is: what only asks is answered by that, what stops is not."""
    checked, (name, where) = checking.of_feed(session, at, feed.id, feed.machine_id), names
    if checked.weight is Weight.ASK:
        checking.keep_on_within(session, act, checked, why=_TWICE, at=at)
        return Put("kept on", f"{name} stays on {where}: it is meant. {_told(checked, Weight.TELL)}".strip())
    done = [f"{name} is on {where} already."]
    return _said("there already", checked, done, _instead(session, checked, spool, feed, at=at))


def _told(checked: Checked, weight: Weight) -> str:
    return " ".join(one.words for one in checked.open if one.weight is weight)


def _home(session: Session, came_off: Sequence[Spool]) -> list[str]:
    """Say where what came off goes by itself."""
    said = []
    for spool in came_off:
        name = finding.item_name(session, spool.article_id)
        place = session.get(Place, spool.place_id) if spool.place_id else None
        goes = f"goes back to {place.name}" if place else "has no place yet: scan it, and the place it goes to"
        said.append(f"{name} that was there {goes}.")
    return said


def _said(did: str, checked: Checked, done: Sequence[str], take: Advice | None) -> Put:
    """Say what was done and what is not right; where that stops, what is wrong and what would be right come first."""
    if checked.weight is Weight.STOP:
        lead = [_told(checked, Weight.STOP), *([take.short_words] if take else [])]
        besides = [_told(checked, Weight.ASK), _told(checked, Weight.TELL), *done]
        return Put(did, _joined([*lead, *besides]), checked.weight, tuple(lead))
    asks = "Scan both once more if it is meant." if checked.weight is Weight.ASK else ""
    return Put(did, _joined([*done, checked.words, take.words if take else "", asks]), checked.weight)


def _joined(sentences: Sequence[str]) -> str:
    return " ".join(filter(None, sentences))


def _instead(session: Session, checked: Checked, spool: Spool, feed: Feed, *, at: datetime) -> Advice | None:
    """Give what would be right, where something else is called for."""
    if checked.article_id is None or not checked.needs_mg or not _calls_for_another(checked):
        return None
    return picking.to_take(
        session=session,
        now=at,
        article_id=checked.article_id,
        needs_mg=checked.needs_mg,
        limits=floor.machines(session, [feed.machine_id])[0].limits,
        but=[spool.id],
        anew=False,
    )


def _calls_for_another(checked: Checked) -> bool:
    return any(one.weight is not Weight.TELL or one.code == "short" for one in checked.open)
