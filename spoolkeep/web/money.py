"""Money: what plastic costs beside what the shop sells for, why that moved, and takings entered by hand.

The app factory registers it.
"""

from collections.abc import Mapping, Sequence
from datetime import date, timedelta

from babel.dates import format_date
from flask import Blueprint, flash, redirect, render_template, request, url_for
from flask import Response as File
from werkzeug.wrappers import Response

from spoolkeep.domain import months
from spoolkeep.domain.control import LEAST_VALUES
from spoolkeep.domain.errors import BadInput, Refusal
from spoolkeep.domain.exchange import rate_ppm
from spoolkeep.domain.formats import currency_decimals
from spoolkeep.domain.share import MonthShare, over
from spoolkeep.domain.units import minor_from_major
from spoolkeep.domain.whymoved import Effect
from spoolkeep.domain.words import TakingsKind
from spoolkeep.services import byproduct, choices, finding, money, stopcosts, takings, whymoved
from spoolkeep.services.money import Chart, MoneyView
from spoolkeep.services.shop import Shop, load_shop
from spoolkeep.services.stopcosts import Cost
from spoolkeep.services.takings import Taken
from spoolkeep.services.whymoved import Behind, ItemMoved, Span, Why
from spoolkeep.store.engine import Session
from spoolkeep.web import doors, forms, narrowing, tables
from spoolkeep.web.answers import status_of
from spoolkeep.web.narrowing import Narrowed
from spoolkeep.web.tables_money import BEHIND_BOUGHT, BEHIND_JOBS, MONTHS, MOVED, PRODUCTS, TAKINGS, came_in, drew

pages = Blueprint("money", __name__, url_prefix="/money")
BP_PER_PER_CENT = 100
_YEAR_DAYS = 365
Point = tuple[str, float | None, str, str]
"""A month of the picture: its short name, its share in per cent and in words, and its mark."""


@pages.get("")
def page() -> str | File:
    """Show material share by month."""
    return tables.asked(MONTHS.of(_charted), TAKINGS.of(lambda s: takings.recent(session=s, limit=None))) or _show()


@pages.post("")
def enter() -> Response | tuple[str, int]:
    """Enter a day's takings."""
    try:
        with doors.writing() as session:
            shop = load_shop(session)
            taken = _of_day(shop) if forms.text("do") == "day" else [_told(shop)]
            answer = takings.enter(session=session, now=doors.now(), by=doors.by_form(), taken=taken)
            day = taken[0].shop_day or shop.today(doors.now())
            besides = takings.besides(session=session, day=day, taken=taken)
    except Refusal as refusal:
        return _show(refused=refusal), status_of(refusal)
    told = taken[0]
    abroad = f", {told.words(shop)} at {forms.text('rate')}" if told.rate_ppm else ""
    flash(f"Entered: {shop.formats.money(answer.amount_minor)} on {shop.formats.day(day)}{abroad}.", "heard")
    if besides:
        there = ", ".join(f"{name} {shop.formats.money(minor)}" for name, minor in besides.items())
        flash(
            f"Besides this there are takings of that day already: {there}. If they are the same, undo this.",
            "attention",
        )
    return redirect(url_for("money.page"))


@pages.get("/why")
def why() -> str | File | tuple[str, int]:
    """Show why the share moved between two spans of days."""
    file = tables.asked(MOVED.of(_moved))
    if file:
        return file
    refused = found = None
    narrowed = _items_asked()
    with doors.reading() as session:
        shop = load_shop(session)
        today = shop.today(doors.now())
        before, after = _spans(today)
        try:
            before, after = _asked("before", before), _asked("after", after)
            found = whymoved.why(session=session, before=before, after=after)
        except Refusal as refusal:
            refused = refusal
    shown = render_template(
        "why.html",
        found=found,
        moved=_fitting(found, narrowed),
        narrowed=narrowed,
        before=before,
        after=after,
        effects=list(Effect),
        presets=_presets(today),
        shop=shop,
        today=today,
        refused=refused,
    )
    return shown if refused is None else (shown, status_of(refused))


def _moved(session: Session) -> list[ItemMoved]:
    before, after = _spans(load_shop(session).today(doors.now()))
    before, after = _asked("before", before), _asked("after", after)
    return _fitting(whymoved.why(session=session, before=before, after=after), _items_asked())


def _items_asked() -> Narrowed:
    return narrowing.read(narrowing.words("item", "Item contains"))


def _fitting(found: Why | None, narrowed: Narrowed) -> list[ItemMoved]:
    fits = narrowed.fits("item")
    return [one for one in found.items if fits(f"{one.item.name} {one.item.finish}")] if found else []


@pages.get("/products")
def products() -> str | File:
    """Show what plastic costs by product."""
    file = tables.asked(PRODUCTS.of(lambda session: byproduct.view(session=session, since=_year_ago(session))))
    if file:
        return file
    with doors.reading() as session:
        since = _year_ago(session)
        found = byproduct.view(session=session, since=since)
    return render_template("products.html", found=found, since=since)


@pages.get("/why/<int:article_id>")
def behind(article_id: int) -> str | File:
    """Show the jobs and deliveries behind an item's figures over two spans."""

    def read(session: Session) -> tuple[list[Span], list[Behind]]:
        before, after = _spans(load_shop(session).today(doors.now()))
        spans = [_asked("before", before), _asked("after", after)]
        return spans, [whymoved.behind(session=session, article_id=article_id, span=span) for span in spans]

    file = tables.asked(
        BEHIND_BOUGHT.of(lambda session: came_in(*read(session))), BEHIND_JOBS.of(lambda session: drew(*read(session)))
    )
    if file:
        return file
    with doors.reading() as session:
        item = finding.item(session, article_id)
        spans, found = read(session)
    return render_template("behind.html", item=item, spans=spans, found=found)


