"""The Bench: what a scan means, and what is loaded where.

The web's Bench page and its JSON door call it.
"""

from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import cache

from sqlalchemy import select
from sqlalchemy.orm import Session
from sqlmodel import col

from spoolkeep.domain import scales
from spoolkeep.domain.cards import Card, card_of
from spoolkeep.domain.codes import Code, CodeKind, RetailCode, kind_in_words, read_code
from spoolkeep.domain.errors import BadInput, NotFound
from spoolkeep.domain.rightspool import Weight
from spoolkeep.domain.units import MG_PER_G
from spoolkeep.services import cards, finding, orderbook, reels, stations, swaps, undoing
from spoolkeep.services.asides import odd_about
from spoolkeep.services.shop import code_text
from spoolkeep.store.acts import By, once
from spoolkeep.store.tables import Act, Feed, Job, Offer, Place, Spool

WAITS_AT_MOST = timedelta(days=7)
"""So long a scan may have waited on its device: what is older is booked as of then."""
HEARD, ATTENTION, STOP = "heard", "attention", "stop"
WOUND_ON = "wound on"


@dataclass(frozen=True)
class ScanAnswer:
    """What a scan did, in a word for the eye and a sentence for the mind."""

    kind: str
    """`heard`, `attention` where it was booked and something is odd, or `stop` where it must not be used as it is."""
    words: str
    act_id: int
    did: str
    """`waits`, `loaded`, `there already`, `stands by`, `kept on`, `wound on`, `moved`, `looked up`, or `let go`.

    By a card also `undone`, `ran out`, `ended`, `started`, `set aside` or `weighed`.
    """
    spool_code: str | None = None
    waiting: bool = False
    feed_id: int | None = None
    """Of a spool that was put on a feed."""
    waits_for: str = ""
    """What waits now for its other half, where something does."""
    order_id: int | None = None
    """Of an order that is to be booked in."""
    lead: tuple[str, ...] = ()
    """Of a stop: the sentences that are read first, what is wrong and what would be right; `words` begins with them."""
    then: tuple[str, ...] = ()
    """Where something waits, what may be scanned next: `spool`, `feed`, `place`, `job` or `card`."""


def scan(*, session: Session, now: datetime, by: By, text: str, at: datetime | None = None) -> ScanAnswer:
    """Give what a scan did. Two halves in either order make an act: a spool and a feed or a place, a card and its like.

    `at` is when it was scanned, where it had to wait on its device.
    Errors: BadInput for what is no code, or a foreign one; NotFound for a code that nothing carries.
    """
    station_id = by.station_id
    if station_id is None:
        raise BadInput("no_station", "This device is not known as a station yet. Open the Bench once, then scan.")

    moment = max(min(at or now, now), now - WAITS_AT_MOST)
    if scales.reading_mg(text) is not None:
        return _scale(session, now, by, text=text, at=moment)
    if _is_undo(text) and not _lets_go(session, by, station_id=station_id, now=moment):
        return _undo(session, now, by)

    @cache
    def heard() -> _Heard | _Kept:
        code = read_code(text)
        if isinstance(code, RetailCode) or code.kind is CodeKind.ORDER:
            return _Kept(code)
        return _listen(session, code, station_id=station_id, now=moment)

    def do(act: Act) -> ScanAnswer:
        told = heard()
        if isinstance(told, _Kept):
            return _look_up(session, act, told.code, now=now)
        return _hear(session, act, told, station_id=station_id, now=moment)

    return once(
        session,
        "scan",
        by=by,
        now=now,
        request={"text": text},
        answers=ScanAnswer,
        about=lambda: heard().about,
        do=do,
    )


def after_refusal(*, session: Session, now: datetime, by: By) -> None:
    """Let a card wait no longer once a scan was refused: it must not meet the next thing that somebody scans."""
    waits = stations.waiting_scan(session, by.station_id, now) if by.station_id is not None else None
    if waits and by.station_id is not None and waits[0].startswith(CodeKind.CARD):
        stations.forget_half_scan(session, by.station_id)


def waiting(*, session: Session, station_id: int | None, now: datetime) -> str:
    """Give what the first half of a scan named, while a station waits for the second; else nothing."""
    first = _first_half(session, station_id, now) if station_id is not None else None
    return " ".join(filter(None, (first.named.words, first.digits))) if first else ""


@dataclass(frozen=True)
class _Named:
    """A code of ours, and the spool, feed, place or job that carries it; a card carries nothing."""

    code: Code
    words: str
    row: Spool | Feed | Place | Job | None = None
    card: Card | None = None


@dataclass(frozen=True)
class _Half:
    """What waits at a station for its other half, and the digits that were scanned after it."""

    named: _Named
    digits: str


