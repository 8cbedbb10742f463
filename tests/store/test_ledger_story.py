"""Whole histories, made up by Hypothesis, held against a plain model that knows nothing of the ledger's code."""

import itertools
import os
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta
from fractions import Fraction
from pathlib import Path
from typing import Any

import hypothesis.strategies as st
from hypothesis import HealthCheck, settings
from hypothesis.stateful import RuleBasedStateMachine, invariant, precondition, rule, run_state_machine_as_test
from sqlalchemy import func, select
from sqlmodel import col

from spoolkeep.domain.codes import CodeKind
from spoolkeep.domain.errors import Conflict, NotFound
from spoolkeep.domain.words import Kind, Outcome
from spoolkeep.services import finding, joblist, jobs, spools, undoing
from spoolkeep.services.jobs import FeedGrams, JobReport
from spoolkeep.services.loadings import around_of, load
from spoolkeep.services.shop import code_text, next_serials
from spoolkeep.store.acts import once
from spoolkeep.store.engine import Store, open_store
from spoolkeep.store.journal import create
from spoolkeep.store.ledger import Event, book
from spoolkeep.store.proof import differences
from spoolkeep.store.tables import Act, Balance, Line, Movement, Spool
from tests.conftest import NOW
from tests.workshop import TestWorkshop, by

IN, OUT = {"opening", "delivery", "found"}, {"draw", "scrap", "return", "write-off"}
LAST_AT_A_MOMENT = {
    "found": 1,
    "draw": 2,
    "weighing": 3,
    "count": 3,
    "scrap": 4,
    "return": 4,
    "write-off": 4,
    "cost": 5,
}


@dataclass(frozen=True)
class Told:
    """One event as it was told to the books."""

    number: int
    act: int
    spool: int
    kind: str
    at: datetime
    tie: str
    amount: int | None
    level: int | None
    cost: int

    @property
    def place(self) -> tuple[int, datetime, int, str]:
        """Give where it stands in its spool's life."""
        receipt = self.kind in {"opening", "delivery"}
        return (0 if receipt else 1, self.at, LAST_AT_A_MOMENT.get(self.kind, 0), self.tie)


def model(told: list[Told]) -> tuple[dict[int, int], dict[int, int], Counter[tuple[int, str, Any]]]:
    """Give what is left and its value by spool, and the sums by spool, kind and day, from the events that stand."""
    left: dict[int, int] = {}
    received: Counter[int] = Counter()
    cost: Counter[int] = Counter()
    sums: Counter[tuple[int, str, Any]] = Counter()
    for one in sorted(told, key=lambda event: event.place):
        before = left.get(one.spool, 0)
        if one.kind in {"opening", "delivery"}:
            received[one.spool] += one.amount or 0
        cost[one.spool] += one.cost
        change = (one.level - before) if one.level is not None else (one.amount or 0)
        turned_up = max(0, -(before + change))
        left[one.spool] = before + change + turned_up
        sums[one.spool, one.kind, one.at.date()] += change
        sums[one.spool, "found", one.at.date()] += turned_up
    value = {
        spool: int(Fraction(cost[spool] * min(mg, received[spool]), received[spool]) + Fraction(1, 2))
        for spool, mg in left.items()
        if received[spool]
    }
    return left, value, sums