def _charted(session: Session) -> list[MonthShare]:
    """Give the months that the page shows, the newest first."""
    return list(reversed(money.view(session=session).months[-money.MONTHS_CHARTED - 1 :]))


def _year_ago(session: Session) -> date:
    return load_shop(session).today(doors.now()) - timedelta(days=_YEAR_DAYS)


def _of_day(shop: Shop) -> list[Taken]:
    """Give what each channel sold on a day. Errors: BadInput where nothing was entered."""
    day, decimals = forms.day("day", "Day"), currency_decimals(shop.currency)
    channels = {name.removeprefix("amount-"): request.form[name] for name in request.form if name.startswith("amount-")}
    found = [
        Taken(channel=channel, amount_minor=minor_from_major(amount.strip(), decimals, channel), shop_day=day)
        for channel, amount in channels.items()
        if amount.strip()
    ]
    if not found:
        raise BadInput("nothing_entered", "Enter an amount beside at least one channel.")
    return found


def _told(shop: Shop) -> Taken:
    currency = forms.text("currency").upper() or shop.currency
    return Taken(
        shop_day=forms.day("day", "Day"),
        channel=forms.text("channel"),
        amount_minor=minor_from_major(forms.text("amount"), currency_decimals(currency), "Amount"),
        kind=forms.word("kind", TakingsKind, "What", default=TakingsKind.SALE),
        currency="" if currency == shop.currency else currency,
        rate_ppm=rate_ppm(forms.text("rate")) if forms.text("rate") and currency != shop.currency else None,
        product=forms.text("product"),
        pieces=forms.maybe_whole("pieces", "Pieces"),
    )


def _asked(name: str, usual: Span) -> Span:
    """Give the span in the address; the usual one where it has none. Errors: BadInput."""
    given = [forms.day_from(request.args.get(f"{name}_{end}", "")) for end in Span._fields]
    return Span(given[0] or usual.first, given[1] or usual.last)


def _month(day: date) -> Span:
    return Span(months.month_of(day), months.last_of(day))


def _before(span: Span, count: int = 1) -> Span:
    return _month(months.before(span.first, count))


def _spans(today: date) -> tuple[Span, Span]:
    """Give the last month that is over, and the one before it."""
    after = _before(_month(today))
    return _before(after), after


def _presets(today: date) -> list[tuple[str, Span, Span]]:
    """Give what is often compared: words, and the two spans."""
    before, after = _spans(today)
    quarter = Span(_before(after, 2).first, after.last)
    quarter_before = Span(_before(after, 5).first, _before(after, 3).last)
    return [
        ("Last month and the one before", before, after),
        ("Last month and a year before", _before(after, 12), after),
        ("Three months and the three before", quarter_before, quarter),
    ]


def _point(month: MonthShare, shop: Shop, view: MoneyView, this_month: date) -> Point:
    name = _name(month.month, shop)
    sign = view.chart.signs.get(month.month) if view.chart else None
    mark = "open" if month.month >= this_month else sign or ""
    if month.material_bp is None:
        return name, None, "", mark
    per_cent = float(month.material_bp) / BP_PER_PER_CENT
    return name, per_cent, shop.formats.number(per_cent, 1), mark


def _bars(
    months: Sequence[MonthShare], stood: Mapping[date, Cost], shop: Shop, this_month: date
) -> list[tuple[str, int, str, bool]]:
    """Give what stops cost in the months of the picture above: name, minor units, whole units, whether it is open."""
    per_unit = 10 ** currency_decimals(shop.currency)
    costs = [(one.month, stood.get(one.month, Cost()).minor) for one in months]
    return [
        (_name(month, shop), minor, shop.formats.number(minor / per_unit) if minor else "", month >= this_month)
        for month, minor in costs
    ]


def _name(month: date, shop: Shop) -> str:
    return str(format_date(month, "LLL", locale=shop.locale))


def _compared(chart: Chart) -> dict[str, date]:
    """Give the spans that say why it changed: the months that differ, and those of the chart before them, if any."""
    changed = chart.changed
    if changed is None or changed.first == chart.first:
        return {}
    after = Span(changed.first, _month(changed.last).last)
    return {
        "before_first": chart.first,
        "before_last": changed.first - timedelta(days=1),
        "after_first": after.first,
        "after_last": after.last,
    }


def _show(refused: Refusal | None = None) -> str:
    with doors.reading() as session:
        shop = load_shop(session)
        view = money.view(session=session, now=doors.now())
        sold = [name for _, name in choices.sold(session)]
        stood = stopcosts.view(session=session, now=doors.now())
        today = shop.today(doors.now())
        entered = takings.recent(session=session)
    this_month = today.replace(day=1)
    shown = view.months[-money.MONTHS_CHARTED - 1 :]
    return render_template(
        "money.html",
        view=view,
        months=shown,
        points=[_point(month, shop, view, this_month) for month in shown],
        whole=over(shown),
        compared=_compared(view.chart) if view.chart and view.chart.changed else {},
        least_months=LEAST_VALUES,
        this_month=this_month,
        shop=shop,
        today=today,
        kinds=list(TakingsKind),
        products=sold,
        entered=entered,
        stood=stood,
        stood_bars=_bars(shown, dict(stood.months), shop, this_month),
        refused=refused,
        form=request.form,
    )