@dataclass(frozen=True)
class _Heard:
    """What was scanned, the half that waited, and the pair that they make: a spool or a card first."""

    named: _Named
    about: str
    half: _Half | None
    pair: tuple[_Named, _Named] | None


@dataclass(frozen=True)
class _Kept:
    """A code that is only looked up: a maker's, or an order's."""

    code: RetailCode | Code

    @property
    def about(self) -> str:
        return self.code.digits if isinstance(self.code, RetailCode) else f"order {self.code.grouped}"


def _is_undo(text: str) -> bool:
    try:
        code = read_code(text)
    except BadInput:
        return False
    return isinstance(code, Code) and code == Card.UNDO.code


def _lets_go(session: Session, by: By, *, station_id: int, now: datetime) -> bool:
    """Give whether the undo card lets a half scan go, or did so when it was sent before: nothing was booked yet."""
    before = select(col(Act.id)).where(
        col(Act.actor_id) == by.actor_id, col(Act.key) == by.key, col(Act.kind) == "scan"
    )
    return stations.waiting_scan(session, station_id, now) is not None or session.scalars(before).first() is not None


def _undo(session: Session, now: datetime, by: By) -> ScanAnswer:
    undone = undoing.undo_last(session=session, now=now, by=by)
    return ScanAnswer(HEARD, undone.words, undone.act_id, "undone")


def _scale(session: Session, now: datetime, by: By, *, text: str, at: datetime) -> ScanAnswer:
    """Take what a scale typed as the weight of the spool that was scanned before it."""
    station_id = by.station_id
    assert station_id is not None  # noqa: S101 - `scan` has refused it

    def do(act: Act) -> ScanAnswer:
        half = _first_half(session, station_id, at)
        if half is None or not isinstance(half.named.row, Spool):
            raise BadInput("weight_of_nothing", "Scan the spool first, then send the scale's figure.")
        gross_mg = scales.reading_mg(text) or 0
        did = cards.weighed(session, act, half.named.row, gross_mg=gross_mg, at=at)
        stations.forget_half_scan(session, station_id)
        words = " ".join(filter(None, (did.words, did.odd)))
        return ScanAnswer(ATTENTION if did.odd else HEARD, words, act.id, did.did, half.named.code.text)

    request = {"text": text}
    return once(session, "scan", by=by, now=now, request=request, answers=ScanAnswer, about=text.strip()[:40], do=do)


def _first_half(session: Session, station_id: int, now: datetime) -> _Half | None:
    """Give the first half of a scan that waits, unless what it names is no longer in the books."""
    waits = stations.waiting_scan(session, station_id, now)
    code = read_code(waits[0]) if waits else None
    try:
        return _Half(_name(session, code), waits[1]) if waits and isinstance(code, Code) else None
    except NotFound:
        return None


def _listen(session: Session, code: Code, *, station_id: int, now: datetime) -> _Heard:
    named, half = _name(session, code), _first_half(session, station_id, now)
    pair = _pair(session, named, half.named) if half else None
    about = f"{pair[0].words} to {pair[1].words}" if pair and not pair[0].card else named.words
    if pair and pair[0].card:
        about = f"{pair[0].card}: {pair[1].words}"
    return _Heard(named, about, half, pair)


def _pair(session: Session, named: _Named, first: _Named) -> tuple[_Named, _Named] | None:
    """Give the two halves of an act, the card, the spool or else the job first; None where they do not go together."""
    for one, other in ((named, first), (first, named)):
        if one.card and other.code.kind in cards.GOES_WITH.get(one.card, ()):
            return one, other
        if (one.code.kind, other.code.kind) in _PAIRS:
            return one, other
    if isinstance(named.row, Spool) and isinstance(first.row, Spool) and named.code != first.code:
        married = reels.belong_together(session, named.row, first.row)
        return married and ((named, first) if married[0].id == named.row.id else (first, named))
    return None


def _look_up(session: Session, act: Act, code: RetailCode | Code, *, now: datetime) -> ScanAnswer:
    if isinstance(code, RetailCode):
        return _look_up_retail(session, act, code)
    order = orderbook.view(session=session, now=now, order_id=finding.order_by_serial(session, code.serial).id)
    spools = sum(max(0, line.spools - line.arrived) for line in order.lines)
    if not spools or order.arrival is None:
        words = f"Order {code.grouped} from {order.supplier} is {order.state}: nothing more is awaited of it."
        return ScanAnswer(ATTENTION, words, act.id, "looked up")
    awaited = "1 spool is" if spools == 1 else f"{spools} spools are"
    words = f"Order {code.grouped} from {order.supplier}: {awaited} awaited. Book in what came."
    return ScanAnswer(HEARD, words, act.id, "looked up", order_id=order.order_id)


