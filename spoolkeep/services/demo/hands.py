"""The hands that book what happens in the demo workshop, through the same services as a person uses.

The demo's days call them. Each act has a key of its own by day and number, so that a day lived twice books once.
"""

from collections.abc import Callable, Mapping, Sequence
from datetime import date, datetime, timedelta
from typing import TypeVar

from sqlalchemy import select
from sqlalchemy.orm import Session
from sqlmodel import col

from spoolkeep.domain.errors import Refusal
from spoolkeep.domain.units import minor_from_major
from spoolkeep.domain.words import Kind, OrderState, Outcome, TakingsKind
from spoolkeep.services import (
    bench,
    catalogue,
    choices,
    deliveries,
    foresight,
    jobs,
    machines,
    orderbook,
    orders,
    reels,
    setup,
    spools,
    standby,
    stops,
    suppliers,
    takings,
    tokens,
)
from spoolkeep.services.catalogue import OfferEntry, ProductEntry, SupplierEntry
from spoolkeep.services.deliveries import Arrived
from spoolkeep.services.demo.crew import Crew
from spoolkeep.services.demo.described import (
    WEEKDAYS,
    ArticleRow,
    Event,
    MachineRow,
    OfferRow,
    PlaceRow,
    ProductRow,
    SupplierRow,
)
from spoolkeep.services.demo.truth import Run, TrueOrder, TrueSpool, Truth
from spoolkeep.services.jobs import FeedGrams, JobReport
from spoolkeep.services.machines import MachineEntry
from spoolkeep.services.orders import Wanted
from spoolkeep.services.shop import Settings
from spoolkeep.services.takings import Taken
from spoolkeep.store.acts import By
from spoolkeep.store.seeds import FIRST_ACTOR
from spoolkeep.store.tables import (
    Article,
    Balance,
    Channel,
    Colour,
    Feed,
    Machine,
    Material,
    Place,
    Product,
    Spool,
    Station,
    Supplier,
)

T = TypeVar("T")
FIRST_KEY = "demo settings"
_STEP = timedelta(seconds=15)
_CENTS = 2
_MG = 1000
_AT_HAND = (Feed, Machine, Article, Material, Colour, Place, Station, Product, Channel, Supplier)


