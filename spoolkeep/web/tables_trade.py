"""Which columns the tables of buying have.

Deliveries, their spools, what to order, orders, credits, offers, and lead times. Their pages offer them.
"""

from datetime import date

from spoolkeep.domain.planned import State
from spoolkeep.services.choices import OfferView
from spoolkeep.services.creditnotes import CreditView
from spoolkeep.services.deliveries import DeliveryView, SpoolCame
from spoolkeep.services.leadtimes import Part
from spoolkeep.services.orderbook import OrderView
from spoolkeep.services.orderplan import ItemLine, PlanView
from spoolkeep.web.tables import Column, Records
from spoolkeep.web.tables_stock import PPM, about_item

DELIVERIES: Records[DeliveryView] = Records(
    "deliveries",
    "Deliveries",
    "deliveries.page",
    (
        Column("arrived_at", "when it came", lambda row: row.arrived_at),
        Column("spools", "how many spools it brought", lambda row: row.spools),
        Column("items", "of which items", lambda row: ", ".join(row.names)),
        Column("supplier", "from whom", lambda row: row.supplier),
        Column("order", "the order's code, where there was one", lambda row: row.order_code),
        Column("freight_minor", "what its freight cost", lambda row: row.freight_minor),
    ),
)

DELIVERY_SPOOLS: Records[SpoolCame] = Records(
    "delivery-spools",
    "Spools of a delivery",
    "deliveries.one",
    (
        Column("spool", "the code on its label", lambda row: row.code),
        *about_item(lambda row: row.item),
        Column("lot", "the maker's lot", lambda row: row.lot),
        Column("place", "where it is", lambda row: row.place),
        Column("set_aside", "why it may not be loaded", lambda row: None if row.aside is None else row.aside or "yes"),
        Column("gone", "yes where it was emptied or given up", lambda row: row.is_gone),
    ),
)


def as_listed(plan: PlanView) -> list[ItemLine]:
    """Give the items of the plan as Orders lists them: to order now, offered by nobody, by a day to come, enough."""
    later = (plan.standing(*states) for states in ((State.NOBODY,), (State.BY, State.NOW), (State.ENOUGH,)))
    return [*plan.now, *(one for some in later for one in some)]


ORDER_PLAN: Records[ItemLine] = Records(
    "order-plan",
    "What to order, and when",
    "orders.page",
    (
        *about_item(lambda row: row.item),
        Column("spools", "how many to order now; 0 of what can wait", lambda row: row.spools),
        Column("supplier", "from whom", lambda row: row.held.supplier if row.held else None),
        Column("spool_mg", "plastic on one spool", lambda row: row.held.terms.spool_mg if row.held else None),
        Column("order_by", "the last day on which an order still comes in time", lambda row: row.order_by),
        Column("stands", "order now, order by, enough, nobody sells it", lambda row: row.told.state),
        Column("left_mg", "what is left", lambda row: row.left_mg),
        Column("on_order_mg", "what is on order", lambda row: row.on_order_mg),
        Column("drawn_mg_a_day", "what is expected to be drawn a day", lambda row: round(row.told.daily)),
        Column("lasts_days", "days that it lasts with what is ordered now", lambda row: row.after.lasts_days),
        Column(
            "chance_out_ppm",
            "the chance that it is out before the order after it comes, in millionths",
            lambda row: round(row.after.chance_out * PPM),
        ),
        Column("price_minor", "of one spool", lambda row: row.price_minor if row.held else None),
        Column("sum_minor", "of the spools to order now, without the parcel", lambda row: row.total_minor),
    ),
)


def _orders(name: str, words: str) -> Records[OrderView]:
    return Records(
        name,
        words,
        "orders.page",
        (
            Column("order", "its code", lambda row: row.code),
            Column("supplier", "from whom", lambda row: row.supplier),
            Column("state", "how it stands", lambda row: row.state),
            Column(
                "items", "what was ordered", lambda row: ", ".join(f"{one.spools} {one.item.name}" for one in row.lines)
            ),
            Column("spools", "how many spools", lambda row: sum(one.spools for one in row.lines)),
            Column("came", "how many came", lambda row: sum(one.arrived for one in row.lines)),
            Column("drafted_at", "when it was drafted", lambda row: row.drafted_at),
            Column("sent_at", "when it was sent", lambda row: row.sent_at),
            Column("promised_for", "the day that the supplier said", lambda row: row.promised_for),
            Column("needed_by", "the last day on which it comes in time", _needed_by),
            Column("currency", "the supplier's", lambda row: row.currency),
            Column(
                "total_minor", "the price of its lines, in that currency's smallest unit", lambda row: row.total_minor
            ),
            Column("freight_minor", "the parcel", lambda row: row.terms.freight_minor),
        ),
    )


def _needed_by(row: OrderView) -> date | None:
    return row.arrival.need.by if row.arrival and row.arrival.need else None


ORDERS = _orders("orders", "Orders that are open")
ORDERS_OVER = _orders("orders-over", "Orders that are over")

CREDITS: Records[CreditView] = Records(
    "credits",
    "Credit that is due",
    "orders.page",
    (
        Column("supplier", "who owes it", lambda row: row.supplier),
        Column("spools", "how many spools went back", lambda row: row.spools),
        Column("went_back_at", "when", lambda row: row.asked_at),
        Column("why", "why", lambda row: row.note),
        Column("asked_minor", "what was left of their cost", lambda row: row.asked_minor),
    ),
)

OFFERS: Records[OfferView] = Records(
    "offers",
    "Offers",
    "setup.all_offers",
    (
        *about_item(lambda row: row.item),
        Column("supplier", "who sells it", lambda row: row.supplier),
        Column("their_number", "the supplier's number for it", lambda row: row.their_number),
        Column("spool_mg", "plastic on one spool", lambda row: row.spool_mg),
        Column("price_minor", "for one spool, in the supplier's currency", lambda row: row.price_minor),
        Column("currency", "the supplier's own; empty: the workshop's", lambda row: row.currency),
        Column("pack", "how many are sold together", lambda row: row.pack),
        Column("at_least", "the fewest that are sold at once", lambda row: row.least_spools),
        Column(
            "breaks_minor",
            "cheaper prices from a number of spools on",
            lambda row: " ".join(f"{spools}:{minor}" for spools, minor in row.breaks),
        ),
        Column("from", "the first day on which it can be ordered", lambda row: row.from_day),
        Column("until", "the last day", lambda row: row.until_day),
    ),
)

LEAD_TIMES: Records[Part] = Records(
    "lead-times",
    "How long a supplier's deliveries took",
    "suppliers.page",
    (
        Column("order", "the order's code", lambda row: row.order_code),
        Column("sent_on", "the day on which it was sent", lambda row: row.sent_on),
        Column("came_on", "the day on which it came; empty while it is awaited", lambda row: row.came_on),
        Column("part_ppm", "what part of the order it is, in millionths", lambda row: round(row.share * 1_000_000)),
        Column("took_days", "days of the calendar", lambda row: row.took_days if row.came_on else None),
        Column("carrier_days", "days on which parcels come", lambda row: row.carrier_days if row.came_on else None),
        Column("promised_for", "the first day that was said", lambda row: row.promised_for),
        Column("late_days", "days after that, below 0 before it", lambda row: row.late_days),
        Column("busy_month", "yes where it was sent in a busy month", lambda row: row.busy),
    ),
)