def _look_up_retail(session: Session, act: Act, code: RetailCode) -> ScanAnswer:
    offer = session.scalars(select(Offer).where(col(Offer.retail_code) == code.digits, col(Offer.live))).first()
    if offer is None:
        words = f"{code.digits} is a maker's code, and no offer has it yet. Scan our own label on the reel."
        return ScanAnswer(ATTENTION, words, act.id, "looked up")
    name = finding.item(session, offer.article_id).name
    words = f"{code.digits} is a maker's code for {name}. Book it in under Deliveries, or scan our own label."
    return ScanAnswer(HEARD, words, act.id, "looked up")


def _hear(session: Session, act: Act, heard: _Heard, *, station_id: int, now: datetime) -> ScanAnswer:
    if heard.named.card is Card.UNDO:
        stations.forget_half_scan(session, station_id)
        words = f"{heard.half.named.words} is let go. Nothing was booked." if heard.half else "Nothing waits."
        return ScanAnswer(HEARD, words, act.id, "let go")
    if heard.named.card and heard.named.card.is_digit:
        return _add_digit(session, act, heard, station_id=station_id, now=now)
    digits = heard.half.digits if heard.half else ""
    card = heard.pair[0].card if heard.pair else None
    if digits and (heard.pair or heard.named.card) and card not in cards.TAKE_DIGITS:
        raise BadInput("digits_unread", f"{digits} was scanned, and nothing here reads it. Scan undo, and begin anew.")
    if heard.pair is None:
        return _wait(session, act, heard.named, station_id=station_id, now=now)
    first, other = heard.pair
    if first.card is Card.WEIGH and not digits:
        return _wait(session, act, other, station_id=station_id, now=now, then="the digits, then weigh")
    stations.forget_half_scan(session, station_id)
    if first.card:
        answer = _play(session, act, first.card, other, digits=digits, now=now)
        if answer.waiting and answer.spool_code:
            stations.keep_half_scan(session, station_id, code=answer.spool_code, now=now)
        return answer
    answer = _DOINGS[first.code.kind, other.code.kind](session, act, first, other, now=now)
    if answer.did == WOUND_ON:
        stations.keep_half_scan(session, station_id, code=first.code.text, now=now)
    return answer


def _play(session: Session, act: Act, card: Card, other: _Named, *, digits: str, now: datetime) -> ScanAnswer:
    assert isinstance(other.row, Spool | Feed | Job)  # noqa: S101 - `cards.GOES_WITH` says what may come
    did = cards.play(session, act, card, other.row, digits=digits, at=now)
    code = code_text(CodeKind.SPOOL, did.spool.serial) if did.spool else None
    words = " ".join(filter(None, (did.words, did.odd)))
    waits = other.words if did.did == "waits" else ""
    return ScanAnswer(
        ATTENTION if did.odd else HEARD,
        words,
        act.id,
        did.did,
        code,
        waiting=did.did == "waits",
        waits_for=waits,
        then=("place",) if did.did == "waits" else (),
    )


def _add_digit(session: Session, act: Act, heard: _Heard, *, station_id: int, now: datetime) -> ScanAnswer:
    half = heard.half
    if half is None or half.named.code.kind not in cards.WITH_DIGITS:
        words = "Scan the spool, the ticket or the feed first, then the digits, then the card."
        raise BadInput("digit_of_nothing", words)
    digits = f"{half.digits}{heard.named.card}"
    is_spool = half.named.code.kind is CodeKind.SPOOL
    if is_spool and len(digits) > cards.MOST_DIGITS:
        raise BadInput("too_many_digits", f"{digits} is no reading. Scan the spool again, and begin anew.")
    if not is_spool and int(digits) > cards.MOST_PER_CENT:
        words = f"{digits} per cent cannot be. Scan undo, the ticket or the feed again, and 0 to 100."
        raise BadInput("no_such_share", words)
    stations.keep_half_scan(session, station_id, code=half.named.code.text, now=now, digits=digits)
    then = "g. Weigh books it." if is_spool else "per cent. Came off bad books it."
    waits = f"{half.named.words} {digits}"
    said = f"{half.named.words}: {digits} {then}"
    return ScanAnswer(HEARD, said, act.id, "waits", waiting=True, waits_for=waits, then=("card",))


def _name(session: Session, code: Code) -> _Named:
    """Give what carries a code. Errors: NotFound; BadInput where it is nothing for the Bench."""
    if code.kind is CodeKind.SPOOL:
        spool = finding.spool_by_serial(session, code.serial)
        return _Named(code, finding.item_name(session, spool.article_id), spool)
    if code.kind is CodeKind.FEED:
        feed = finding.feed_by_serial(session, code.serial)
        return _Named(code, finding.feed_name(session, feed), feed)
    if code.kind is CodeKind.PLACE:
        place = finding.place_by_serial(session, code.serial)
        return _Named(code, place.name, place)
    if code.kind is CodeKind.JOB:
        job = finding.job_by_serial(session, code.serial)
        return _Named(code, f"“{job.title}”", job)
    card = card_of(code.serial) if code.kind is CodeKind.CARD else None
    if card is not None:
        return _Named(code, card[:1].upper() + card[1:], card=card)
    raise BadInput(
        "not_for_the_bench",
        f"{code.grouped} is the code of {kind_in_words(code.kind)}. Here scan a spool, a feed, a place or a card.",
    )


