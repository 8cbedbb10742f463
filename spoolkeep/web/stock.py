"""Stock: a row an item, and an item's own page.

The app factory registers it.
"""

from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass
from datetime import date, timedelta

from flask import Blueprint, Response, flash, redirect, render_template, request, url_for
from werkzeug.wrappers import Response as Answer

from spoolkeep.domain.errors import Refusal
from spoolkeep.services import choices, explained, finding, itemcare, labels, materials, orderbook, orderdays, stock
from spoolkeep.services.orderbook import OrderView
from spoolkeep.services.search import matcher, spoken_of
from spoolkeep.services.shop import Shop, load_shop
from spoolkeep.services.stock import StockRow
from spoolkeep.store.engine import Session
from spoolkeep.web import doors, forms, narrowing, paper, tables
from spoolkeep.web.answers import status_of
from spoolkeep.web.narrowing import Narrowed
from spoolkeep.web.tables_stock import SPOOLS, STOCK

pages = Blueprint("stock", __name__, url_prefix="/stock")
WEEKS_AHEAD = 8
EACH_PAGE = 60
ASKS = (
    narrowing.kept(narrowing.words("material", "Material")),
    narrowing.kept(narrowing.choice("show", "Only those", [("due", "to be ordered"), ("weigh", "to be weighed")])),
    narrowing.words("colour", "Colour or finish"),
    narrowing.number("within", "Runs out within", "days"),
    narrowing.tick("spools", "Only those with spools"),
)


@pages.get("")
def page() -> str | Response:
    """Show every item's stock, or what the address asks for."""
    narrowed = narrowing.read(*ASKS)
    shown = Shown.of(narrowed)
    file = tables.asked(STOCK.of(shown.rows))
    if file:
        return file
    with doors.reading() as session:
        shop = load_shop(session)
        rows = orderdays.rows(session=session, now=doors.now())
        awaited = orderbook.listed(session=session, now=doors.now(), open_only=True)
        retired = stock.retired_left(session=session)
        known_days = explained.known_days(session=session, now=doors.now())
    today = shop.today(doors.now())
    order_day = today + timedelta(days=shop.review_days)
    chosen = [row for row in rows if shown.takes(row, order_day)]
    part = narrowing.page_or_whole(len(chosen), EACH_PAGE)
    return render_template(
        "stock.html",
        all_rows=rows,
        chosen=chosen,
        retired=retired,
        rows=chosen[part.start : part.start + part.each],
        shown=shown,
        narrowed=narrowed,
        choices=_choices(rows, order_day),
        page=part,
        arrivals=arrivals(awaited, today),
        today=today,
        known_days=known_days,
        days_total=WEEKS_AHEAD * 7,
        ticks=week_ticks(shop, today),
    )


@dataclass(frozen=True)
class Shown:
    """What the address asks for: a material, a part of a colour's name, and those that are due or to be weighed."""

    material: str = ""
    colour: str = ""
    show: str = ""
    within: int | None = None
    """Those that run out within so many days, in the middle."""
    spools: str = ""
    """Filled where only those with spools are shown."""

    @classmethod
    def of(cls, narrowed: Narrowed) -> "Shown":
        """Give what a list is narrowed by."""
        material, colour, show = (narrowed.text(name) for name in ("material", "colour", "show"))
        return cls(material, colour, show, narrowed.number("within"), narrowed.text("spools"))

    @property
    def asked(self) -> dict[str, str]:
        """Give what was asked for, as it stands in an address."""
        return {name: str(value) for name, value in asdict(self).items() if value}

    def takes(self, row: StockRow, order_day: date) -> bool:
        """Say whether a row is shown; it is due where it is to be ordered before the next order day is over."""
        if self.material and row.item.material != self.material:
            return False
        if self.colour and not matcher(self.colour)(spoken_of(row.item)):
            return False
        if self.spools and not row.spools:
            return False
        if self.within is not None and (row.days.days is None or row.days.days > self.within):
            return False
        if self.show == "due":
            return row.short_mg > 0 or row.order.is_due(order_day)
        return self.show != "weigh" or row.doubtful > 0

    def rows(self, session: Session) -> list[StockRow]:
        """Give all the rows that are shown."""
        shop = load_shop(session)
        order_day = shop.today(doors.now()) + timedelta(days=shop.review_days)
        return [row for row in orderdays.rows(session=session, now=doors.now()) if self.takes(row, order_day)]


