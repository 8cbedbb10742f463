"""One supplier's items and its order of today: how much of each, what it comes to, and what it does.

The order plan calls it for each supplier. It must not know a clock, or other suppliers.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from spoolkeep.domain.dated import Turned, Way, Weighed, to_come, turned
from spoolkeep.domain.planned import After, Case, Cause, House, Line, Lot, Outcome, Source, SourcePlan, State, Turns
from spoolkeep.domain.replenish import Chance, Cycle, Deal, Packs, Reach, ahead, best_cycle
from spoolkeep.domain.shortfall import Floats, Pile, Whole, chance_above
from spoolkeep.domain.terms import MOST_SPOOLS, PPM, Bill, Bought, OfferTerms, SellerTerms, bill

WEEK, MONTH = 7, 30
_CAUSE = 0.2
"""From which share of what makes an order worth it an item is called a cause of it. Source: our own choice."""
_LIKELY = 0.5
_SHOWN = 12
_NEEDED_AT = 0.1
"""At which chance that an item has run out an order is called too late. Source: our own choice."""
_FAR = 60
"""Beyond so many days an order-by day is not worth naming. Source: our own choice."""
_ROUNDED = 0.25
"""Of the least lot, what lies beyond need as orders come to whole packs, up or down. Source: our own, by trial."""
_TIMES = {Case.MORE: 4 / 3, Case.LESS: 3 / 4}


@dataclass(frozen=True)
class Limits:
    """What of budget and room is left; None without a limit."""

    budget_minor: int | None
    room_spools: int | None

    def hold(self, its_bill: Bill, spools: float) -> bool:
        """Tell whether an order passes neither."""
        is_paid = self.budget_minor is None or its_bill.total_minor <= self.budget_minor
        return is_paid and (self.room_spools is None or spools <= self.room_spools)

    def less(self, done: "Ordered") -> "Limits":
        """Give what is left after an order."""
        if not done.is_due:
            return self
        spools = int(done.spools.sum())
        budget = None if self.budget_minor is None else max(0, self.budget_minor - done.bill.total_minor)
        room = None if self.room_spools is None else max(0, self.room_spools - spools)
        return Limits(budget, room)


def rates(lot: Lot, pace: float, house: House, *, off_ppm: int = 0) -> tuple[float, float, float]:
    """Give what an item costs a day on a lot, what a milligram that lies costs a day, and the price of a milligram.

    `off_ppm` is what the supplier's usual basket takes off.
    """
    terms = lot.terms
    pack_mg = terms.pack * terms.spool_mg
    spools = max(terms.first_spools, round(pace * MONTH / pack_mg) * terms.pack)
    price = terms.price_at(spools) / terms.spool_mg * (1.0 - off_ppm / PPM)
    holding = price * house.carry_a_day + house.room_minor_a_day / terms.spool_mg
    goods = pace * (price + lot.beside_minor_per_kg / 1e6) + holding * terms.first_spools * terms.spool_mg * _ROUNDED
    return goods, holding, price


@dataclass(frozen=True)
class Ordered:
    """One supplier's items, and its order."""

    pile: Pile
    lots: Sequence[Lot]
    source: Source
    house: House
    packs: Packs
    cycle: Cycle
    ways: Sequence[Sequence[Way]]
    turned: Turned
    """The order as the prices to come leave it."""
    is_due: bool

    @classmethod
    def of(
        cls,
        pile: Pile,
        lots: Sequence[Lot],
        source: Source,
        house: House,
        *,
        left: Limits,
        ways: Sequence[Sequence[Way]],
    ) -> "Ordered":
        """Weigh one supplier's order of its items, within what is left of the limits.

        `ways` are those in which each item can be bought in time, the lot's first; none where no price has a date.
        """
        packs = _packs_of(lots, pile, house)
        parcel = source.seller.parcel_minor
        next_look = max(house.review_days, source.every_days)
        chance = Chance(source.serves, house.order_minor + parcel, next_look, house.most_days)
        deal = _deal(lots, source.seller, pile, packs, house=house, left=left)
        cycle = best_cycle(pile, packs, chance, deal)
        found = turned(Weighed(pile, packs, chance, deal, cycle, ways))
        waits = source.idle_days >= house.review_days and not any(one.ahead_packs for one in found.turns.values())
        is_due = found.is_due and bool(found.packs.any()) and not waits
        return cls(pile, lots, source, house, packs, cycle, ways, found, is_due)

    @property
    def next_look(self) -> int:
        """Give the days until an order after one of today can be placed and taken."""
        return max(self.house.review_days, self.source.every_days)

    @property
    def spools(self) -> Whole:
        """Give the spools of each item, were it ordered now."""
        return np.rint(self.turned.packs * self.packs.spools).astype(np.intp)

    @property
    def bill(self) -> Bill:
        """Give what the order comes to."""
        return _bill(self.lots, self.spools, self.source.seller)

    @property
    def added(self) -> Floats:
        """Give what is put to each item today."""
        return self.turned.packs * self.packs.mg * self.is_due

    @property
    def next_days(self) -> int | None:
        """Give in how many days the next order is expected."""
        losses = self.pile.chances(self.added) * self.pile.lost[:, None]
        waits = ahead(losses, self.source.serves).sum(axis=0)
        barred = (ahead(self.pile.chances(self.added), self.source.serves) > self.pile.risk[:, None]).any(axis=0)
        due = np.flatnonzero((waits >= self.cycle.worth_minor) | barred)
        waited = [turn.waits_days for turn in self.turned.turns.values() if turn.way.source == self.lots[0].source]
        days = [one for one in waited if one is not None]
        if len(due):
            later = int(due[0]) // self.next_look * self.next_look
            soonest = self.next_look if self.is_due else self.house.review_days
            days.append(max(self.source.idle_days + later, soonest))
        return min(days, default=None)

    def told(self, number: int) -> SourcePlan:
        """Give what the plan says of this supplier."""
        outcomes = tuple(_outcome(self, case) for case in Case) if self.is_due else ()
        its_bill = self.bill if self.is_due else None
        return SourcePlan(number, self.is_due, its_bill, self.cycle, self.next_days, outcomes)

    def lines(self, rows: Whole, passed_over: Sequence[Lot | None]) -> list[Line]:
        """Give how each item stands."""
        daily = self.pile.chances()
        before = ahead(ever(daily), self.source.serves, before=True)
        waits = ahead(daily, self.source.serves)
        by = self._order_by(waits, before)
        held_for = lasts(self.pile, np.zeros(len(rows)))
        needed = needed_by(daily)
        after = self._after(_next_serves(self.next_days, self.cycle.days))
        spools = self.spools * self.is_due
        turns = [self._turn(at) for at in range(len(rows))]
        by = [self._by(at, told, turns[at], spools=int(spools[at])) for at, told in enumerate(by)]
        months = self.pile.mean[:, MONTH] / MONTH
        return [
            Line(
                item=int(rows[at]),
                state=State.NOW if spools[at] else _state(by[at], turns[at]),
                lot=self.lots[at],
                spools=int(spools[at]),
                cause=self._cause(at, waits[at, : self.next_look], before[at, 0]) if spools[at] else None,
                raised=bool(spools[at]) and bool(self.cycle.packs[at] > self.cycle.needed[at]),
                chance_now=float(before[at, 0]),
                chance_week=float(before[at, WEEK]),
                order_by_days=by[at],
                needed_days=needed[at],
                lasts_days=int(held_for[at]),
                daily=float(months[at]),
                after=after[at],
                passed_over=passed_over[at],
                turn=turns[at],
            )
            for at in range(len(rows))
        ]

    def _order_by(self, waits: Floats, before: Floats) -> list[int | None]:
        """Give in how many days each is to be ordered at the latest, were it ordered alone, when orders are taken.

        What has likely run out before it comes is late, whatever it costs.
        """
        worth = max(self.cycle.worth_minor, 1e-9)
        late = (waits * self.pile.lost[:, None] >= worth) | (waits > self.pile.risk[:, None]) | (before >= _LIKELY)
        idle, every = self.source.idle_days, self.source.every_days
        return [idle + max(int(row.argmax()) - 1, 0) // every * every if row.any() else None for row in late]

    def _cause(self, at: int, waits: Floats, before: float) -> Cause:
        if before >= _LIKELY:
            return Cause.LATE
        if waits.max() > self.pile.risk[at]:
            return Cause.RISK
        if self.pile.lost[at] * waits.mean() >= _CAUSE * self.cycle.worth_minor:
            return Cause.DUE
        turn = self.turned.turns.get(at)
        return Cause.ENDS if turn is not None and turn.ahead_packs else Cause.JOINS

    def _by(self, at: int, by: int | None, turn: Turns | None, *, spools: int) -> int | None:
        """Give in how many days an item is to be ordered: at the better price that it waits for, while it is sold."""
        if turn is not None and turn.waits_days is not None and not spools:
            return turn.waits_days
        last = self.ways[at][0].until_days if self.ways[at] else None
        if by is None or by > _FAR or last is None:
            return by
        goes_on = any(one.from_days <= last + 1 and (one.until_days or by) > last for one in self.ways[at][1:])
        return by if goes_on else min(by, last)

    def _turn(self, at: int) -> Turns | None:
        turn = self.turned.turns.get(at)
        if turn is None or (turn.ahead_packs and not self.is_due):
            told = to_come(self.ways[at]) if self.ways[at] else None
            return None if told is None else Turns(told.offer_id, 0.0, 0, None)
        ahead_spools = round(turn.ahead_packs * float(self.packs.spools[at]))
        return Turns(turn.way.offer_id, turn.spared_minor, ahead_spools, turn.waits_days)

    def _after(self, next_serves: int) -> list[tuple[After, ...]]:
        """Give what several numbers of spools do, of each item: none, up to twice as many as are bought, in packs."""
        most = np.maximum(self.turned.packs * self.is_due * 2, self.packs.first + 2)
        step = np.maximum(np.ceil(most / _SHOWN), 1.0)
        counts = step[:, None] * np.arange(_SHOWN + 1)
        counts = np.where(counts > 0, np.maximum(counts, self.packs.first[:, None]), 0.0)
        counts = np.sort(np.concatenate([counts, (self.turned.packs * self.is_due)[:, None]], axis=1), axis=1)
        added = counts * self.packs.mg[:, None]
        cases, weights = Chance(self.source.serves, 0.0).cases
        chances = self.pile.chances_on(cases + next_serves - 1, added) @ weights
        covers = np.stack([lasts(self.pile, added[:, at]) for at in range(added.shape[1])], axis=1)
        spools = np.rint(counts * self.packs.spools[:, None]).astype(int)
        return [
            tuple(
                {
                    int(many): After(int(many), float(chances[row, at]), int(covers[row, at]))
                    for at, many in enumerate(spools[row])
                }.values()
            )
            for row in range(len(self.lots))
        ]


def _next_serves(next_days: int | None, cycle_days: int) -> int:
    return cycle_days if next_days is None else next_days


def ever(daily: Floats) -> Floats:
    """Give the chance that each item has run out at all by each day: what comes later does not undo it.

    At least that of its worst day: the days lean on each other.
    """
    return np.asarray(np.maximum.accumulate(daily, axis=1))


def needed_by(daily: Floats) -> list[int | None]:
    """Give in how many days at the latest something must come of each item, by its chances of being out."""
    return [max(int(row.argmax()) - 1, 0) if row.any() else None for row in daily > _NEEDED_AT]


def _state(by: int | None, turn: Turns | None) -> State:
    waits = turn is not None and turn.waits_days is not None
    return State.BY if waits or (by is not None and by <= _FAR) else State.ENOUGH


def _packs_of(lots: Sequence[Lot], pile: Pile, house: House) -> Packs:
    pace = pile.mean[:, -1] / pile.days
    told = [rates(lot, pace[at], house) for at, lot in enumerate(lots)]
    terms = [lot.terms for lot in lots]
    spools = np.array([one.pack for one in terms], dtype=np.float64)
    mg = spools * np.array([one.spool_mg for one in terms], dtype=np.float64)
    first = np.array([one.first_spools / one.pack for one in terms], dtype=np.float64)
    return Packs(mg, first, mg * [price for _, _, price in told], spools, np.array([one[1] for one in told]))


def _bill(lots: Sequence[Lot], spools: Whole, seller: SellerTerms) -> Bill:
    return bill([Bought(lot.terms, int(many)) for lot, many in zip(lots, spools, strict=True) if many], seller)


def _deal(lots: Sequence[Lot], seller: SellerTerms, pile: Pile, packs: Packs, *, house: House, left: Limits) -> Deal:
    """Give what bears on an order of one supplier: parcel, breaks, baskets, least order, budget and room."""
    usual = packs.minor / packs.mg
    pace = pile.mean[:, -1] / pile.days

    told: dict[bytes, Bill] = {}

    def whole(wanted: Floats) -> Bill:
        key = wanted.tobytes()
        if key not in told:
            told[key] = _bill(lots, np.rint(wanted * packs.spools).astype(np.intp), seller)
        return told[key]

    def costs(wanted: Floats) -> float:
        return house.order_minor + whole(wanted).freight_minor

    def dearer(wanted: Floats) -> float:
        rows = np.flatnonzero(wanted > 0)
        sizes = np.array([lots[at].terms.spool_mg for at in rows.tolist()], dtype=np.float64)
        return float(pace[rows] @ (np.array(whole(wanted).prices_minor) / sizes - usual[rows])) if len(rows) else 0.0

    with_breaks = [at for at, lot in enumerate(lots) if lot.terms.breaks]
    most = np.floor(MOST_SPOOLS / packs.spools)

    def raised(wanted: Floats, days: int) -> Floats:
        found = np.minimum(wanted, most)
        for at in with_breaks:
            more = _to_a_break(
                lots[at].terms, float(wanted[at]), days=days, holding=float(packs.holding[at]), pace=float(pace[at])
            )
            covers = (pile.held[at, 0] + more * packs.mg[at]) <= house.most_days * pace[at]
            if most[at] >= more > found[at] and covers:
                found = found.copy() if found is wanted else found
                found[at] = more
        return found

    surely = np.array([lot.terms.pack * lot.terms.least_minor for lot in lots]) * (1.0 - seller.most_off_ppm / PPM)
    may = [Reach(packs.spools, float(from_spools)) for from_spools, _ in seller.basket]
    if seller.free_from_minor is not None and seller.parcel_minor:
        may += [Reach(each, float(seller.free_from_minor)) for each in (packs.minor, surely)]
    must = (Reach(surely, float(seller.least_minor)),) if seller.least_minor else ()
    return Deal(
        costs=costs,
        dearer=dearer,
        raised=raised,
        may=tuple(may),
        must=must,
        taken=lambda wanted: whole(wanted).goods_minor >= seller.least_minor,
        goods=lambda wanted: float(whole(wanted).goods_minor),
        fits=lambda wanted: left.hold(whole(wanted), float(packs.spools @ wanted)),
    )


def _to_a_break(terms: OfferTerms, packs: float, *, days: int, holding: float, pace: float) -> float:
    """Give the packs of a break that costs less than what is wanted now and the rest later at this price, else these.

    What is bought ahead lies through the order's days, and half of what it lasts.
    """
    spools = round(packs * terms.pack)
    best, spared = packs, 0.0
    if not spools or pace <= 0:
        return packs
    price = terms.price_at(spools)
    for from_spools, cheaper in terms.breaks:
        many = -(-from_spools // terms.pack) * terms.pack
        if many <= spools:
            continue
        more_days = (many - spools) * terms.spool_mg / pace
        lies = holding * (many - spools) * terms.spool_mg * (days + more_days / 2)
        saves = many * (price - cheaper) - lies
        if saves > spared:
            best, spared = many / terms.pack, saves
    return best


def lasts(pile: Pile, added: Floats) -> Whole:
    """Give for how many days what is held and added lasts as likely as not, as days of stock are told, (items,)."""
    over = pile.middle > pile.held + added[:, None]
    return np.asarray(np.where(over.any(axis=1), over.argmax(axis=1) - 1, pile.days), dtype=np.intp)


def _outcome(done: Ordered, case: Case) -> Outcome:
    """Give what comes of an order until the one after it serves, if it comes as the case says."""
    times = _TIMES.get(case, 1.0)
    late = WEEK if case is Case.LATE else 0
    pile, serves = done.pile, done.source.serves
    middle = round(float(np.arange(len(serves)) @ serves))
    ends = min(middle + done.cycle.days, pile.days)
    comes = np.concatenate([np.zeros(late), np.cumsum(serves)])[: ends + 1]
    mean, variance = pile.mean * times, pile.variance * times**2
    without = chance_above(mean, variance, pile.held)[:, : ends + 1]
    having = chance_above(mean, variance, pile.held + done.added[:, None])[:, : ends + 1]
    out = (1.0 - comes) * without + comes * having
    lies = np.maximum(pile.held[:, : ends + 1] + comes * done.added[:, None] - mean[:, : ends + 1], 0.0)
    lost = float((pile.lost @ out)[1:].sum())
    return Outcome(case, lost, float((done.packs.holding @ lies)[1:].sum()), float(out[:, 1:].sum()))