_THEN = {
    CodeKind.SPOOL: "a feed or a place",
    CodeKind.FEED: "a spool, or a job's ticket",
    CodeKind.PLACE: "a spool",
    CodeKind.JOB: "the feed of its machine to start it, or came off good, or bad",
}


_NEXT = {
    CodeKind.SPOOL: ("feed", "place"),
    CodeKind.FEED: ("spool", "job"),
    CodeKind.PLACE: ("spool",),
    CodeKind.JOB: ("feed", "card"),
}


def _wait(session: Session, act: Act, named: _Named, *, station_id: int, now: datetime, then: str = "") -> ScanAnswer:
    code, words = named.code, named.words
    stations.keep_half_scan(session, station_id, code=code.text, now=now)
    after = ("card",) if then else _NEXT.get(code.kind, ())
    if named.card:
        kinds = sorted(cards.GOES_WITH[named.card], key=kind_in_words)
        then, after = " or ".join(map(kind_in_words, kinds)), tuple(kind.name.lower() for kind in kinds)
    spool_code = code.text if code.kind is CodeKind.SPOOL else None
    odd = odd_about(session, named.row) if isinstance(named.row, Spool) else ""
    said = " ".join(filter(None, (f"{words}.", odd, f"Now scan {then or _THEN[code.kind]}.")))
    kind = ATTENTION if odd else HEARD
    return ScanAnswer(kind, said, act.id, "waits", spool_code, waiting=True, waits_for=words, then=after)


def _load(session: Session, act: Act, spool: _Named, other: _Named, *, now: datetime) -> ScanAnswer:
    assert isinstance(spool.row, Spool) and isinstance(other.row, Feed)  # noqa: S101, PT018 - `_name` made them
    put = swaps.put_on(session, act, spool.row, other.row, at=now, names=(spool.words, other.words))
    kind = STOP if put.weight is Weight.STOP else ATTENTION if put.weight else HEARD
    return ScanAnswer(kind, put.words, act.id, put.did, spool.code.text, feed_id=other.row.id, lead=put.lead)


def _start(session: Session, act: Act, job: _Named, other: _Named, *, now: datetime) -> ScanAnswer:
    """Start a job on the machine of a feed, as from a memory card."""
    assert isinstance(job.row, Job) and isinstance(other.row, Feed)  # noqa: S101, PT018 - `_name` made them
    did = cards.started(session, act, job.row, other.row, at=now)
    words = " ".join(filter(None, (did.words, did.odd)))
    return ScanAnswer(ATTENTION if did.odd else HEARD, words, act.id, did.did)


def _move(session: Session, act: Act, spool: _Named, other: _Named, *, now: datetime) -> ScanAnswer:
    row, place = spool.row, other.row
    assert isinstance(row, Spool) and isinstance(place, Place)  # noqa: S101, PT018 - `_name` made them
    put = swaps.put_away(session, act, row, place, at=now, name=spool.words)
    return ScanAnswer(ATTENTION if put.weight else HEARD, put.words, act.id, put.did, spool.code.text)


def _wind_on(session: Session, act: Act, spool: _Named, other: _Named, *, now: datetime) -> ScanAnswer:
    """Put a refill on the reel of a spool that ran out, with `now` of no matter; it then waits for feed or place."""
    del now
    assert isinstance(spool.row, Spool) and isinstance(other.row, Spool)  # noqa: S101, PT018 - `_pair` made them
    answer = reels.wind_on(session, act, spool.row, other.row)
    words = f"{spool.words} is wound on the reel of {other.code.grouped}, {answer.tare_mg / MG_PER_G:g} g empty."
    return ScanAnswer(
        HEARD,
        f"{words} Now scan {_THEN[CodeKind.SPOOL]}.",
        act.id,
        WOUND_ON,
        spool.code.text,
        waiting=True,
        waits_for=spool.words,
        then=_NEXT[CodeKind.SPOOL],
    )


_DOINGS = {
    (CodeKind.SPOOL, CodeKind.FEED): _load,
    (CodeKind.SPOOL, CodeKind.PLACE): _move,
    (CodeKind.JOB, CodeKind.FEED): _start,
    (CodeKind.SPOOL, CodeKind.SPOOL): _wind_on,
}
"""What two scans do that belong together, in either order."""
_PAIRS = _DOINGS.keys() - {(CodeKind.SPOOL, CodeKind.SPOOL)}
"""Those that do so whatever they are; two spools only where one is a refill for the other's reel."""
