"""The Bench: one field, what the last scan did, and the machines under it.

The app factory registers it.
"""

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from threading import Lock

from flask import Blueprint, Response, current_app, make_response, redirect, render_template, request, url_for
from markupsafe import Markup
from werkzeug.wrappers import Response as Answer

from spoolkeep.domain.errors import BadInput, Refusal
from spoolkeep.services import acts, airing, bench, boards, checking, photos, stations, stops, undoing
from spoolkeep.services.bench import ScanAnswer
from spoolkeep.services.shop import Shop, load_shop
from spoolkeep.store.acts import By
from spoolkeep.store.engine import Session
from spoolkeep.web import doors, forms
from spoolkeep.web.answers import status_of
from spoolkeep.web.rules import may

pages = Blueprint("bench", __name__, url_prefix="/bench")
LATEST_ACTS = 10
_PAIR = 2
_MOST_WAITED_S = 7 * 86_400
_TICK_HOURS = 6


@dataclass(frozen=True)
class Booked:
    """The act that the message is about, which the button beside it takes back."""

    act_id: int
    undo: bool = False
    """Whether it was an undo itself."""


@dataclass(frozen=True)
class Said:
    """What is said about what was just done."""

    kind: str = ""
    words: str = ""
    booked: Booked | None = None
    waiting: str | None = None
    """What waits for its other half, nothing where that is known to be so; None where it must be looked up."""
    order_id: int | None = None
    """Of an order that was scanned, and is to be booked in."""
    lead: tuple[str, ...] = ()
    """The sentences that are read first, from afar; the words begin with them."""
    signs: tuple[str, ...] = ()
    """The pictures of what was done, or of what is waited for: names of templates/icons.html."""

    @property
    def rest(self) -> str:
        """Give the words after those."""
        return self.words[len(" ".join(self.lead)) :].strip()


@pages.get("")
def page() -> Response:
    """Show the Bench."""
    return _show()


@pages.get("/board")
def board() -> Response:
    """Show the machines alone, and nothing where nothing has changed since: stations ask for it every moment."""
    with doors.reading() as session:
        seen, answer = _seen(session), make_response()
        answer.set_etag(f"{seen}-{doors.at_station() or 0}", weak=True)
        if answer.make_conditional(request).status_code == 304:  # noqa: PLR2004 - Not Modified
            return answer
        latest = _latest(session)
    answer.set_data(render_template("bench_board.html", machines=_kept().at(seen), latest=latest))
    return answer


@pages.post("")
def scan() -> tuple[Response, int]:
    """Take a scan from the field."""
    return _take(lambda session, by: _scan(session, by, forms.text("code")))


@pages.post("/photo")
def photo() -> tuple[Response, int]:
    """Take a photo of a label, or of two that belong together, as a scan of each."""
    codes: list[str] = []

    def do(session: Session, by: By) -> ScanAnswer:
        for at, code in enumerate(codes[:-1]):
            bench.scan(session=session, now=doors.now(), by=replace(by, key=f"{by.key} {at}"), text=code)
        return _scan(session, by, codes[-1])

    try:
        codes += _codes()
    except Refusal as refusal:
        return _show(Said("refused", refusal.words)), status_of(refusal)
    return _take(do)


def _codes() -> list[str]:
    sent = request.files.get("photo")
    codes = photos.codes_in(sent.read() if sent else b"")
    if not codes:
        raise BadInput("no_label_seen", "No label can be read on it. Go nearer, hold still, and mind the light.")
    if len(codes) > _PAIR:
        words = f"{len(codes)} labels are on it. Take one, or the two that belong together."
        raise BadInput("many_labels", words)
    return codes


def _take(doing: Callable[[Session, By], ScanAnswer]) -> tuple[Response, int]:
    key = request.form.get("key", "")
    try:
        with doors.writing() as session:
            answer = doing(session, doors.by_station(session, key))
    except Refusal as refusal:
        with doors.writing() as session:
            scanned_at = doors.now() - timedelta(seconds=_waited_s())
            bench.after_refusal(session=session, now=scanned_at, by=doors.by_key(key))
        return _show(Said("refused", refusal.words)), status_of(refusal)
    nothing = answer.did in {"waits", "looked up", "let go", "there already"}
    booked = None if nothing else Booked(answer.act_id, undo=answer.did == "undone")
    said = Said(
        answer.kind,
        answer.words,
        booked,
        _waits(answer),
        order_id=answer.order_id,
        lead=answer.lead,
        signs=_signs(answer),
    )
    return _show(said), 200


