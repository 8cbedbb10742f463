"""The workshop's settings, and the closing of its books.

The web's Setup and Money pages call it.
"""

from datetime import date, datetime, timedelta

from sqlalchemy import select
from sqlalchemy.orm import Session
from sqlmodel import col

from spoolkeep.domain.errors import BadInput, Conflict
from spoolkeep.domain.formats import Formats
from spoolkeep.domain.shopday import ShopClock
from spoolkeep.domain.units import MAX_MG
from spoolkeep.services.catalogue import Made
from spoolkeep.services.limits import MOST_WHOLE
from spoolkeep.services.shop import Settings
from spoolkeep.store.acts import By, once
from spoolkeep.store.journal import change
from spoolkeep.store.rebuild import shop_days_again
from spoolkeep.store.tables import Act, Line, Offer, TakingsLine, Workshop

MOST_RISK_PPM = 500_000
MOST_CHANGE_SECONDS = 3600
MOST_ORDER_SECONDS, MOST_SHELF_SPOOLS = 8 * 3600, 1_000_000
EVERY_MONTH, PPM = 0b111111111111, 1_000_000


def set_up(*, session: Session, now: datetime, by: By, settings: Settings) -> Made:
    """Change the workshop's settings; a changed zone or start of day puts every figure on its day again.

    Errors: BadInput.
    """

    def do(act: Act) -> Made:
        Formats(settings.locale, settings.currency, settings.zone)
        clock = ShopClock(settings.zone, settings.day_starts_hour)
        _check_settings(settings)
        row = session.get_one(Workshop, 1)
        if settings.currency != row.currency and _has_money(session):
            words = f"There are amounts in {row.currency} in the books, so the currency stays {row.currency}."
            raise Conflict("currency_in_use", words)
        if settings.cost_flow != row.cost_flow and row.closed_through is not None:
            words = f"The books are closed through {row.closed_through}: how cost leaves them stays {row.cost_flow}."
            raise Conflict("flow_in_use", words)
        moved = (row.zone, row.day_starts_hour) != (settings.zone, settings.day_starts_hour)
        change(session, act, row, **vars(settings), ready_at=row.ready_at or now)
        if moved:
            shop_days_again(session, clock)
        return Made(act.id, row.id)

    return once(session, "settings", by=by, now=now, request=vars(settings), answers=Made, do=do)


def close_books(*, session: Session, now: datetime, by: By, through: date) -> Made:
    """Close the books through a day: what is told later of a closed day falls in the open month.

    Errors: BadInput where the day is not the last of a month that is over; Conflict where it is closed already.
    """

    def do(act: Act) -> Made:
        row = session.get_one(Workshop, 1)
        today = ShopClock(row.zone, row.day_starts_hour).day_of(now)
        if (through + timedelta(days=1)).day != 1 or through >= today:
            raise BadInput("not_a_month_end", "Books are closed through the last day of a month that is over.")
        if row.closed_through is not None and through <= row.closed_through:
            raise Conflict("closed_before", f"The books are closed through {row.closed_through} already.")
        change(session, act, row, closed_through=through)
        return Made(act.id, row.id)

    about = through.isoformat()
    return once(session, "close books", by=by, now=now, request={"through": through}, answers=Made, about=about, do=do)


def _has_money(session: Session) -> bool:
    return any(session.scalars(select(col(model.id)).limit(1)).first() for model in (Line, TakingsLine, Offer))


def _check_settings(settings: Settings) -> None:
    if not settings.name.strip():
        raise BadInput("no_name", "Give the workshop a name.")
    hours = 23
    if not all(0 <= hour <= hours for hour in (settings.day_starts_hour, settings.opens_hour, settings.closes_hour)):
        raise BadInput("no_such_hour", "Hours go from 0 to 23.")
    if min(settings.review_days, settings.cover_days) < 1 or min(settings.safety_days, settings.lead_days) < 0:
        raise BadInput("no_such_days", "Order days and cover are at least 1 day, lead and safety days at least 0.")
    if settings.earns_minor_per_hour < 0 or not 0 <= settings.rest_mg <= MAX_MG:
        raise BadInput("negative_figure", "What a machine earns, and below what a rest is scrap, are 0 or more.")
    if not 0 < settings.risk_ppm < MOST_RISK_PPM:
        raise BadInput("no_such_risk", "The risk of running out lies above 0 and below 50 per cent.")
    if min(settings.hour_cost_minor, settings.space_minor_a_month, settings.carry_ppm_a_year) < 0:
        raise BadInput("negative_figure", "What an hour, room for a spool and cash tied up cost are 0 or more.")
    if not 0 <= settings.change_seconds <= MOST_CHANGE_SECONDS:
        raise BadInput("no_such_change", "To change a spool takes 0 seconds to an hour.")
    _check_ordering(settings)
    if not 0 <= settings.share_low_bp <= settings.share_high_bp:
        raise BadInput("no_such_band", "The target band goes from a smaller to a larger share.")


def _check_ordering(settings: Settings) -> None:
    if not 0 <= settings.order_seconds <= MOST_ORDER_SECONDS:
        raise BadInput("no_such_minutes", "An order takes you 0 to 480 minutes.")
    if not all(0 <= chance <= PPM for chance in (settings.idle_ppm, settings.idle_busy_ppm)):
        raise BadInput("no_such_chance", "The chance that a machine has no other work lies between 0 and 100 per cent.")
    if not 0 <= settings.busy_months <= EVERY_MONTH:
        raise BadInput("no_such_month", "Tick busy months from January to December.")
    if not 0 <= settings.late_minor <= MOST_WHOLE:
        raise BadInput("no_such_amount", "What an order that goes out late costs is 0 or more, and no fortune.")
    if settings.budget_minor is not None and not 0 < settings.budget_minor <= MOST_WHOLE:
        raise BadInput("no_such_amount", "To spend at most is more than 0 and no fortune. Leave it empty for no limit.")
    if settings.shelf_spools is not None and not 0 < settings.shelf_spools <= MOST_SHELF_SPOOLS:
        words = f"There is room for 1 to {MOST_SHELF_SPOOLS} spools. Leave it empty for no limit."
        raise BadInput("no_such_room", words)