class LedgerStory(RuleBasedStateMachine):
    """A workshop's days in any order, with undos and redos in between."""

    def __init__(self, store: Store) -> None:
        super().__init__()
        self.store = store
        self.shop = TestWorkshop(self.store, NOW)
        self.codes: list[str] = []
        self.acts: list[int] = []
        self.stands: dict[int, bool] = {}
        self.undid: dict[int, int] = {}

    def teardown(self) -> None:
        """Close the book."""
        self.store.close()

    def _later(self) -> datetime:
        self.shop.now += timedelta(hours=1)
        return self.shop.now

    def _told(self, act: int) -> None:
        self.acts.append(act)
        self.stands[act] = True

    def _code(self, pick: int) -> str:
        return self.codes[pick % len(self.codes)]

    @rule(spools_in=st.integers(1, 2), article=st.integers(0, 1), price=st.integers(0, 2500))
    def deliver(self, spools_in: int, article: int, price: int) -> None:
        """A parcel comes."""
        self._later()
        self.codes += self.shop.deliver(spools_in, article=article, price_minor=price)
        with self.store.read() as session:
            self._told(session.scalars(select(func.max(col(Act.id)))).one() or 0)

    @rule(mg=st.integers(1, 1_200_000), cost=st.integers(0, 2500), article=st.integers(0, 1))
    def open_books(self, mg: int, cost: int, article: int) -> None:
        """A spool that was there before the books is entered."""
        now = self._later()
        with self.store.write() as session:

            def do(act: Act) -> int:
                serial = next_serials(session, CodeKind.SPOOL)[0]
                made = Spool(
                    serial=serial, article_id=self.shop.articles[article], tare_mg=200_000, received_on=now.date()
                )
                spool = create(session, act, made)
                event = Event(kind=Kind.OPENING, occurred_at=now, spool_id=spool.id, asked_mg=mg, cost_minor=cost)
                book(session, act, [event])
                self.codes.append(code_text(CodeKind.SPOOL, serial))
                return act.id

            self._told(once(session, "opening", by=by(), now=now, request={}, answers=int, do=do))

    @precondition(lambda self: self.codes)
    @rule(pick=st.integers(0, 9), feed=st.integers(0, 1))
    def load(self, pick: int, feed: int) -> None:
        """A spool goes on a feed, whatever was there comes off."""
        now = self._later()
        with self.store.write() as session:
            spool = session.scalars(select(Spool).where(col(Spool.live))).all()
            if not spool:
                return

            def do(act: Act) -> int:
                one, on = spool[pick % len(spool)], finding.feed_of(session, self.shop.feeds[feed])
                around = around_of(session, one, on)
                load(session, act, spool=one, feed=on, around=around, at=now, today=now.date())
                return act.id

            self._told(once(session, "load", by=by(), now=now, request={}, answers=int, do=do))

    @precondition(lambda self: self.codes)
    @rule(mg=st.integers(1, 700_000), feed=st.integers(0, 1), late=st.integers(0, 6), failed=st.booleans())
    def draw(self, mg: int, feed: int, late: int, failed: bool) -> None:  # noqa: FBT001 - Hypothesis calls it by name
        """A job ends, or is told hours later."""
        now = self._later()
        at = max(NOW, now - timedelta(hours=late))
        with self.store.write() as session:
            number = finding.feed_of(session, self.shop.feeds[feed]).id
            report = JobReport("Bracket", None, (FeedGrams(mg, number),))
            outcome = Outcome.FAILED if failed else Outcome.GOOD
            answer = jobs.report_job(session=session, now=now, by=by(), report=report, outcome=outcome, ended_at=at)
        self._told(answer.act_id)

    @precondition(lambda self: self.codes)
    @rule(pick=st.integers(0, 9), mg=st.integers(0, 1_100_000), late=st.integers(0, 6), how=st.sampled_from("wcfx"))
    def settle(self, pick: int, mg: int, late: int, how: str) -> None:
        """A spool is weighed, counted, found heavier, or its cost changes."""
        now = self._later()
        at = max(NOW, now - timedelta(hours=late))
        common: dict[str, Any] = {"now": now, "spool_code": self._code(pick)}
        with self.store.write() as session:
            if session.scalars(select(Spool).where(col(Spool.serial) == int(self._code(pick)[1:7]))).one().live:
                if how == "w":
                    answer = spools.weigh(session=session, by=by(), gross_mg=mg + 200_000, at=at, **common)
                elif how == "c":
                    answer = spools.count(session=session, by=by(), left_mg=mg, at=at, **common)
                elif how == "f":
                    answer = spools.found(session=session, by=by(), mg=mg + 1, at=at, **common)
                else:
                    answer = spools.change_cost(session=session, by=by(), cost_minor=mg % 500 + 1, **common)
                self._told(answer.act_id)

    @precondition(lambda self: self.codes)
    @rule(
        pick=st.integers(0, 9),
        kind=st.sampled_from(spools.LEAVES),
        mg=st.none() | st.integers(1, 900_000),
        late=st.integers(0, 6),
    )
    def give_up(self, pick: int, kind: Kind, mg: int | None, late: int) -> None:
        """Plastic is scrapped, returned or written off, in part or whole."""
        now = self._later()
        at = max(NOW, now - timedelta(hours=late))
        code = self._code(pick)
        with self.store.write() as session:
            if session.scalars(select(Spool).where(col(Spool.serial) == int(code[1:7]))).one().live:
                answer = spools.give_up(session=session, now=now, by=by(), spool_code=code, kind=kind, mg=mg, at=at)
                self._told(answer.act_id)

    @precondition(lambda self: self.codes)
    @rule(pick=st.integers(0, 9), which=st.integers(0, 9))
    def settle_open_draw(self, pick: int, which: int) -> None:
        """A person names the spool of a draw that waits."""
        now = self._later()
        with self.store.read() as session:
            waiting = joblist.open_draws(session=session)
        if not waiting:
            return
        number = waiting[which % len(waiting)].movement_id
        try:
            with self.store.write() as session:
                answer = jobs.settle_open_draw(
                    session=session, now=now, by=by(), movement_id=number, spool_code=self._code(pick)
                )
        except NotFound:
            return
        self._told(answer.act_id)

    @precondition(lambda self: self.acts)
    @rule(pick=st.integers(0, 99))
    def undo(self, pick: int) -> None:
        """An act is undone, or an undo is; or it is refused and nothing moves."""
        target = self.acts[pick % len(self.acts)]
        now = self._later()
        try:
            with self.store.write() as session:
                done = undoing.undo_act(session=session, now=now, by=by(), act_id=target)
        except Conflict:
            return
        self.acts.append(done.act_id)
        origin = self.undid.get(target, target)
        self.undid[done.act_id] = origin
        self.stands[origin] = not self.stands[origin]
        assert self.stands[origin] == done.again

    @invariant()
    def the_books_are_true(self) -> None:
        """The identity holds to the milligram and the value to the cent, and every copy agrees."""
        with self.store.read() as session:
            assert list(differences(session)) == []
            told = self._events(session)
            left, value, sums = model(told)
            booked = {row.spool_id: row for row in session.scalars(select(Balance))}
            for spool, mg in left.items():
                assert booked[spool].left_mg == mg
                assert booked[spool].value_minor == value.get(spool, 0)
            assert _by_kind(session) == {key: mg for key, mg in sums.items() if mg}
            self._identity(session)

    def _events(self, session: Any) -> list[Told]:  # noqa: ANN401 - a Session
        """Give what was told by acts that stand, each event once, as first told."""
        keys = {act.id: act.key for act in session.scalars(select(Act))}
        numbers: Counter[int] = Counter()
        told = []
        for movement in session.scalars(select(Movement).order_by(col(Movement.id))):
            if movement.act_id in self.undid:
                continue
            number = numbers[movement.act_id]
            numbers[movement.act_id] += movement.sign == 1
            if movement.spool_id is not None and movement.sign == 1 and self.stands.get(movement.act_id, True):
                told.append(
                    Told(
                        number=movement.id,
                        act=movement.act_id,
                        spool=movement.spool_id,
                        kind=movement.kind,
                        at=movement.occurred_at,
                        tie=f"{keys[movement.act_id]}|{number:06d}",
                        amount=movement.asked_mg,
                        level=movement.leaves_mg,
                        cost=movement.cost_minor,
                    )
                )
        return told

    def _identity(self, session: Any) -> None:  # noqa: ANN401 - a Session
        """Opening + received + found = left + drawn + scrapped + written off + returned, and corrections."""
        rows = session.execute(select(col(Line.kind), func.sum(col(Line.mg))).group_by(col(Line.kind)))
        total = {kind: int(mg) for kind, mg in rows}
        came = sum(total.get(kind, 0) for kind in IN)
        went = -sum(total.get(kind, 0) for kind in OUT)
        corrected = -sum(total.get(kind, 0) for kind in ("weighing", "count"))
        left = session.scalars(select(func.coalesce(func.sum(col(Balance.left_mg)), 0))).one()
        assert came == left + went + corrected
        worth = session.scalars(select(func.coalesce(func.sum(col(Balance.value_minor)), 0))).one()
        assert worth == session.scalars(select(func.coalesce(func.sum(col(Line.value_minor)), 0))).one()