class Hands:
    """People at work, in one transaction. `careful` hands write down what the books refuse, and go on.

    What is done on the floor is booked at the station, with the name of who is there; what is done at the desk by the
    owner, who is signed in.
    """

    def __init__(self, session: Session, truth: Truth, crew: Crew, *, careful: bool) -> None:
        self._session = session
        self._truth = truth
        self._crew = crew
        self._careful = careful
        self._day = ""
        self._acts = 0
        self._who: int | None = None
        self.at_hand: list[Sequence[object]] = [session.scalars(select(model)).all() for model in _AT_HAND]
        """Rows that every act asks for, held so that they are read once."""
        self._hold_spools()

    def _hold_spools(self) -> None:
        there = select(Spool, Balance).join(Balance, col(Balance.spool_id) == col(Spool.id))
        self.at_hand.append(self._session.execute(there.where(col(Balance.left_mg) > 0)).all())

    def begin(self, day: date) -> None:
        """Begin a shop day."""
        self._day, self._acts = day.isoformat(), 0
        self._who = self._crew.at_bench.get(WEEKDAYS[day.weekday()])

    def leave(self, now: datetime) -> None:
        """Note when the station was last used: one that nobody uses for a season signs itself out."""
        tokens.note_use(session=self._session, now=now, token_id=self._crew.token_id)

    def _desk(self, what: Callable[[By], T]) -> T | None:
        """Book what the owner does."""
        return self._book(what, By(self._crew.owner_id, self._next_key()))

    def _floor(self, what: Callable[[By], T]) -> T | None:
        """Book what whoever is at the bench does."""
        crew = self._crew
        return self._book(what, By(FIRST_ACTOR, self._next_key(), crew.station_id, crew.token_id, self._who))

    def _next_key(self) -> str:
        self._acts += 1
        return f"demo {self._day} {self._acts}"

    def _book(self, what: Callable[[By], T], by: By) -> T | None:
        """Give what a service answers; None where it refused and the hands are careful."""
        if not self._careful:
            return what(by)
        try:
            with self._session.begin_nested():
                return what(by)
        except Refusal as refusal:
            self._truth.refused.append(f"{self._day}: {refusal.words}")
            return None

    # the workshop's things

    def set_up(self, settings: Settings, now: datetime) -> None:
        """Enter the settings."""
        by = By(self._crew.owner_id, FIRST_KEY)
        setup.set_up(session=self._session, now=now, by=by, settings=settings)

    def add_machine(self, row: MachineRow, now: datetime) -> None:
        """Add a machine, and remember its number and those of its feeds."""
        s, numbers = self._session, self._truth.numbers
        made = self._desk(lambda by: catalogue.add_machine(session=s, now=now, by=by, name=row.name, feeds=row.feeds))
        if made is None:
            return
        numbers.machines[row.name] = made.row_id
        entry = MachineEntry(
            largest_reel_mm=row.largest_reel_mm,
            enclosed=row.closed_in,
            hardened_nozzle=row.hardened,
            runout_sensor=row.holder,
            cardboard_reels=True,
            self_starting=False,
            switches=row.holder,
            earns_minor_per_hour=None,
        )
        number = made.row_id
        self._desk(lambda by: machines.describe(session=s, now=now, by=by, machine_id=number, entry=entry))
        query = select(Feed).where(col(Feed.machine_id) == made.row_id).order_by(col(Feed.position))
        for feed in s.scalars(query).all():
            numbers.feeds[f"{row.name}/{feed.position}"] = feed.id
            self.at_hand.append([feed])
        labels = [one.code for one in choices.feeds(session=s) if one.name.rsplit(",", 1)[0] == row.name]
        numbers.feed_codes |= {f"{row.name}/{position}": code for position, code in enumerate(labels, start=1)}

    def add_place(self, row: PlaceRow, now: datetime) -> None:
        """Add a place, and how high it is."""
        s, numbers, high = self._session, self._truth.numbers, row.height_cm * 10
        made = self._desk(lambda by: catalogue.add_place(session=s, now=now, by=by, name=row.name, kind=row.kind))
        if made:
            number = numbers.places[row.name] = made.row_id
            self._desk(lambda by: machines.set_height(session=s, now=now, by=by, place_id=number, height_mm=high))
            labels = {one.name: one.code for one in choices.place_list(session=s)}
            numbers.place_codes[row.name] = labels[row.name]

    def add_item(self, row: ArticleRow, now: datetime) -> None:
        """Add an item."""
        s = self._session
        made = self._desk(
            lambda by: catalogue.add_article(
                session=s,
                now=now,
                by=by,
                material=row.material,
                colour=row.colour,
                finish=row.finish,
                srgb=row.shade.split("/"),
            )
        )
        if made:
            self._truth.numbers.items[row.name] = made.row_id

    def add_supplier(self, row: SupplierRow, now: datetime) -> None:
        """Add a supplier."""
        entry = SupplierEntry(
            name=row.name,
            address=row.address,
            lead_days=row.lead_days,
            parcel_minor=minor_from_major(row.parcel, _CENTS, "parcel"),
            free_freight_minor=minor_from_major(row.free_from, _CENTS, "free_from") if row.free_from else None,
            lead_spread_days=row.spread_days,
            order_days=1 << WEEKDAYS.index(row.order_day),
        )
        made = self._desk(lambda by: catalogue.add_supplier(session=self._session, now=now, by=by, entry=entry))
        if made:
            self._truth.numbers.suppliers[row.name] = made.row_id
            self._tell_terms(row, made.row_id, now)

    def _tell_terms(self, row: SupplierRow, number: int, now: datetime) -> None:
        """Enter what a supplier takes off a basket, and when it closes."""
        s = self._session
        for count, off in row.basket_breaks:
            told = {"supplier_id": number, "from_spools": count, "off_ppm": off}
            self._desk(lambda by, told=told: suppliers.add_break(session=s, now=now, by=by, **told))  # type: ignore[misc]
        if row.closed_ahead is not None:
            first = self._truth.first_day + timedelta(days=self._truth.history_days + row.closed_ahead)
            last, why = first + timedelta(days=row.closed_for - 1), row.closed_why
            self._desk(
                lambda by: foresight.close(
                    session=s, now=now, by=by, from_day=first, until_day=last, why=why, supplier_id=number
                )
            )

    def add_offer(self, number: int, row: OfferRow, now: datetime) -> None:
        """Add an offer."""
        numbers = self._truth.numbers
        if row.supplier not in numbers.suppliers or row.item not in numbers.items:
            return
        entry = OfferEntry(
            supplier_id=numbers.suppliers[row.supplier],
            article_id=numbers.items[row.item],
            spool_mg=row.spool_g * _MG,
            price_minor=row.price_minor,
            their_number=row.their_number,
            retail_code=row.ean,
            tare_mg=None if row.tare_g is None else row.tare_g * _MG,
            pack=row.pack,
            breaks=row.price_breaks,
        )
        made = self._desk(lambda by: catalogue.add_offer(session=self._session, now=now, by=by, entry=entry))
        if made:
            numbers.offers[number] = made.row_id

    def withdraw_offer(self, number: int, now: datetime) -> None:
        """Withdraw an offer."""
        offer_id = self._truth.numbers.offers.get(number)
        if offer_id is not None:
            s = self._session
            self._desk(lambda by: catalogue.retire_offer(session=s, now=now, by=by, offer_id=offer_id))

    def add_product(self, row: ProductRow, now: datetime) -> None:
        """Add a product."""
        items = self._truth.numbers.items
        parts = tuple((items[item], round(grams * _MG)) for item, grams in row.grams.items())
        entry = ProductEntry(row.name, row.price_minor, parts)
        made = self._desk(lambda by: catalogue.add_product(session=self._session, now=now, by=by, entry=entry))
        if made:
            self._truth.numbers.products[row.name] = made.row_id

    def foresee(self, product: str, event: Event, first: date, last: date, *, now: datetime) -> None:
        """Enter that some days will ask so many times as much as usual of a product."""
        s, number = self._session, self._truth.numbers.products[product]
        told = foresight.Told(first, last, product_id=number, factor=event.times, why=event.why)
        self._desk(lambda by: foresight.tell(session=s, now=now, by=by, told=told))

    # spools

    def scan(self, spool: TrueSpool, other: str, now: datetime) -> None:
        """Scan a spool, then a feed's or a place's code."""
        self._scan(spool.code, now - _STEP)
        self._scan(other, now)

    def _scan(self, text: str, now: datetime) -> None:
        s = self._session
        self._floor(lambda by: bench.scan(session=s, now=now, by=by, text=text))

    def stand_by(self, spool: TrueSpool, feed: str, now: datetime) -> None:
        """Let a spool stand by on a feed."""
        s, code = self._session, self._truth.numbers.feed_codes[feed]
        self._floor(lambda by: standby.stand_by(session=s, now=now, by=by, spool_code=spool.code, feed_code=code))

    def ran_out(self, spool: TrueSpool, now: datetime) -> None:
        """Say that a spool ran out."""
        s = self._session
        self._floor(lambda by: standby.ran_out(session=s, now=now, by=by, spool_code=spool.code))

    def wind_on(self, spool: TrueSpool, emptied: TrueSpool, now: datetime) -> None:
        """Say that a refill was wound on the reel of an emptied spool."""
        s, reel = self._session, emptied.code
        self._floor(lambda by: reels.take_over_reel(session=s, now=now, by=by, spool_code=spool.code, reel_of=reel))

    def weigh(self, spool: TrueSpool, gross_mg: int, now: datetime) -> None:
        """Weigh a spool."""
        s = self._session
        self._floor(lambda by: spools.weigh(session=s, now=now, by=by, spool_code=spool.code, gross_mg=gross_mg))

    def count(self, spool: TrueSpool, left_mg: int, now: datetime) -> None:
        """Enter what a count says."""
        s = self._session
        self._floor(lambda by: spools.count(session=s, now=now, by=by, spool_code=spool.code, left_mg=left_mg))

    def give_up(self, spool: TrueSpool, kind: Kind, now: datetime) -> None:
        """Scrap a rest, or send a bad spool back."""
        s = self._session
        self._floor(lambda by: spools.give_up(session=s, now=now, by=by, spool_code=spool.code, kind=kind))

    # jobs

    def plan(self, product: ProductRow, pieces: int, *, due: datetime, now: datetime) -> int | None:
        """Plan a job; give its number."""
        items = self._truth.numbers.items
        report = JobReport(
            title=_title(product.name, pieces),
            machine_id=None,
            grams=tuple(
                FeedGrams(round(grams * pieces * _MG), article_id=items[item]) for item, grams in product.grams.items()
            ),
            product_id=self._truth.numbers.products.get(product.name),
            due_at=due,
            duration_s=product.minutes * pieces * 60,
        )
        planned = self._floor(lambda by: jobs.plan_job(session=self._session, now=now, by=by, report=report))
        return planned.job_id if planned else None

    def start(self, run: Run, machine: str, now: datetime) -> None:
        """Say that a planned job runs."""
        s, machine_id, job_id = self._session, self._truth.numbers.machines[machine], run.job_id
        if job_id is not None:
            self._floor(lambda by: jobs.start_job(session=s, now=now, by=by, job_id=job_id, machine_id=machine_id))

    def call_off(self, job_id: int, now: datetime) -> None:
        """Call off a job that nobody wants any more."""
        s = self._session
        outcome = Outcome.STOPPED
        self._floor(lambda by: jobs.end_job(session=s, now=now, by=by, job_id=job_id, outcome=outcome, grams=[]))

    def end(
        self, run: Run, machine: str, outcome: Outcome, *, told: Mapping[str, int], ended: datetime, now: datetime
    ) -> None:
        """Say how a run ended and what it drew on each feed, as far as anybody knows."""
        numbers = self._truth.numbers
        grams = tuple(FeedGrams(mg, feed_id=numbers.feeds[feed]) for feed, mg in told.items() if mg > 0)
        s, job_id = self._session, run.job_id
        if job_id is not None:
            self._floor(
                lambda by: jobs.end_job(
                    session=s, now=now, by=by, job_id=job_id, outcome=outcome, grams=grams, ended_at=ended
                )
            )
            return
        report = JobReport(
            title=_title(run.product, run.pieces),
            machine_id=numbers.machines[machine],
            grams=grams,
            product_id=numbers.products.get(run.product),
            started_at=run.started_at,
            duration_s=round(run.minutes * 60),
        )
        self._floor(
            lambda by: jobs.report_job(session=s, now=now, by=by, report=report, outcome=outcome, ended_at=ended)
        )

    def stop(self, machine: str, item: str, from_at: datetime, until_at: datetime) -> None:
        """Enter that a machine stood still for want of an item."""
        numbers = self._truth.numbers
        self._floor(
            lambda by: stops.book_stop(
                session=self._session,
                now=until_at,
                by=by,
                machine_id=numbers.machines[machine],
                from_at=from_at,
                until_at=until_at,
                article_id=numbers.items.get(item),
                why=f"no {item}",
            )
        )

    # trade

    def order(self, lines: Sequence[tuple[int, int]], now: datetime) -> tuple[int, tuple[int, ...]] | None:
        """Draft and send an order of offers and spools; give its number and those of its lines."""
        s = self._session
        wanted = [Wanted(self._truth.numbers.offers[offer], spools) for offer, spools in lines]
        drafted = self._desk(lambda by: orders.draft(session=s, now=now, by=by, wanted=wanted))
        if drafted is None:
            return None
        (order_id,) = drafted.order_ids
        sent, state = now + _STEP, OrderState.SENT
        self._desk(lambda by: orders.move_on(session=s, now=sent, by=by, order_id=order_id, state=state))
        view = orderbook.view(session=s, now=sent, order_id=order_id)
        return order_id, tuple(line.line_id for line in view.lines)

    def promise(self, order_id: int, day: date, now: datetime) -> None:
        """Enter the day for which a supplier promised an order."""
        s, state = self._session, OrderState.PROMISED
        self._desk(
            lambda by: orders.move_on(session=s, now=now, by=by, order_id=order_id, state=state, promised_for=day)
        )

    def deliver(
        self, arrived: Sequence[Arrived], *, order: TrueOrder | None, freight_minor: int, now: datetime
    ) -> tuple[str, ...]:
        """Book in what came; give the codes of its spools, none where it was refused."""
        book = self._floor if order else self._desk  # what the shop begins with is entered before anybody is there
        came = book(
            lambda by: deliveries.book_delivery(
                session=self._session,
                now=now,
                by=by,
                arrived=arrived,
                order_id=order.order_id if order else None,
                freight_minor=freight_minor,
            )
        )
        self._hold_spools()
        return came.spool_codes if came else ()

    def take(self, day: date, channel: str, amount_minor: int, kind: TakingsKind, *, now: datetime) -> None:
        """Enter takings of a day."""
        taken = Taken(shop_day=day, channel=channel, amount_minor=amount_minor, kind=kind)
        self._desk(lambda by: takings.enter(session=self._session, now=now, by=by, taken=[taken]))


def _title(product: str, pieces: int) -> str:
    return product if pieces == 1 else f"{product} x{pieces}"