_SIGNS = {
    "loaded": ("spool", "feed"),
    "there already": ("spool", "feed"),
    "stands by": ("spool", "feed"),
    "kept on": ("spool", "feed"),
    "wound on": ("spool", "again"),
    "moved": ("spool", "place"),
    "weighed": ("spool", "weigh"),
    "ran out": ("ended",),
    "started": ("start",),
    "ended": ("job",),
    "set aside": ("aside",),
    "looked up": ("find",),
    "let go": ("back",),
    "undone": ("back",),
}
"""By what a scan did."""


def _signs(answer: ScanAnswer) -> tuple[str, ...]:
    if answer.then:
        return (*(_SIGNS["wound on"] if answer.did == bench.WOUND_ON else ()), "wait", *answer.then)
    return ("order",) if answer.order_id else _SIGNS.get(answer.did, ())


def _waits(answer: ScanAnswer) -> str | None:
    """Give what waits after a scan; an order that was only looked up lets what waited go on waiting."""
    return None if answer.order_id else answer.waits_for


def _scan(session: Session, by: By, text: str) -> ScanAnswer:
    now = doors.now()
    return bench.scan(session=session, now=now, by=by, text=text, at=now - timedelta(seconds=_waited_s()))


def _waited_s() -> int:
    """Give for how many seconds a scan has waited on its device; one that says it otherwise has not."""
    waited = forms.text("waited")
    return min(int(waited), _MOST_WAITED_S) if waited.isdecimal() and len(waited) < 10 else 0  # noqa: PLR2004 - seconds


@pages.get("/undo")
def after_undo() -> Answer:
    """Lead back to the Bench, where a reload after an undo without script would land."""
    return redirect(url_for("bench.page"))


@pages.post("/undo")
def undo() -> tuple[Response, int]:
    """Take back the act that the form names, else this station's last."""
    try:
        with doors.writing() as session:
            by = doors.by_station(session, request.form.get("key", ""))
            act_id = forms.maybe_whole("act", "Act")
            if act_id is None:
                answer = undoing.undo_last(session=session, now=doors.now(), by=by)
            else:
                answer = undoing.undo_here(session=session, now=doors.now(), by=by, act_id=act_id)
    except Refusal as refusal:
        return _show(Said("refused", refusal.words)), status_of(refusal)
    return _show(Said("heard", answer.words, Booked(answer.act_id, undo=not answer.again), signs=("back",))), 200


@pages.post("/keep-on")
def keep_on() -> tuple[Response, int]:
    """Keep the spool on a feed although it does not match, for a reason."""
    try:
        with doors.writing() as session:
            by = doors.by_station(session, request.form.get("key", ""))
            feed_id, why = forms.whole("feed", "Feed"), forms.text("other") or forms.text("why")
            seen = forms.text("spool")
            answer = checking.keep_on(
                session=session, now=doors.now(), by=by, feed_id=feed_id, why=why, spool_code=seen
            )
    except Refusal as refusal:
        return _show(Said("refused", refusal.words)), status_of(refusal)
    return _show(Said("heard", answer.words, Booked(answer.act_id), signs=_SIGNS["kept on"])), 200


@pages.post("/who")
def who() -> Answer:
    """Note who is at this station, or that nobody is named."""
    station_id = doors.somebody().station_id
    assert station_id is not None  # noqa: S101 - the rule lets stations only
    with doors.writing() as session:
        actor_id = forms.maybe_whole("who", "Who")
        stations.say_who(session=session, now=doors.now(), station_id=station_id, actor_id=actor_id)
    return redirect(url_for("bench.page"))


