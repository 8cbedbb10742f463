"""What to order today and why, how every item stands, and when to order next: the plan as pages and sheets show it.

The Orders page, Today and the command line call it. It only reads.
"""

from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from weakref import WeakKeyDictionary

import numpy as np
from sqlalchemy import Dialect, func, select
from sqlalchemy.orm import Session
from sqlmodel import col

from spoolkeep.domain import reorder
from spoolkeep.domain.leadtimes import Chances
from spoolkeep.domain.ordering import WEEK
from spoolkeep.domain.planned import After, House, Line, Lot, Outcome, Plan, Source, State
from spoolkeep.domain.shortfall import HORIZON, Floats
from spoolkeep.domain.terms import Bill, Bought, SellerTerms, bill, whole_spools
from spoolkeep.domain.truecost import DAYS_PER_MONTH, DAYS_PER_YEAR, PPM, SECONDS_PER_HOUR
from spoolkeep.domain.words import OrderState
from spoolkeep.services import buys, offers, orderbook, orderpile, stock
from spoolkeep.services.finding import Item
from spoolkeep.services.leadtimes import Learned
from spoolkeep.services.offers import Held
from spoolkeep.services.orderpile import COVER_DAYS, Coming
from spoolkeep.services.shop import Shop
from spoolkeep.services.stock import Standing
from spoolkeep.store.tables import Act, Supplier

USUAL_SPOOL_MG = 1_000_000
"""What a spool is taken to hold where nobody offers the item yet: a kilogram, common practice."""
_BETWEEN = 0.1, 0.9
SOMETIMES, LIKELY = 0.1, 0.5


@dataclass(frozen=True)
class ItemLine:
    """How one item stands, and what to buy of it."""

    item: Item
    told: Line
    held: Held | None
    """The offer by which it is bought; None where nobody sells it."""
    price_minor: int
    """Of one spool, as many as are bought: with breaks and what the basket takes off."""
    left_mg: int
    committed_mg: int
    on_order_mg: int
    short_mg: int
    """What planned jobs need more than is here and coming."""
    order_by: date | None
    comes_days: int
    """What a delivery of its supplier takes, in the middle."""
    wanted_mg: int
    """What would cover a month of an item that nobody sells."""
    passed_over: Held | None
    """Who asks less, but comes too late."""
    turn: Held | None
    """The offer at another price that it is bought ahead of, or left for; None where none bears on it."""

    spools: int
    """To order now: as the plan says, or as a person asks what they would do."""
    gap_from: date | None = None
    """The day from which it may be out until what is on order comes; None where it comes in time."""

    @property
    def total_minor(self) -> int:
        """Give what they cost without the parcel."""
        return self.spools * self.price_minor

    @property
    def turns_on(self) -> date | None:
        """Give the day on which it can be had at the other price."""
        return self.turn.from_day if self.turn else None

    @property
    def waits(self) -> bool:
        """Tell whether all of it is left for a better price."""
        return not self.spools and self.told.turn is not None and self.told.turn.waits_days is not None

    @property
    def after(self) -> After:
        """Give what they do."""
        return self.told.at(self.spools)


@dataclass(frozen=True)
class SupplierPlan:
    """What to do with one supplier today."""

    supplier_id: int
    name: str
    address: str
    is_due: bool
    """Whether something is ordered of it today: as the plan says, or as a person asks."""
    bill: Bill | None
    terms: SellerTerms
    waiting_minor: float
    """What a day of waiting costs, in what may run out."""
    worth_minor: float
    """What a day of waiting must cost for the order to be worth it."""
    cut: bool
    """Whether budget, room or the least that the supplier takes cut it."""
    next_on: date | None
    """The day of the next order, as expected."""
    comes: tuple[date, date] | None
    """The days between which an order of today comes, in eight cases of ten; None beyond what is told."""
    said_lead: bool
    """Whether anybody or anything says how long its deliveries take."""
    outcomes: tuple[Outcome, ...]
    needed_by: date | None
    """The day by which an order of today must come for all its items; None without an order."""
    lines: tuple[ItemLine, ...]
    """Those to order now, the most urgent first."""

    @property
    def ahead_minor(self) -> float:
        """Give what is spared by what is bought ahead of dearer prices."""
        turns = [line.told.turn for line in self.lines if line.told.turn]
        return sum(turn.spared_minor for turn in turns if turn.ahead_spools)


