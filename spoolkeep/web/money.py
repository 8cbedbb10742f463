"""Money: what plastic costs beside what the shop sells for.

The app factory registers it.
"""

from datetime import date

from babel.dates import format_date
from flask import Blueprint, flash, redirect, render_template, request, url_for
from werkzeug.wrappers import Response

from spoolkeep.domain.errors import Refusal
from spoolkeep.domain.share import MonthShare, over
from spoolkeep.domain.words import TakingsKind
from spoolkeep.services import money
from spoolkeep.services.shop import Shop, load_shop
from spoolkeep.web import doors, forms
from spoolkeep.web.answers import status_of

pages = Blueprint("money", __name__, url_prefix="/money")
MONTHS_SHOWN = 24
MONTHS_DRAWN = 13
"""A year and the open month, so that each stands beside itself a year ago."""
BP_PER_PER_CENT = 100


@pages.get("")
def page() -> str:
    """Show material share by month."""
    return _show()


@pages.post("")
def enter() -> Response | tuple[str, int]:
    """Enter a day's takings."""
    try:
        with doors.writing() as session:
            shop = load_shop(session)
            answer = money.enter_takings(
                session=session,
                now=doors.now(),
                by=doors.by_form(),
                shop_day=forms.day("day", "Day"),
                channel=forms.text("channel"),
                amount_minor=forms.money("amount", "Amount", shop),
                kind=forms.word("kind", TakingsKind, "What", default=TakingsKind.SALE),
            )
    except Refusal as refusal:
        return _show(refused=refusal), status_of(refusal)
    flash(f"Entered: {shop.formats.money(answer.amount_minor)} on {shop.formats.day(answer.shop_day)}.", "heard")
    return redirect(url_for("money.page"))


def _bar(month: MonthShare, shop: Shop, this_month: date) -> tuple[str, float | None, str, bool]:
    """Give a month of the picture: its short name, its material share in per cent and in words, whether it is open."""
    name = format_date(month.month, "LLL", locale=shop.locale)
    if month.material_bp is None:
        return name, None, "", month.month >= this_month
    per_cent = float(month.material_bp) / BP_PER_PER_CENT
    return name, per_cent, shop.formats.number(per_cent, 1), month.month >= this_month


def _show(refused: Refusal | None = None) -> str:
    with doors.reading() as session:
        shop = load_shop(session)
        view = money.view(session=session)
    this_month = shop.today(doors.now()).replace(day=1)
    return render_template(
        "money.html",
        view=view,
        months=view.months[-MONTHS_SHOWN:],
        bars=[_bar(month, shop, this_month) for month in view.months[-MONTHS_DRAWN:]],
        whole=over(view.months[-MONTHS_SHOWN:]),
        this_month=this_month,
        shop=shop,
        today=shop.today(doors.now()),
        kinds=list(TakingsKind),
        refused=refused,
        form=request.form,
    )
