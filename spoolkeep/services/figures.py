"""The figures that commands print and the JSON doors serve: plain values with their units in their names.

The web's JSON door and the command line call it. It only reads.
"""

from datetime import date, datetime
from typing import Any

from sqlalchemy.orm import Session

from spoolkeep.domain.night import runs
from spoolkeep.domain.runout import Span
from spoolkeep.services import money, orderdays
from spoolkeep.services.evening import Evening
from spoolkeep.services.orderplan import ItemLine, PlanView
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
                "chance_short": round(row.order.chance_short, 4),
                "order_by": _iso(row.order.day),
                "order_from": row.order.supplier or None,
                "lead_days": row.order.comes_days,
                "ask_for_weighing": row.doubtful,
            }
            for row in orderdays.rows(session=session, now=now)
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
                "runs": [
                    {
                        "job": run.title,
                        "same_again": run.is_guess,
                        "times": run.times,
                        "starts_at": run.starts_at.isoformat() if run.starts_at else None,
                        "ends_at": run.ends_at.isoformat() if run.ends_at else None,
                    }
                    for run in runs(one.prints)
                ],
                "instead": one.checked.instead,
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


def reorder(plan: PlanView) -> dict[str, Any]:
    """Give the plan of today: what to order, from whom and why, and how every other item stands."""
    return {
        "as_of": plan.today.isoformat(),
        "currency": plan.shop.currency,
        "total_minor": plan.total_minor,
        "suppliers": [
            {
                "supplier": one.name,
                "order_now": one.is_due,
                "goods_minor": one.bill.goods_minor if one.bill else 0,
                "freight_minor": one.bill.freight_minor if one.bill else 0,
                "needed_by": _iso(one.needed_by),
                "comes": [day.isoformat() for day in one.comes] if one.comes else None,
                "next_order_on": _iso(one.next_on),
                "waiting_minor_a_day": round(one.waiting_minor, 2),
                "worth_minor_a_day": round(one.worth_minor, 2),
            }
            for one in plan.suppliers
        ],
        "items": [_planned(one) for one in plan.items],
        "left_out": list(plan.left_out),
    }


def _planned(one: ItemLine) -> dict[str, Any]:
    told, held = one.told, one.held
    return {
        "item": one.item.name,
        "state": told.state,
        "supplier": held.supplier if held else None,
        "spools": one.spools,
        "spool_mg": held.terms.spool_mg if held else None,
        "price_minor": one.price_minor if held else None,
        "total_minor": one.total_minor,
        "cause": told.cause,
        "bought_ahead_spools": told.turn.ahead_spools if told.turn else 0,
        "other_price_on": _iso(one.turns_on),
        "waits_for_it": one.waits,
        "spared_minor": round(told.turn.spared_minor) if told.turn else 0,
        "left_mg": one.left_mg,
        "committed_mg": one.committed_mg,
        "on_order_mg": one.on_order_mg,
        "drawn_mg_a_day": round(told.daily),
        "lasts_days": told.lasts_days,
        "chance_out_before_it_comes": round(told.chance_now, 4),
        "chance_out_a_week_later": round(told.chance_week, 4),
        "order_by": _iso(one.order_by),
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
