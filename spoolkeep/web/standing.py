"""Stops: what they cost, by month and by item, and one of them with the form that corrects it.

The app factory registers it.
"""

from datetime import date, datetime

from flask import Blueprint, flash, redirect, render_template, request, url_for
from flask import Response as File
from werkzeug.wrappers import Response

from spoolkeep.domain.errors import BadInput, Refusal
from spoolkeep.services import finding, stopcosts, stops
from spoolkeep.services.limits import MOST_WHOLE
from spoolkeep.services.shop import Shop, load_shop
from spoolkeep.services.stopcosts import StopCosts
from spoolkeep.services.stops import StopView
from spoolkeep.store.engine import Session
from spoolkeep.web import doors, forms, tables
from spoolkeep.web.answers import status_of
from spoolkeep.web.tables_jobs import STOP_COSTS

pages = Blueprint("standing", __name__)
UNSAID = "none"
"""Of a stop of which nobody said what it was for want of."""
AS_TYPED = "%Y-%m-%dT%H:%M"


@pages.get("/money/stops")
def costs() -> str | File:
    """Show what stops cost, and the stops behind each figure: all, or those of a month, of an item, or of both."""
    month, item = _month(), _item()
    file = tables.asked(STOP_COSTS.of(lambda session: _costs(session, month, item).stops))
    if file:
        return file
    with doors.reading() as session:
        shop = load_shop(session)
        known = finding.items(session, [item]) if item else {}
        view = _costs(session, month, item)
    return render_template(
        "stops.html",
        view=view,
        month=month,
        item=known.get(item or 0),
        asked={name: request.args[name] for name in ("month", "item") if request.args.get(name)},
        unsaid=UNSAID,
        shop=shop,
    )


def _costs(session: Session, month: date | None, item: int | None) -> StopCosts:
    unsaid = request.args.get("item") == UNSAID
    return stopcosts.view(session=session, now=doors.now(), month=month, article_id=item, unsaid=unsaid)


def _month() -> date | None:
    given = request.args.get("month", "").strip()
    try:
        return date.fromisoformat(f"{given}-01") if given else None
    except ValueError:
        raise BadInput("not_a_month", f"“{given[:20]}” is not a month. Write it like 2026-03.") from None


def _item() -> int | None:
    given = request.args.get("item", "").strip()
    if given in {"", UNSAID}:
        return None
    if not given.isdecimal() or len(given) > len(str(MOST_WHOLE)) or int(given) > MOST_WHOLE:
        raise BadInput("no_such_item", f"“{given[:20]}” is not the number of an item. Choose one from the list.")
    return int(given)


@pages.get("/jobs/stops/<int:stop_id>")
def one(stop_id: int) -> str:
    """Show one stop, and what a person may say of it."""
    return _show(stop_id)


@pages.post("/jobs/stops/<int:stop_id>")
def correct(stop_id: int) -> Response | tuple[str, int]:
    """Say when a stop was, or that it was none, as the form's button says."""
    none = forms.text("do") == "none"
    try:
        with doors.writing() as session:
            now, by = doors.now(), doors.by_form()
            if none:
                stops.was_none(session=session, now=now, by=by, stop_id=stop_id)
            else:
                shop, stop = load_shop(session), stops.one(session=session, stop_id=stop_id)
                from_at = _as_typed("from_at", "Since", stop.from_at, shop)
                until_at = _as_typed("until_at", "Until", stop.until_at, shop)
                if from_at is None:
                    raise BadInput("no_time", "Say since when it stood still.")
                stops.correct(session=session, now=now, by=by, stop_id=stop_id, from_at=from_at, until_at=until_at)
    except Refusal as refusal:
        return _show(stop_id, refused=refusal), status_of(refusal)
    flash("It was no stop: no hours of it count." if none else "Corrected. From now on it stays as you said.", "heard")
    return redirect(url_for("standing.one", stop_id=stop_id))


def _as_typed(name: str, what: str, own: datetime | None, shop: Shop) -> datetime | None:
    """Give a field's moment; the stop's own to the second where its minute was left as it stood."""
    if own is not None and forms.text(name) == _typed(own, shop):
        return own
    return forms.moment(name, what, shop)


def _typed(moment: datetime | None, shop: Shop) -> str:
    return shop.clock.local(moment).strftime(AS_TYPED) if moment else ""


def _show(stop_id: int, refused: Refusal | None = None) -> str:
    with doors.reading() as session:
        shop = load_shop(session)
        stop: StopView = stops.one(session=session, stop_id=stop_id)
    return render_template(
        "stop.html",
        stop=stop,
        since=_typed(stop.from_at, shop),
        until=_typed(stop.until_at, shop),
        refused=refused,
        form=request.form,
    )
