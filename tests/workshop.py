"""A small workshop for tests, set up through the services that a person uses."""

import itertools
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from typing import Any, TypeVar

from sqlalchemy import select
from sqlalchemy.orm import Session
from sqlmodel import col

from spoolkeep.domain.words import Finish, Outcome, PlaceKind, Role
from spoolkeep.services import bench, catalogue, choices, deliveries, joblist, jobs, people, stations
from spoolkeep.services.bench import ScanAnswer
from spoolkeep.services.catalogue import OfferEntry, SupplierEntry
from spoolkeep.services.deliveries import Arrived
from spoolkeep.services.jobs import FeedGrams, JobReport
from spoolkeep.store.acts import By
from spoolkeep.store.engine import Store
from spoolkeep.store.seeds import FIRST_ACTOR
from spoolkeep.store.tables import Article, Station

T = TypeVar("T")
_keys = itertools.count(1)


def by() -> By:
    """Give the first actor with a key of its own."""
    return By(actor_id=FIRST_ACTOR, key=f"test-{next(_keys)}")


def station_at(session: Session, now: datetime, label: str = "Bench") -> int:
    """Give the number of the station of this label, signed in on its first use."""
    found = session.scalars(select(col(Station.id)).where(col(Station.label) == label)).first()
    return found or stations.sign_in(session=session, now=now, label=label).station_id


@dataclass
class TestWorkshop:
    """One machine with two feeds, one shelf, and two items; spools come by delivery.

    It is set up where the store has none yet: that of a test that asks for a `shop` is copied from one that has it.
    """

    __test__ = False
    store: Store
    now: datetime
    articles: list[int] = field(default_factory=list)
    feeds: list[str] = field(default_factory=list)
    places: list[str] = field(default_factory=list)

    def __post_init__(self) -> None:
        with self.store.read() as session:
            there = bool(joblist.machines(session=session))
        if not there:
            self._set_up()
        with self.store.read() as session:
            self.articles = list(session.scalars(select(col(Article.id)).order_by(col(Article.id))))
            self.feeds = [feed.code for feed in choices.feeds(session=session)]
            self.places = [place.code for place in choices.place_list(session=session)]

    def _set_up(self) -> None:
        self.do(lambda s: catalogue.add_machine(session=s, now=self.now, by=by(), name="Larch", feeds=2))
        self.do(
            lambda s: catalogue.add_place(session=s, now=self.now, by=by(), name="Long shelf", kind=PlaceKind.SHELF)
        )
        self._article("Slate black", "#23262b")
        self._article("Chalk white", "#f4f2ea")

    def _article(self, colour: str, shade: str) -> int:
        return self.do(
            lambda s: catalogue.add_article(
                session=s, now=self.now, by=by(), material="PLA", colour=colour, finish=Finish.MATT, srgb=[shade]
            )
        ).row_id

    def do(self, what: Callable[[Session], T]) -> T:
        """Give what a service answers, in one write."""
        with self.store.write() as session:
            return what(session)

    def deliver(
        self,
        spools: int = 1,
        *,
        article: int = 0,
        grams: int = 1000,
        price_minor: int = 1900,
        at: datetime | None = None,
    ) -> tuple[str, ...]:
        """Give the codes of spools that came just now."""
        arrived = Arrived(self.articles[article], spools, grams * 1000, price_minor, tare_mg=200_000)
        return self.do(
            lambda s: deliveries.book_delivery(session=s, now=self.now, by=by(), arrived=[arrived], arrived_at=at)
        ).spool_codes

    def run_low(self, days: int = 60, **more: Any) -> None:  # noqa: ANN401 - of a job
        """Have 600 g of the first item, after 100 g a day on so many days that came from spools nobody named.

        `more` is what is told of those jobs besides.
        """
        self.deliver(grams=600, at=self.now - timedelta(days=days))
        report = replace(JobReport("Hook", None, (FeedGrams(100_000, article_id=self.articles[0]),)), **more)
        for back in range(days, 0, -1):
            self._drew(report, self.now - timedelta(days=back))

    def _drew(self, report: JobReport, ended_at: datetime) -> None:
        self.do(
            lambda s: jobs.report_job(
                session=s, now=self.now, by=by(), report=report, outcome=Outcome.GOOD, ended_at=ended_at
            )
        )

    def offered(self, supplier: SupplierEntry, price_minor: int, *breaks: tuple[int, int]) -> int:
        """Give the number of an offer of the first item in kilograms, by a new supplier."""
        number = self.do(lambda s: catalogue.add_supplier(session=s, now=self.now, by=by(), entry=supplier)).row_id
        sold = OfferEntry(number, self.articles[0], 1_000_000, price_minor, "Q-7", "", None, 1, breaks)
        return self.do(lambda s: catalogue.add_offer(session=s, now=self.now, by=by(), entry=sold)).row_id

    def scan(self, *texts: str, at: datetime | None = None, station: str = "Bench") -> ScanAnswer:
        """Give what the last of several scans did, at a station."""

        def scans(session: Session) -> ScanAnswer:
            moment = at or self.now
            who = By(FIRST_ACTOR, "", station_at(session, moment, station))
            for text in texts:
                answer = bench.scan(session=session, now=moment, by=replace(who, key=by().key), text=text)
            return answer

        return self.do(scans)

    def item(self, material: str, colour: str, shade: str = "") -> int:
        """Give the number of a new item; a colour that is known needs no shade."""
        shades = [shade] if shade else []
        return self.do(
            lambda s: catalogue.add_article(
                session=s, now=self.now, by=by(), material=material, colour=colour, finish=Finish.MATT, srgb=shades
            )
        ).row_id

    def machine(self, name: str = "Larch") -> int:
        """Give the number of a machine."""
        with self.store.read() as session:
            return next(number for number, known in joblist.machines(session=session) if known == name)

    def plan(self, title: str, *grams: FeedGrams, machine: str = "Larch", **more: Any) -> int:  # noqa: ANN401 - of a job
        """Give the number of a job that is planned on a machine."""
        report = JobReport(title, self.machine(machine), grams, **more)
        return self.do(lambda s: jobs.plan_job(session=s, now=self.now, by=by(), report=report)).job_id

    def start(self, job_id: int, at: datetime | None = None) -> None:
        """Say that a job runs."""
        self.do(lambda s: jobs.start_job(session=s, now=at or self.now, by=by(), job_id=job_id))


def somebody(store: Store, now: datetime, name: str, role: Role = Role.OWNER) -> int:
    """Give the number of a person with a password of their own; the password itself is nowhere."""
    with store.write() as session:
        actor_id = people.add(session=session, now=now, by_id=None, name=name, role=role)
        people.choose_password(session=session, now=now, actor_id=actor_id, password_hash=f"kept for {name}")
    return actor_id
