"""Labels: what is printed beside a delivery's own, and the label stocks as they lie in this workshop's printers.

The app factory registers it.
"""

from flask import Blueprint, Response, flash, redirect, render_template, request, url_for
from werkzeug.wrappers import Response as Answer

from spoolkeep.domain.cards import Card
from spoolkeep.domain.errors import BadInput, Refusal
from spoolkeep.domain.units import decimal_from
from spoolkeep.domain.words import StockKind, Surface
from spoolkeep.paper.stocks import SUITS, Stock
from spoolkeep.services import labels, stocks
from spoolkeep.services.catalogue import Made
from spoolkeep.store.engine import Session
from spoolkeep.web import doors, forms, paper
from spoolkeep.web.answers import status_of

pages = Blueprint("labels", __name__, url_prefix="/labels")
MOST_MM = 2000
LENGTHS = (
    ("page_width", "Page, width"),
    ("page_height", "Page, height"),
    ("label_width", "Label, width"),
    ("label_height", "Label, height"),
    ("left", "First label from the left"),
    ("top", "First label from the top"),
    ("pitch_x", "From one label to the next, across"),
    ("pitch_y", "From one label to the next, down"),
    ("inset_x", "Blank edge, left and right"),
    ("inset_y", "Blank edge, above and below"),
)
_SAID = {
    "stock": "The stock is kept. Print its calibration page, and hold it over the labels.",
    "nudge": "Kept: what is printed on it moves so far.",
    "usual": "Kept: it is offered first from now on.",
    "withdraw": "Withdrawn.",
}


@pages.get("")
def page() -> str:
    """Show what can be printed, and the stocks."""
    return _show()


@pages.post("")
def keep() -> Answer | tuple[str, int]:
    """Keep a stock, a nudge, or which stock is the usual one, as the form says."""
    do = forms.text("do")
    try:
        with doors.writing() as session:
            _keep(session, do)
    except Refusal as refusal:
        return _show(refused=refusal), status_of(refusal)
    flash(_SAID[do], "heard")
    return redirect(url_for("labels.page", _anchor="stocks"))


@pages.get("/places.pdf")
def places_pdf() -> Response:
    """Give the labels of every feed and place, or of those whose codes the address names."""
    codes, now, stock = request.args.getlist("code"), doors.now(), paper.stock_asked()
    with doors.reading() as session:
        if codes:
            gathered = labels.of_codes(session=session, now=now, codes=codes, stock=stock)
        else:
            gathered = labels.of_places_and_feeds(session=session, now=now, stock=stock)
    return paper.pdf(paper.pressed(gathered), "labels-places-feeds")


@pages.get("/all.pdf")
def all_pdf() -> Response:
    """Give the labels of every place, feed and spool, in the order in which a person walks."""
    with doors.reading() as session:
        gathered = labels.of_everything(session=session, now=doors.now(), stock=paper.stock_asked())
    return paper.pdf(paper.pressed(gathered), "labels-all")


@pages.get("/cards.pdf")
def cards_pdf() -> Response:
    """Give the bench cards."""
    with doors.reading() as session:
        gathered = labels.of_cards(session=session, now=doors.now(), stock=paper.stock_asked())
    return paper.pdf(paper.pressed(gathered), "bench-cards")


@pages.get("/calibration.pdf")
def calibration_pdf() -> Response:
    """Give the page by which a stock is measured in its printer."""
    with doors.reading() as session:
        pdf = stocks.calibration(session=session, now=doors.now(), name=paper.stock_asked())
    return paper.pdf(pdf, "calibration")


def _keep(session: Session, do: str) -> Made:
    now, by, name = doors.now(), doors.by_form(), forms.text("name")
    if do == "nudge":
        right, down = _mm("nudge_x", "To the right"), _mm("nudge_y", "Down")
        return stocks.nudge(session=session, now=now, by=by, name=name, right_mm=right, down_mm=down)
    if do == "usual":
        return stocks.make_usual(session=session, now=now, by=by, name=name)
    if do == "withdraw":
        return stocks.withdraw(session=session, now=now, by=by, name=name)
    forms.one_of("do", tuple(_SAID), "What to keep")
    return stocks.keep(session=session, now=now, by=by, stock=_stock(name))


def _stock(name: str) -> Stock:
    lengths = {f"{field}_mm": _mm(field, words) for field, words in LENGTHS}
    return Stock(
        name=name,
        kind=forms.word("kind", StockKind, "Kind"),
        surface=forms.word("surface", Surface, "Made of"),
        dpi=forms.whole("dpi", "Dots an inch"),
        columns=forms.whole("columns", "Labels across"),
        rows=forms.whole("rows", "Labels down"),
        **lengths,
    )


def _mm(name: str, what: str) -> float:
    """Give a field's millimetres, 0 where it is empty, to a thousandth. Errors: BadInput."""
    given = decimal_from(forms.text(name) or "0", what)
    if abs(given) > MOST_MM:
        raise BadInput("no_such_length", f"{what}: {forms.text(name)[:20]} mm cannot be. Enter millimetres, like 38.1.")
    return round(float(given), 3)


def _show(refused: Refusal | None = None) -> str:
    with doors.reading() as session:
        offered = paper.choices(session)
        every = [(stock, stocks.in_words(stock), stocks.is_shipped(stock.name)) for stock in stocks.every(session)]
        sheets = [(stock.name, stocks.in_words(stock)) for stock in stocks.card_sheets(session)]
    return render_template(
        "labels.html",
        offered=offered,
        every=every,
        sheets=sheets,
        suits=SUITS,
        lengths=LENGTHS,
        kinds=list(StockKind),
        surfaces=list(Surface),
        cards=list(Card),
        refused=refused,
        form=request.form,
    )
