"""The large workshop's last day, through the services that a person uses: what comes late, waits, or is taken back.

`large_workshop` calls it once the two years are written.
"""

from collections.abc import Callable
from datetime import datetime, timedelta
from itertools import count
from typing import TypeVar

from sqlalchemy import select
from sqlalchemy.orm import Session
from sqlmodel import col

from spoolkeep.domain.codes import CodeKind
from spoolkeep.domain.words import OrderState, Outcome
from spoolkeep.services import jobs, orderplan, orders, spools, standby, stops, undoing
from spoolkeep.services.jobs import FeedGrams, JobReport
from spoolkeep.services.orders import Wanted
from spoolkeep.services.shop import code_text
from spoolkeep.store.acts import By
from spoolkeep.store.engine import Store
from spoolkeep.store.seeds import FIRST_ACTOR
from spoolkeep.store.tables import Balance, Feed, Loading, Spool

T = TypeVar("T")
LATE = timedelta(days=3)


class LastDay:
    """One person's day, each act in its own write."""

    def __init__(self, store: Store, now: datetime) -> None:
        self.store, self.now = store, now
        self._keys = count(1)
        with store.read() as session:
            self.loaded = _loaded(session)
            self.free = _free(session)

    def by(self) -> By:
        """Give who does it, with a key of its own."""
        return By(actor_id=FIRST_ACTOR, key=f"large-last-{next(self._keys)}")

    def do(self, what: Callable[[Session], T]) -> T:
        """Give what a service answers, in one write."""
        with self.store.write() as session:
            return what(session)

    def plan(self, number: int, *, start: bool) -> None:
        """Plan a job on a feed, and let it run."""
        feed, spool = self.loaded[number % len(self.loaded)]
        due_at = self.now + timedelta(hours=number % 60 - 6)
        grams = (FeedGrams(mg=40_000 + number % 9 * 25_000, feed_id=feed.id),)
        report = JobReport(title=f"Lot {number + 1}", machine_id=feed.machine_id, grams=grams, due_at=due_at)
        planned = self.do(lambda s: jobs.plan_job(session=s, now=self.now, by=self.by(), report=report))
        if start:
            self.do(lambda s: jobs.start_job(session=s, now=self.now, by=self.by(), job_id=planned.job_id))
        del spool

    def tell_late(self, number: int) -> int:
        """Report a job that ended days ago; give its act."""
        feed, _ = self.loaded[number * 7 % len(self.loaded)]
        grams = (FeedGrams(mg=3_000 + number * 100, feed_id=feed.id),)
        report = JobReport(title=f"Told late {number + 1}", machine_id=feed.machine_id, grams=grams)
        return self.do(
            lambda s: jobs.report_job(
                session=s,
                now=self.now,
                by=self.by(),
                report=report,
                outcome=Outcome.GOOD,
                ended_at=self.now - LATE,
            )
        ).act_id

    def draw_openly(self, number: int) -> None:
        """Report a job of which the item is known and the spool is not."""
        _, spool = self.loaded[number * 5 % len(self.loaded)]
        report = JobReport(
            title=f"From some shelf {number + 1}",
            machine_id=None,
            grams=(FeedGrams(mg=12_000, article_id=spool.article_id),),
        )
        self.do(lambda s: jobs.report_job(session=s, now=self.now, by=self.by(), report=report, outcome=Outcome.GOOD))

    def weigh(self, number: int) -> None:
        """Weigh a spool that is in use."""
        _, spool = self.loaded[number * 3 % len(self.loaded)]
        code = code_text(CodeKind.SPOOL, spool.serial)
        gross_mg = (spool.tare_mg or 0) + 300_000 + number * 1_000
        self.do(
            lambda s: spools.weigh(
                session=s, now=self.now, by=self.by(), spool_code=code, gross_mg=gross_mg, at=self.now - LATE / 2
            )
        )

    def stand_by(self, number: int) -> None:
        """Let a spool off the shelf wait on a feed."""
        feed, _ = self.loaded[number]
        codes = code_text(CodeKind.SPOOL, self.free[number].serial), code_text(CodeKind.FEED, feed.serial)
        self.do(
            lambda s: standby.stand_by(session=s, now=self.now, by=self.by(), spool_code=codes[0], feed_code=codes[1])
        )

    def stop(self, number: int) -> None:
        """Write down that a machine stood still."""
        feed, spool = list({feed.machine_id: (feed, spool) for feed, spool in self.loaded}.values())[number]
        began = self.now - timedelta(hours=9 + number)
        ended = None if number % 3 else began + timedelta(hours=4)
        self.do(
            lambda s: stops.book_stop(
                session=s,
                now=self.now,
                by=self.by(),
                machine_id=feed.machine_id,
                from_at=began,
                until_at=ended,
                article_id=spool.article_id,
            )
        )

    def take_back(self, act_id: int) -> int:
        """Undo an act; give the act that did."""
        return self.do(lambda s: undoing.undo_act(session=s, now=self.now, by=self.by(), act_id=act_id)).act_id

    def order(self, most: int) -> None:
        """Draft orders of what is due, and send every second."""
        with self.store.read() as session:
            plan = orderplan.view(session=session, now=self.now)
        wanted = [Wanted(one.held.terms.offer_id, one.spools) for one in plan.now if one.held][:most]
        if not wanted:
            return
        made = self.do(lambda s: orders.draft(session=s, now=self.now, by=self.by(), wanted=wanted))
        for order_id in made.order_ids[::2]:
            self._send(order_id)

    def _send(self, order_id: int) -> None:
        self.do(
            lambda s: orders.move_on(session=s, now=self.now, by=self.by(), order_id=order_id, state=OrderState.SENT)
        )


def keep_busy(store: Store, *, now: datetime, machines: int) -> None:
    """Do a day's odd work in a workshop of so many machines."""
    day = LastDay(store, now)
    for number in range(machines):
        day.plan(number, start=number % 3 == 0)
    late = [day.tell_late(number) for number in range(max(3, machines // 5))]
    for number in range(max(2, machines // 10)):
        day.draw_openly(number)
        day.weigh(number)
    for number in range(min(len(day.free), max(1, machines // 8))):
        day.stand_by(number)
    for number in range(max(1, machines // 25)):
        day.stop(number)
    undone = [day.take_back(act_id) for act_id in late[::2]]
    for act_id in undone[::2]:
        day.take_back(act_id)
    day.order(20)


def _loaded(session: Session) -> list[tuple[Feed, Spool]]:
    query = (
        select(Feed, Spool)
        .join(Loading, col(Loading.feed_id) == col(Feed.id))
        .join(Spool, col(Spool.id) == col(Loading.spool_id))
        .where(col(Loading.until_at).is_(None))
        .order_by(col(Feed.id))
    )
    return [(feed, spool) for feed, spool in session.execute(query)]


def _free(session: Session) -> list[Spool]:
    """Give spools on shelves that nobody opened yet."""
    query = (
        select(Spool)
        .join(Balance, col(Balance.spool_id) == col(Spool.id))
        .where(col(Balance.left_mg) > 0, col(Spool.opened_on).is_(None))
        .order_by(col(Spool.id).desc())
        .limit(100)
    )
    return list(session.scalars(query))