@pages.get("/<int:article_id>")
def item(article_id: int) -> str | Answer:
    """Show one item: its figures and its spools; what was merged into another leads there."""
    with doors.reading() as session:
        now_id = finding.item_now(session, article_id)
    if now_id != article_id:
        return redirect(url_for("stock.item", article_id=now_id))
    spools = SPOOLS.of(lambda session: stock.spools_of(session=session, article_id=article_id))
    return tables.asked(spools) or _show_item(article_id)


@pages.post("/<int:article_id>")
def know_item(article_id: int) -> Answer | tuple[str, int]:
    """Keep what an owner knows of an item."""
    try:
        with doors.writing() as session:
            _know(session, article_id)
    except Refusal as refusal:
        return _show_item(article_id, refusal), status_of(refusal)
    flash("Kept.", "heard")
    return redirect(url_for("stock.item", article_id=article_id))


def _know(session: Session, article_id: int) -> object:
    now, by = doors.now(), doors.by_form()
    if forms.text("do") == "usual":
        mg = forms.maybe_grams("usual", "Usual job")
        return itemcare.set_usual_job(session=session, now=now, by=by, article_id=article_id, mg=mg)
    if forms.text("do") == "risk":
        risk_ppm = forms.ppm("risk", "Accepted chance of running out") if forms.text("risk") else None
        return itemcare.set_risk(session=session, now=now, by=by, article_id=article_id, risk_ppm=risk_ppm)
    instead = forms.whole("instead", "Item")
    accepted = forms.text("do") == "accept"
    return itemcare.accept(
        session=session, now=now, by=by, article_id=article_id, instead_id=instead, accepted=accepted
    )


def _show_item(article_id: int, refused: Refusal | None = None) -> str:
    with doors.reading() as session:
        shop = load_shop(session)
        found = finding.item(session, article_id)
        row = next((row for row in orderdays.rows(session=session, now=doors.now()) if row.item == found), None)
        spools = stock.spools_of(session=session, article_id=article_id)
        sold = choices.offers(session=session, article_id=article_id)
        awaited = orderbook.listed(session=session, now=doors.now(), open_only=True)
        offered = paper.choices(session)
        minds = materials.of_item(session=session, article_id=article_id, finish=found.finish)
        care = itemcare.view(session=session, now=doors.now(), article_id=article_id)
        why = explained.of_item(session=session, now=doors.now(), article_id=article_id) if row else None
    today = shop.today(doors.now())
    return render_template(
        "item.html",
        offered=offered,
        care=care,
        minds=minds,
        refused=refused,
        form=request.form,
        item=found,
        row=row,
        why=why,
        spools=spools,
        offers=[one for one in sold if one.holds(today)],
        arrivals=arrivals(awaited, today),
        today=today,
        days_total=WEEKS_AHEAD * 7,
        ticks=week_ticks(shop, today),
    )


def _choices(rows: Sequence[StockRow], order_day: date) -> list[tuple[str, dict[str, str], int]]:
    """Give what can be shown by one press: words, what stands in the address, and how many; none is left out."""
    materials = sorted({row.item.material for row in rows})
    asked = [("To be ordered", Shown(show="due")), ("To be weighed", Shown(show="weigh"))]
    asked += [(material, Shown(material=material)) for material in materials if len(materials) > 1]
    counted = [(words, one.asked, sum(one.takes(row, order_day) for row in rows)) for words, one in asked]
    return [("All", {}, len(rows)), *(choice for choice in counted if choice[2])]


def arrivals(awaited: Iterable[OrderView], today: date) -> dict[int, list[int]]:
    """Give, by item, in how many days the spools are promised that have not come; a passed promise is none."""
    found: dict[int, list[int]] = {}
    for order in awaited:
        for line in order.lines:
            if order.promised_for and order.promised_for >= today and line.arrived < line.spools:
                found.setdefault(line.item.article_id, []).append((order.promised_for - today).days)
    return found


@pages.get("/<int:article_id>/labels.pdf")
def labels_pdf(article_id: int) -> Response:
    """Give the labels of an item's spools that have something left."""
    with doors.reading() as session:
        codes = [spool.code for spool in stock.spools_of(session=session, article_id=article_id)]
        gathered = labels.of_codes(session=session, now=doors.now(), codes=codes, stock=paper.stock_asked())
    return paper.pdf(paper.pressed(gathered), f"labels-item-{article_id}")


def week_ticks(shop: Shop, today: date) -> list[tuple[int, str]]:
    """Give a tick for today and for every second week ahead."""
    return [
        (days, "today" if days == 0 else shop.formats.short_day(today + timedelta(days=days)))
        for days in range(0, WEEKS_AHEAD * 7, 14)
    ]