@dataclass(frozen=True)
class PlanView:
    """The plan of today."""

    today: date
    shop: Shop
    suppliers: tuple[SupplierPlan, ...]
    items: tuple[ItemLine, ...]
    """Every item whose pace is known, by name."""
    left_out: tuple[str, ...]
    """In sentences, suppliers whose offers cannot be weighed."""
    budget_minor: int | None
    """What is left of the day's budget; None without one."""
    room_spools: int | None
    """For how many more spools there is room, those that are coming counted; None without a limit."""

    @property
    def over_budget_minor(self) -> int:
        """Give by how much the orders pass what is left of the day's budget."""
        return 0 if self.budget_minor is None else max(0, self.total_minor - self.budget_minor)

    @property
    def over_room_spools(self) -> int:
        """Give how many spools more are ordered than there is room for."""
        return 0 if self.room_spools is None else max(0, sum(line.spools for line in self.now) - self.room_spools)

    @property
    def due(self) -> tuple[SupplierPlan, ...]:
        """Give those to order from now."""
        return tuple(one for one in self.suppliers if one.is_due)

    @property
    def now(self) -> tuple[ItemLine, ...]:
        """Give what to order now, supplier by supplier."""
        return tuple(line for one in self.due for line in one.lines)

    def standing(self, *states: State) -> tuple[ItemLine, ...]:
        """Give the items that stand so and are not ordered now, the soonest to order first."""
        found = [one for one in self.items if one.told.state in states and not one.spools]
        return tuple(sorted(found, key=lambda one: (one.order_by or date.max, one.item.name)))

    @property
    def total_minor(self) -> int:
        """Give what all orders of today cost, with parcels."""
        return sum(one.bill.total_minor for one in self.due if one.bill)


_KEPT: WeakKeyDictionary[Dialect, tuple[Hashable, PlanView]] = WeakKeyDictionary()
"""The last of each database, by its engine's dialect, and what it rests on."""
_ON_THE_FLOOR = ("scan", "job", "start job", "end job")
"""Acts after which a plan stands for a while: they tell of today, and it looks at the days before."""
_STANDS_SECONDS = 900