def _show(said: Said | None = None) -> Response:
    """Show the whole page; to a script that keeps it open, only what the scan did: it asks for the board apart."""
    asking, station, said = doors.caller(), doors.at_station(), said or Said()
    is_part, waiting = bool(request.headers.get("X-Fragment")), said.waiting
    if not is_part or waiting is None:
        with doors.reading() as session:
            waiting = bench.waiting(session=session, station_id=station, now=doors.now())
            hands = stations.hands(session=session) if asking and asking.kind == "station" else []
            seen, latest = _seen(session), _latest(session)
    if is_part:
        return make_response(render_template("bench_live.html", said=said, waiting=waiting))
    machines = _kept().at(seen)
    page = render_template("bench.html", hands=hands, said=said, waiting=waiting, machines=machines, latest=latest)
    return make_response(page)


def _seen(session: Session) -> str:
    """Give a word for what the board shows: of these books, in this minute."""
    return f"{acts.version(session=session)}-{doors.now():%Y%m%d%H%M}"


@dataclass
class _Kept:
    """The machines as they were shown last: the stations that ask for the same at once are shown the same."""

    lock: Lock = field(default_factory=Lock)
    seen: str = ""
    shown: dict[bool, Markup] = field(default_factory=dict)
    """By whether who looks may keep a spool on."""

    def at(self, seen: str) -> Markup:
        """Give the machines as a part of a page, as of these books and this minute or later."""
        may_keep = may(doors.caller(), "bench.keep_on")
        with self.lock:
            if self.seen != seen or may_keep not in self.shown:
                now_seen, page = _machines()
                if self.seen != now_seen:
                    self.seen, self.shown = now_seen, {}
                self.shown[may_keep] = page
            return self.shown[may_keep]


def machines_shown() -> Markup:
    """Give the machines as a part of a page, as they are in the books."""
    with doors.reading() as session:
        seen = _seen(session)
    return _kept().at(seen)


def _kept() -> _Kept:
    found = current_app.extensions.setdefault("spoolkeep_board", _Kept())
    assert isinstance(found, _Kept)  # noqa: S101 - the only writer
    return found


def _latest(session: Session) -> list[acts.ActView]:
    """Give the last acts of who asks, where they are at a station."""
    station = doors.at_station()
    return acts.recent(session=session, limit=LATEST_ACTS, station_id=station) if station else []


def _machines() -> tuple[str, Markup]:
    """Give the word for what is read, and the machines."""
    now = doors.now()
    with doors.reading() as session:
        seen, shop = _seen(session), load_shop(session)
        drying = airing.in_dryers(session)
        machines, standing = boards.board(session=session, now=now), stops.standing(session=session)
    hours_total, ticks = axis(shop, now)
    read: dict[str, object] = {
        "machines": machines,
        "standing": standing,
        "drying": drying,
        "now": now,
        "ends": _ends(machines, now),
        "local": shop.clock.local,
        "hours_total": hours_total,
        "ticks": ticks,
    }
    current_app.update_template_context(read)
    page = current_app.jinja_env.get_template("bench_machines.html")
    return seen, page.make_module(read).__html__()


def _ends(machines: list[boards.MachineView], now: datetime) -> dict[int, float]:
    """Give after how many hours each feed's spool may end, by feed, where that is before the axis ends."""
    return {
        feed.feed_id: max(0.0, (feed.ends_at - now).total_seconds() / 3600)
        for machine in machines
        for feed in machine.feeds
        if feed.ends_at is not None
    }


def axis(shop: Shop, now: datetime, until: datetime | None = None) -> tuple[float, list[tuple[float, str]]]:
    """Give the hours from now until an hour, tomorrow's opening, and a tick for every sixth hour and for the end."""
    local = shop.clock.local(now)
    opening = until or shop.opening(now)
    total = (opening - now).total_seconds() / 3600
    ticks = [(0.0, "now")]
    at = local.replace(minute=0, second=0, microsecond=0)
    for hour in range(1, int(total) + 2):
        tick = at + timedelta(hours=hour)
        away = (tick - local).total_seconds() / 3600
        if tick.hour % _TICK_HOURS == 0 and 1 < away < total * 0.94:
            ticks.append((away, f"{tick:%H:%M}"))
    return total, [*ticks, (total, f"{shop.clock.local(opening):%H:%M}")]
