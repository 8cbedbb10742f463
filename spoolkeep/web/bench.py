"""The Bench: one field, and the machines under it.

The app factory registers it.
"""

from dataclasses import dataclass
from datetime import datetime, timedelta

from flask import Blueprint, Response, make_response, redirect, render_template, request, url_for
from werkzeug.wrappers import Response as Answer

from spoolkeep.domain.errors import Refusal
from spoolkeep.services import acts, bench, stations, stops, undoing
from spoolkeep.services.shop import Shop, load_shop
from spoolkeep.web import doors, forms
from spoolkeep.web.answers import status_of

pages = Blueprint("bench", __name__, url_prefix="/bench")
LATEST_ACTS = 5
FAR_HOURS = 24 * 365
"""Beyond a year no end is worth naming."""


@pages.get("")
def page() -> Response:
    """Show the Bench."""
    return _show()


@pages.post("")
def scan() -> tuple[Response, int]:
    """Take a scan from the field."""
    try:
        with doors.writing() as session:
            by = doors.by_station(session, request.form.get("key", ""))
            answer = bench.scan(session=session, now=doors.now(), by=by, text=request.form.get("code", ""))
    except Refusal as refusal:
        with doors.writing() as session:
            bench.after_refusal(session=session, now=doors.now(), by=doors.by_key(request.form.get("key", "")))
        return _show(kind="refused", words=refusal.words), status_of(refusal)
    nothing = answer.did in {"waits", "looked up", "let go"}
    booked = None if nothing else Booked(answer.act_id, undo=answer.did == "undone")
    return _show(kind=answer.kind, words=answer.words, booked=booked), 200


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
        return _show(kind="refused", words=refusal.words), status_of(refusal)
    words = "Done again." if answer.again else f"Undone: {answer.undid_kind}."
    return _show(kind="heard", words=words, booked=Booked(answer.act_id, undo=not answer.again)), 200


@pages.post("/who")
def who() -> Answer:
    """Note who is at this station, or that nobody is named."""
    station_id = doors.somebody().station_id
    assert station_id is not None  # noqa: S101 - the rule lets stations only
    with doors.writing() as session:
        actor_id = forms.maybe_whole("who", "Who")
        stations.say_who(session=session, now=doors.now(), station_id=station_id, actor_id=actor_id)
    return redirect(url_for("bench.page"))


@dataclass(frozen=True)
class Booked:
    """The act that the message is about, which the button beside it takes back."""

    act_id: int
    undo: bool = False
    """Whether it was an undo itself."""


def _show(kind: str = "", words: str = "", booked: Booked | None = None) -> Response:
    asking = doors.caller()
    with doors.reading() as session:
        shop = load_shop(session)
        station = doors.at_station()
        machines = bench.board(session=session, now=doors.now())
        standing = stops.standing(session=session)
        waiting = bench.waiting(session=session, station_id=station, now=doors.now())
        latest = acts.recent(session=session, limit=LATEST_ACTS, station_id=station) if station else []
        hands = stations.hands(session=session) if asking and asking.kind == "station" else []
    template = "bench_live.html" if request.headers.get("X-Fragment") else "bench.html"
    hours_total, ticks = axis(shop, doors.now())
    rendered = render_template(
        template,
        machines=machines,
        standing=standing,
        waiting=waiting,
        latest=latest,
        hands=hands,
        kind=kind,
        words=words,
        booked=booked,
        ends=_ends(shop, machines, doors.now()),
        hours_total=hours_total,
        ticks=ticks,
    )
    return make_response(rendered)


def _ends(shop: Shop, machines: list[bench.MachineView], now: datetime) -> dict[int, datetime]:
    """Give the moment at which each feed's spool ends at its pace, by feed, on the shop's wall clock."""
    return {
        feed.feed_id: shop.clock.local(now + timedelta(hours=feed.loaded.hours_left))
        for machine in machines
        for feed in machine.feeds
        if feed.loaded and feed.loaded.hours_left is not None and feed.loaded.hours_left < FAR_HOURS
    }


def axis(shop: Shop, now: datetime) -> tuple[float, list[tuple[float, str]]]:
    """Give the hours from now until tomorrow's opening, and a tick for every sixth hour and for the opening."""
    local = shop.clock.local(now)
    opening = shop.opening(now)
    total = (opening - now).total_seconds() / 3600
    ticks = [(0.0, "now")]
    at = local.replace(minute=0, second=0, microsecond=0)
    every = 6
    for hour in range(1, int(total) + 2):
        tick = at + timedelta(hours=hour)
        away = (tick - local).total_seconds() / 3600
        if tick.hour % every == 0 and 1 < away < total - 1:
            ticks.append((away, f"{tick:%H:%M}"))
    return total, [*ticks, (total, f"{shop.clock.local(opening):%H:%M}")]