def _by_kind(session: Any) -> dict[tuple[int, str, Any], int]:  # noqa: ANN401 - a Session
    query = select(col(Line.spool_id), col(Line.kind), col(Movement.occurred_at), col(Line.mg)).join(
        Movement, col(Movement.id) == col(Line.movement_id)
    )
    sums: Counter[tuple[int, str, Any]] = Counter()
    for spool, kind, at, mg in session.execute(query):
        sums[spool, kind, at.date()] += int(mg)
    return {key: mg for key, mg in sums.items() if mg}


def _tell(fresh: Callable[[], Store], *, stories: int) -> None:
    run_state_machine_as_test(
        lambda: LedgerStory(fresh()),  # type: ignore[arg-type] # Hypothesis takes any maker
        settings=settings(
            max_examples=stories, stateful_step_count=20, deadline=None, suppress_health_check=list(HealthCheck)
        ),
    )


def test_a_workshops_story_keeps_true_books(sqlite_template: bytes, tmp_path: Path) -> None:
    numbers = itertools.count()

    def fresh() -> Store:
        path = tmp_path / f"story-{next(numbers)}.sqlite"
        path.write_bytes(sqlite_template)
        return open_store(f"sqlite:///{path}")

    _tell(fresh, stories=int(os.environ.get("SPOOLKEEP_STORIES", "20")))


def test_a_story_keeps_true_books_on_postgresql_too(new_postgres_store: Callable[[], Store]) -> None:
    _tell(new_postgres_store, stories=max(5, int(os.environ.get("SPOOLKEEP_STORIES", "20")) // 4))
