"""Stock with the day by which to order each item: the plan's, wherever it stands beside what is left.

Stock, an item's page, the JSON door and the command line call it. It only reads.
"""

from datetime import datetime

from sqlalchemy.orm import Session

from spoolkeep.domain.planned import Cause
from spoolkeep.services import offers, orderplan, stock
from spoolkeep.services.offers import Held
from spoolkeep.services.orderplan import ItemLine
from spoolkeep.services.stock import OrderDay, StockRow


def rows(*, session: Session, now: datetime) -> list[StockRow]:
    """Give every item's stock, as `stock.rows` does, each with the plan's day where somebody sells it."""
    told = stock.standing(session=session, now=now)
    plan = orderplan.kept(session=session, now=now, told=told)
    weighed = {one.item.article_id: _day(one, one.held) for one in plan.items if one.held}
    sold = offers.holding(session, shop=told.shop, today=told.today)
    others = {number: min(one.lead_days for one in some) for number, some in sold.items() if number not in weighed}
    return stock.rows_of(told, weighed, others)


def _day(line: ItemLine, held: Held) -> OrderDay:
    """Give the plan's day; of what is left for a better price alone, the day and the supplier of that."""
    if line.waits and line.turn is not None:
        return OrderDay(line.turns_on, line.turn.supplier, line.comes_days, line.told.chance_now, waits=True)
    joins = line.told.cause is Cause.JOINS
    return OrderDay(line.order_by, held.supplier, line.comes_days, line.told.chance_now, line.spools, joins)