def kept(*, session: Session, now: datetime, told: Standing) -> PlanView:
    """Give the plan of today as it was reckoned last: anew after an act at the desk, and after a quarter of an hour.

    `told` is what it is reckoned from then.
    """
    last = select(func.max(col(Act.id))).where(col(Act.kind).not_in(_ON_THE_FLOOR))
    rests_on = (told.today, session.scalar(last), int(now.timestamp()) // _STANDS_SECONDS)
    database = session.get_bind().engine.dialect
    known = _KEPT.get(database)
    if known is None or known[0] != rests_on:
        known = _KEPT[database] = (rests_on, _view(session, told, now=now, instead=None))
    return known[1]


@dataclass(frozen=True)
class _Sellers:
    """Who sells, in the order of the plan's sources."""

    ids: list[int]
    sources: list[Source]
    taking: Mapping[int, Learned]
    arrivals: list[Chances]
    left_out: tuple[str, ...]

    def middle_days(self, lot: Lot | None) -> int:
        """Give in how many days an order of today would come by a lot, in the middle of all cases; 0 by none."""
        return 0 if lot is None else int(np.searchsorted(np.cumsum(self.arrivals[lot.source]), LIKELY))


def view(*, session: Session, now: datetime, instead: Mapping[int, int] | None = None) -> PlanView:
    """Give the plan of today: what is drafted counts as on order, so that the same need is not met twice.

    `instead` are spools by offer that a person asks about, taken in whole packs: prices, risk and days follow them,
    the plan does not.
    """
    return _view(session, stock.standing(session=session, now=now), now=now, instead=instead)


def _view(session: Session, told: Standing, *, now: datetime, instead: Mapping[int, int] | None) -> PlanView:
    sellers = _sellers(session, told)
    held = {number: some for number, some in _held(session, told, sellers).items() if number in told.known}
    rows = [
        (at, number)
        for at, number in enumerate(told.outlook.past.article_ids)
        if number in told.known and told.is_asked(at, number)
    ]
    drafted = stock.coming_of(session, told.taking, (OrderState.DRAFTED,), shop=told.shop, now=now)
    pile = orderpile.pile_of(session, told, rows, drafted, now=now)
    besides = buys.besides(session, held=held, known=told.known, shop=told.shop, now=now)
    lots, whose = _lots(rows, held, sellers, besides, today=told.today)
    house = _house(session, told, drafted, now=now)
    planned = reorder.plan(pile, lots, sellers.sources, house)
    lines = [
        _line(
            told,
            number,
            line,
            whose,
            comes=sellers.middle_days(line.lot),
            drafted=drafted.get(number, ()),
        )
        for (_, number), line in zip(rows, planned.lines, strict=True)
    ]
    lines = [_asked(line, instead) for line in lines]
    suppliers = _suppliers(session, planned, sellers, lines, told=told)
    priced = {line.item.article_id: line for one in suppliers for line in one.lines}
    return PlanView(
        today=told.today,
        shop=told.shop,
        suppliers=suppliers,
        items=tuple(sorted((priced.get(one.item.article_id, one) for one in lines), key=lambda one: one.item.name)),
        left_out=sellers.left_out,
        budget_minor=house.budget_minor,
        room_spools=house.room_spools,
    )


def _sellers(session: Session, told: Standing) -> _Sellers:
    """Give who sells in the workshop's currency, with parcels, baskets, and when an order of today would serve."""
    baskets = offers.baskets(session)
    ids, sources, arrivals, left_out = [], [], [], []
    sellers = select(Supplier).where(col(Supplier.live), ~col(Supplier.retired)).order_by(col(Supplier.id))
    for row in session.scalars(sellers):
        if row.currency and row.currency != told.shop.currency:
            left_out.append(f"{row.name} is paid in {row.currency}, and no rate is told: its offers are not weighed.")
            continue
        terms = offers.seller_of(row, baskets.get(row.id, ()))
        comes = told.taking[row.id].arrivals(told.today, horizon=HORIZON)
        ids.append(row.id)
        arrivals.append(comes)
        sources.append(Source(terms, _serves(comes), *told.taking[row.id].orders_taken(told.today, horizon=HORIZON)))
    return _Sellers(ids, sources, told.taking, arrivals, tuple(left_out))


def _serves(comes: Chances) -> Floats:
    """Give the first day that is served, by the day on which it comes: that day's draw; the last one has the rest."""
    found = np.zeros(HORIZON + 1)
    found[1:] = comes[:HORIZON]
    found[-1] += max(0.0, 1.0 - float(found.sum()))
    return found


def _held(session: Session, told: Standing, sellers: _Sellers) -> dict[int, list[Held]]:
    """Give the offers that hold today or begin later, by item, of those whose prices can be weighed."""
    every = offers.holding(session, shop=told.shop, today=told.today, within_days=HORIZON)
    ours = set(sellers.ids)
    kept = {number: [one for one in some if one.supplier_id in ours] for number, some in every.items()}
    return {number: some for number, some in kept.items() if some}


def _lots(
    rows: Sequence[tuple[int, int]],
    held: Mapping[int, Sequence[Held]],
    sellers: _Sellers,
    besides: Mapping[int, float],
    *,
    today: date,
) -> tuple[list[Lot], dict[int, Held]]:
    """Give every way to buy an item, and whose offer each is."""
    source = {number: at for at, number in enumerate(sellers.ids)}
    lots, whose = [], {}
    for row, (_, number) in enumerate(rows):
        for one in held.get(number, ()):
            begins = 0 if one.from_day is None else (one.from_day - today).days
            ends = None if one.until_day is None else (one.until_day - today).days
            beside = besides.get(one.terms.offer_id, 0.0)
            lots.append(Lot(row, source[one.supplier_id], one.terms, beside, begins, ends))
            whose[one.terms.offer_id] = one
    return lots, whose


def _house(session: Session, told: Standing, drafted: Coming, *, now: datetime) -> House:
    shop = told.shop
    spools = sum(one.spools for one in told.held.values())
    coming_mg = sum(mg for coming in (told.coming, drafted) for some in coming.values() for _, mg in some)
    coming = whole_spools(coming_mg, spool_mg=USUAL_SPOOL_MG)
    return House(
        order_minor=shop.hour_cost_minor * shop.order_seconds / SECONDS_PER_HOUR,
        carry_a_day=shop.carry_ppm_a_year / PPM / DAYS_PER_YEAR,
        room_minor_a_day=shop.space_minor_a_month / DAYS_PER_MONTH,
        review_days=_next_look(told),
        most_days=min(shop.cover_days, HORIZON),
        budget_minor=None if shop.budget_minor is None else max(0, shop.budget_minor - _spent(session, told, now)),
        room_spools=None if shop.shelf_spools is None else max(0, shop.shelf_spools - spools - coming),
    )


def _next_look(told: Standing) -> int:
    """Give the days until somebody looks again: an order day of the workshop on which it is open."""
    opens = next(iter(told.taking.values())).opens if told.taking else None
    days = told.shop.review_days
    while opens is not None and days < HORIZON and not opens.works_on(told.today + timedelta(days=days)):
        days += 1
    return days if days < HORIZON else told.shop.review_days


def _spent(session: Session, told: Standing, now: datetime) -> int:
    """Give what the orders of today come to already: all that are drafted, and those that were sent today."""
    awaited = orderbook.listed(session=session, now=now, open_only=True, limit=None)
    return sum(
        one.to_pay_minor
        for one in awaited
        if not one.is_foreign
        and (one.state == OrderState.DRAFTED or (one.sent_at and told.shop.today(one.sent_at) == told.today))
    )


def _line(
    told: Standing,
    number: int,
    line: Line,
    whose: Mapping[int, Held],
    *,
    comes: int,
    drafted: Sequence[tuple[int, int]],
) -> ItemLine:
    held = told.of(number)
    committed_mg = sum(mg for _, mg in told.committed.get(number, ()))
    on_order_mg = sum(mg for _, mg in (*told.coming.get(number, ()), *drafted))
    by = line.order_by_days
    offer = None if line.lot is None else whose[line.lot.terms.offer_id]
    return ItemLine(
        item=told.known[number],
        told=line,
        held=offer,
        price_minor=0 if offer is None else offer.terms.price_at(max(line.spools, 1)),
        left_mg=held.usable_mg,
        committed_mg=committed_mg,
        on_order_mg=on_order_mg,
        short_mg=max(0, committed_mg - held.usable_mg - on_order_mg),
        order_by=None if by is None else told.today + timedelta(days=by),
        comes_days=comes,
        wanted_mg=round(line.daily * COVER_DAYS),
        passed_over=None if line.passed_over is None else whose[line.passed_over.terms.offer_id],
        turn=None if line.turn is None else whose[line.turn.offer_id],
        spools=line.spools,
        gap_from=_gap_from(told.today, line, [*told.coming.get(number, ()), *drafted]),
    )


def _gap_from(today: date, line: Line, coming: Sequence[tuple[int, int]]) -> date | None:
    """Give the day from which an item may be out although it then lasts for weeks: a parcel comes late for it."""
    needed = line.needed_days
    if needed is None or line.lasts_days <= needed + WEEK or not any(day > needed for day, _ in coming):
        return None
    return today + timedelta(days=needed)


def _asked(line: ItemLine, instead: Mapping[int, int] | None) -> ItemLine:
    if instead is None or line.held is None:
        return line
    spools = line.held.terms.bought(instead.get(line.held.terms.offer_id, 0))
    return replace(line, spools=spools, price_minor=line.held.terms.price_at(max(spools, 1)))


def _suppliers(
    session: Session, planned: Plan, sellers: _Sellers, lines: Sequence[ItemLine], *, told: Standing
) -> tuple[SupplierPlan, ...]:
    named = select(col(Supplier.id), col(Supplier.name), col(Supplier.address), col(Supplier.lead_days))
    rows = {row.id: row for row in session.execute(named)}
    found = []
    for one in planned.sources:
        number, taken = sellers.ids[one.source], told.taking[sellers.ids[one.source]]
        theirs = [line for line in lines if line.spools and line.held and line.held.supplier_id == number]
        seller = sellers.sources[one.source].seller
        comes_to = bill([Bought(line.held.terms, line.spools) for line in theirs if line.held], seller)
        priced = [replace(line, price_minor=minor) for line, minor in zip(theirs, comes_to.prices_minor, strict=True)]
        days = [line.told.needed_days for line in theirs if line.told.needed_days is not None]
        needed = min(days, default=None)
        found.append(
            SupplierPlan(
                supplier_id=number,
                name=rows[number].name,
                address=rows[number].address,
                is_due=bool(theirs),
                bill=comes_to if theirs else None,
                terms=seller,
                waiting_minor=one.cycle.waiting_minor,
                worth_minor=one.cycle.worth_minor,
                cut=one.cycle.cut,
                next_on=None if one.next_days is None else told.today + timedelta(days=one.next_days),
                comes=_between(sellers.arrivals[one.source], told.today),
                said_lead=rows[number].lead_days is not None or bool(taken.came),
                outcomes=one.outcomes,
                needed_by=None if needed is None else told.today + timedelta(days=needed),
                lines=tuple(sorted(priced, key=_urgent_first)),
            )
        )
    return tuple(sorted(found, key=lambda one: one.name))


def _urgent_first(line: ItemLine) -> tuple[float, str]:
    return -line.told.chance_week, line.item.name


def _between(comes: Chances, today: date) -> tuple[date, date] | None:
    whole = np.cumsum(comes)
    if whole[-1] < _BETWEEN[1]:
        return None
    low, high = (today + timedelta(days=int(np.searchsorted(whole, one))) for one in _BETWEEN)
    return low, high
