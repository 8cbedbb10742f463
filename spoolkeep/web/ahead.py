"""What comes: what the owner knows ahead, days on which the shop is closed, and how well the forecast foretold.

The app factory registers it.
"""

from datetime import timedelta

from flask import Blueprint, flash, redirect, render_template, request, url_for
from flask import Response as File
from werkzeug.wrappers import Response

from spoolkeep.domain.errors import BadInput, Refusal
from spoolkeep.services import choices, finding, foresight, record
from spoolkeep.services.foresight import Told
from spoolkeep.services.shop import load_shop
from spoolkeep.store.engine import Session
from spoolkeep.web import doors, forms, tables
from spoolkeep.web.answers import status_of
from spoolkeep.web.tables_stock import FORETOLD, Foretold

pages = Blueprint("ahead", __name__, url_prefix="/stock/ahead")
CLOSED_SINCE = timedelta(days=60)
_SHOP, _ITEM, _PRODUCT = "shop", "item", "product"


@pages.get("")
def page() -> str:
    """Show what is known ahead."""
    return _show()


@pages.post("")
def know() -> Response | tuple[str, int]:
    """Enter or take back what is known ahead, or days on which the shop is closed."""
    try:
        with doors.writing() as session:
            words = _know(session)
    except Refusal as refusal:
        return _show(refusal), status_of(refusal)
    flash(words, "heard")
    return redirect(url_for("ahead.page"))


@pages.get("/record")
def track_record() -> str | File:
    """Show what was said and what came."""
    file = tables.asked(FORETOLD.of(_foretold))
    if file:
        return file
    with doors.reading() as session:
        found = record.of_shop(session=session, now=doors.now())
    return render_template("record.html", record=found, least_days=record.LEAST_DAYS)


def _foretold(session: Session) -> list[Foretold]:
    scores = record.of_shop(session=session, now=doors.now()).scores
    return [Foretold(score.days, said) for score in scores for said in score.said]


def _know(session: Session) -> str:
    now, by = doors.now(), doors.by_form()
    do = forms.one_of("do", ("foresee", "take back", "close", "open"), "What to do")
    if do == "foresee":
        foresight.tell(session=session, now=now, by=by, told=_told())
        return "Kept. Days of stock go by it from now on."
    if do == "take back":
        foresight.take_back(session=session, now=now, by=by, number=forms.whole("number", "What was known"))
        return "Taken back."
    first, last = forms.closed_days()
    if do == "close":
        foresight.close(session=session, now=now, by=by, from_day=first, until_day=last, why=forms.text("why"))
        return "Kept as closed."
    foresight.open_again(session=session, now=now, by=by, from_day=first, until_day=last)
    return "Open again."


def _told() -> Told:
    kind, _, number = forms.text("of").partition("-")
    if kind not in {_SHOP, _ITEM, _PRODUCT} or (kind != _SHOP and not number.isdecimal()):
        raise BadInput("of_what", "Choose an item, a product or the whole shop.")
    first = forms.day("from_day", "From")
    if first is None:
        raise BadInput("no_day", "Give the first day.")
    factor = forms.decimal("factor", "Times as much as usual") if forms.text("factor") else None
    return Told(
        from_day=first,
        until_day=forms.day("until_day", "Until"),
        article_id=forms.whole_from(number, "Of") if kind == _ITEM else None,
        product_id=forms.whole_from(number, "Of") if kind == _PRODUCT else None,
        factor=None if factor is None else float(factor),
        mg_a_day=forms.grams("grams", "Grams a day") if forms.text("grams") else None,
        why=forms.text("why"),
    )


def _show(refused: Refusal | None = None) -> str:
    with doors.reading() as session:
        today = load_shop(session).today(doors.now())
        items = finding.in_use(session)
        of = [(_SHOP, "The whole shop")]
        of += sorted(((f"{_ITEM}-{one.article_id}", one.name) for one in items.values()), key=lambda one: one[1])
        of += [(f"{_PRODUCT}-{number}", f"Product: {name}") for number, name in choices.sold(session)]
        known = foresight.listed(session)
        closings = foresight.closings(session, since=today - CLOSED_SINCE)
        foretold = {one.known.number: one for one in record.foretold(session=session, now=doors.now())}
    return render_template(
        "ahead.html",
        of=of,
        asked=f"{_ITEM}-{request.args.get('item', '')}",
        known=[one for one in known if not one.is_over(today)],
        over=[one for one in known if one.is_over(today)],
        closings=closings,
        foretold=foretold,
        today=today,
        refused=refused,
        form=request.form,
    )
