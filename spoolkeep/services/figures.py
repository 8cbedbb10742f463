"""The figures that commands print and the JSON doors serve: plain values with their units in their names.

The web's JSON door and the command line call it. It only reads.
"""

from datetime import date, datetime
from typing import Any

from sqlalchemy.orm import Session

from spoolkeep.domain.runout import Span
from spoolkeep.services import money, orders, stock
from spoolkeep.services.evening import Evening
from spoolkeep.services.picking import Advice as PickAdvice
from spoolkeep.services.shop import load_shop


def runout(*, session: Session, now: datetime) -> dict[str, Any]:
    """Give days of stock, run-out and order-by by item; the chance that it has ended by `p10` days is 10 per cent."""
    shop = load_shop(session)
    return {
        "as_of": shop.today(now).isoformat(),
        "items": [
            {
                "item": row.item.name,
                "material": row.item.material,
                "colour": row.item.colour,
                "left_mg": row.left_mg,
                "aside_mg": row.aside_mg,
                "rests_mg": row.rests_mg,
                "committed_mg": row.committed_mg,
                "on_order_mg": row.on_order_mg,
                "spools": row.spools,
                "drawn_mg_a_day": round(row.days.daily_mg),
                "days_of_stock": _span(row.days.lasts),
                "days_with_ordered": _span(row.days.with_ordered),
                "run_out_on": _iso(row.days.run_out_on),
                "chance_short": round(row.days.chance_short, 4),
                "order_by": _iso(row.days.order_by),
                "lead_days": row.lead_days,
                "ask_for_weighing": row.doubtful,
            }
            for row in stock.rows(session=session, now=now)
        ],
    }


def _span(span: Span) -> dict[str, float | None]:
    return {name: None if days is None else round(days, 2) for name, days in span._asdict().items()}


def tonight(told: Evening) -> dict[str, Any]:
    """Give every feed until the hour, the most at risk first: what it needs, what is left, and the chance to last."""
    takes = {one.feed.feed.feed_id: one.take for one in told.todo}
    return {
        "now": told.ahead.night.now.isoformat(),
        "until": told.ahead.night.until.isoformat(),
        "hours_at_risk": round(told.ahead.hours_at_risk, 2),
        "risk_minor": told.ahead.risk_minor,
        "lacking": [
            {"machine": one.machine.name, "job": one.job.title, "item": one.item_name, "needs_mg": one.need.mg}
            for one in told.ahead.lacking
        ],
        "feeds": [
            {
                "feed": one.feed.name,
                "code": one.feed.code,
                "prints": one.what,
                "needs_mg": one.night.needs_mg,
                "left_mg": one.left_mg,
                "left_between_mg": dict(zip(("p5", "p95"), one.left_between_mg, strict=True)),
                "chance_to_last": round(one.chance, 4),
                "ends_at": one.night.risk.ends_at.isoformat() if one.night.risk.ends_at else None,
                "hours_at_risk": round(one.hours_at_risk, 2),
                "wrong": [fault.words for fault in one.checked.open],
                "take": _taken(takes.get(one.feed.feed_id)),
            }
            for one in told.ahead.feeds
        ],
    }


def _taken(advice: PickAdvice | None) -> dict[str, str] | None:
    if advice is None or advice.spool is None:
        return None
    spool = advice.spool
    return {"spool_code": spool.code, "item": spool.item.name, "place": spool.place, "why": advice.why}


def reorder(*, session: Session, now: datetime) -> dict[str, Any]:
    """Give what to order now, from whom and why."""
    shop = load_shop(session)
    return {
        "as_of": shop.today(now).isoformat(),
        "currency": shop.currency,
        "lines": [
            {
                "item": one.item.name,
                "supplier": one.supplier or None,
                "wanted_mg": one.wanted_mg,
                "spools": one.spools,
                "spool_mg": one.spool_mg,
                "price_minor": one.price_minor,
                "total_minor": one.total_minor,
                "reason": one.why.code,
                "left_mg": one.why.left_mg,
                "drawn_mg_a_day": round(one.why.daily_mg),
                "days": one.why.days,
                "lead_days": one.why.lead_days,
                "order_by": _iso(one.why.order_by),
                "days_without": one.gap_days,
            }
            for one in orders.advise(session=session, now=now)
        ],
    }


def material_share(*, session: Session) -> dict[str, Any]:
    """Give material share and spend share by month, in basis points rounded to hundredths; null without takings."""
    return {
        "currency": load_shop(session).currency,
        "months": [
            {
                "month": f"{month.month:%Y-%m}",
                "drawn_minor": month.drawn_minor,
                "bought_minor": month.bought_minor,
                "takings_minor": month.takings_minor,
                "material_share_bp": None if month.material_bp is None else round(float(month.material_bp), 2),
                "spend_share_bp": None if month.spend_bp is None else round(float(month.spend_bp), 2),
            }
            for month in money.view(session=session).months
        ],
    }


def _iso(day: date | None) -> str | None:
    return None if day is None else day.isoformat()
