"""The large workshop's floor: spools on feeds, jobs as they end, weighings, and what is imported at the day's end.

`large_workshop` runs it day by day. Machines with several feeds report each job; the others' log comes as one sheet.
"""

from dataclasses import dataclass, field
from datetime import datetime, timedelta
from hashlib import sha256

import numpy as np

from spoolkeep.domain.codes import CodeKind
from spoolkeep.domain.words import Cause, JobState, Kind, Outcome, Purpose
from spoolkeep.services.bench import HEARD, ScanAnswer
from spoolkeep.services.draws import cause_of
from spoolkeep.services.imports import ImportReport
from spoolkeep.services.jobs import FeedGrams, JobAnswer, JobReport
from spoolkeep.services.shop import code_text
from spoolkeep.services.spools import SpoolAnswer
from spoolkeep.services.standby import RanOut
from spoolkeep.store.tables import Job, JobFeed, Loading, Spool
from tests.benchmarks.large.books import Books, Done, SpoolBook, Told, shop_day
from tests.benchmarks.large.stock import Stock
from tests.benchmarks.large.things import FeedNow, MachineNow, Things

SAME_AGAIN, CHANGED_EARLY, WEIGHED = 0.6, 0.012, 0.02
RUNS_OUT, OVERDRAWN = 0.85, 0.05
"""How a spool ends: it runs out, a job draws more than it has, or else its rest is scrapped."""
DRIFT_MG = 6_000
SECOND = timedelta(seconds=1)
_OUTCOMES = (Outcome.GOOD,) * 93 + (Outcome.FAILED,) * 5 + (Outcome.STOPPED,) * 2


@dataclass(frozen=True)
class Ended:
    """A job of a machine whose log is imported at the day's end."""

    machine: MachineNow
    feed: FeedNow
    spool: SpoolBook
    loading_id: int
    mg: int
    at: datetime
    outcome: Outcome


@dataclass
class Floor:
    """Machines at work."""

    books: Books
    things: Things
    stock: Stock
    rng: np.random.Generator
    mean_mg: float
    """What a draw comes to; the run keeps it so that the spools used come out right."""
    opened: int = 0
    _log: list[Ended] = field(default_factory=list)
    _chances: list[float] = field(default_factory=list)

    def job(self, machine: MachineNow, at: datetime) -> None:
        """Let a machine end a job, and change what must be changed for its next."""
        if machine.free_at is not None and at <= machine.free_at + 9 * SECOND:
            at = machine.free_at + 10 * SECOND
        feeds = [feed for feed in machine.feeds if len(machine.feeds) == 1 or self._chance() < 3 / 4]
        used = [feed for feed in feeds if feed.spool or self._load(feed, at - 3 * SECOND)]
        if not used:
            return
        outcome = _OUTCOMES[int(self._chance() * len(_OUTCOMES))]
        machine.free_at = at
        if machine.reports:
            self._report(machine, used, at, outcome)
        else:
            self._log_job(machine, used[0], at, outcome)

    def start(self, at: datetime) -> None:
        """Put a first spool on every feed."""
        for machine in self.things.machines:
            for feed in machine.feeds:
                self._load(feed, at)
                at += 3 * SECOND

    def import_log(self, at: datetime) -> None:
        """Book the day's log of the machines that do not report."""
        if not self._log:
            return
        source = f"machines-{shop_day(at):%Y-%m-%d}.csv"
        request = {"sheet": "jobs", "source": source, "sha256": sha256(source.encode()).hexdigest()}
        act = self.books.act("import jobs", at=at, request=request, about=source)
        for line, one in enumerate(self._log, start=2):
            self.stock.imported(act, "jobs", source, line=line)
            job_id = self._logged(act, one, outside_id=f"{source}: {line}")
            self._draw(act, one.feed, one.spool, one.at, nth=line, mg=one.mg, job_id=job_id, outcome=one.outcome)
        self.books.answered(act, ImportReport("jobs", source, len(self._log), len(self._log), 0, act_id=act.id))
        for feed in {one.feed.id: one.feed for one in self._log}.values():
            self._after(feed, _on(feed), at)
        self._log.clear()

    def loadings_now(self) -> None:
        """Write the loadings that last."""
        for machine in self.things.machines:
            for feed in machine.feeds:
                if feed.spool:
                    self.books.bulk.add(Loading, feed.loading_id, feed.spool.id, feed.id, feed.since, None)

    def _chance(self) -> float:
        if not self._chances:
            self._chances = self.rng.random(8192).tolist()
        return self._chances.pop()

    def _mg(self) -> int:
        """Give what one draw takes: mostly little, now and then much; whole tenths of a gram."""
        return max(5, int(self.rng.gamma(1.6) / 1.6 * self.mean_mg / 100)) * 100

    def _report(self, machine: MachineNow, used: list[FeedNow], at: datetime, outcome: Outcome) -> None:
        grams = tuple(FeedGrams(feed.next_mg or self._mg(), feed.id) for feed in used)
        title = self._title()
        outside_id = f"{machine.id}-{at:%y%m%d%H%M%S}"
        report = JobReport(title=title, machine_id=machine.id, grams=grams, outside_id=outside_id)
        request = {"report": report, "outcome": outcome, "ended_at": at}
        act = self.books.act("job", at=at, request=request, about=title)
        job_id = self.books.bulk.number(Job)
        told = (title, machine.id, None, Purpose.SOLD, JobState.ENDED, outcome, None, None, at, outside_id)
        self.books.bulk.add(Job, job_id, *told)
        self.books.made(act, Job, job_id)
        for one in grams:
            need_id = self.books.bulk.number(JobFeed)
            self.books.bulk.add(JobFeed, need_id, job_id, one.feed_id, one.mg)
            self.books.made(act, JobFeed, need_id)
        for name, before, after in (
            ("state", JobState.PLANNED, JobState.ENDED),
            ("outcome", None, outcome),
            ("ended_at", None, at),
        ):
            self.books.changed(act, Job, job_id, name, before=before, after=after)
        overdrawn = []
        for nth, (feed, one) in enumerate(zip(used, grams, strict=True)):
            spool = _on(feed)
            if self._draw(act, feed, spool, at, nth=nth, mg=one.mg, job_id=job_id, outcome=outcome):
                overdrawn.append(self.things.names[spool.article_id])
        drawn_mg = sum(one.mg for one in grams)
        self.books.answered(act, JobAnswer(act.id, job_id, drawn_mg, overdrawn=tuple(sorted(set(overdrawn)))))
        for feed in used:
            self._after(feed, _on(feed), at, weigh=True)

    def _log_job(self, machine: MachineNow, feed: FeedNow, at: datetime, outcome: Outcome) -> None:
        """Write a job on the machine's own log, unless its spool will not do and waits to be changed."""
        spool, mg = _on(feed), feed.next_mg or self._mg()
        if mg > spool.state.left_mg - feed.logged_mg and not (feed.overdraws and not feed.logged_mg):
            return
        feed.logged_mg += mg
        feed.next_mg = self._mg()
        self._log.append(Ended(machine, feed, spool, feed.loading_id, mg, at, outcome))

    def _logged(self, act: Done, one: Ended, *, outside_id: str) -> int:
        job_id = self.books.bulk.number(Job)
        number = int(self._chance() * len(self.things.product_ids))
        minutes = 20 + int(self._chance() * 200)
        began = one.at - timedelta(minutes=minutes)
        told = (self.things.titles[number], one.machine.id, self.things.product_ids[number], Purpose.SOLD)
        ended = (JobState.ENDED, one.outcome, 60 * minutes, began, one.at, outside_id)
        self.books.bulk.add(Job, job_id, *told, *ended)
        self.books.made(act, Job, job_id)
        return job_id

    def _draw(
        self,
        act: Done,
        feed: FeedNow,
        spool: SpoolBook,
        at: datetime,
        *,
        nth: int,
        mg: int,
        job_id: int,
        outcome: Outcome,
    ) -> bool:
        cause = Cause.PURGE if self._chance() < 1 / 40 else cause_of(outcome)
        told = Told(-mg, job_id=job_id, feed_id=feed.id, loading_id=feed.loading_id, cause=cause)
        return self.books.move(act, spool, Kind.DRAW, at, nth=nth, told=told)

    def _title(self) -> str:
        return self.things.titles[int(self._chance() * len(self.things.titles))]

    def _after(self, feed: FeedNow, spool: SpoolBook, at: datetime, *, weigh: bool = False) -> None:
        """Look at the spool after a job: change it where it will not last the next one, or for another colour."""
        feed.next_mg, feed.logged_mg, feed.overdraws = self._mg(), 0, False
        left_mg = spool.state.left_mg
        if left_mg >= feed.next_mg:
            if self._chance() < CHANGED_EARLY:
                self._to_its_place(feed, spool, at + SECOND)
                self._load(feed, at + 3 * SECOND)
            elif weigh and self._chance() < WEIGHED:
                self._weigh(spool, at + SECOND)
            return
        how = self._chance()
        if left_mg and RUNS_OUT <= how < RUNS_OUT + OVERDRAWN:
            feed.overdraws = True
            return
        if left_mg and how >= RUNS_OUT:
            self._scrap(feed, spool, at + SECOND)
        else:
            self._runs_out(feed, spool, at + SECOND)
        self._load(feed, at + 3 * SECOND)

    def _load(self, feed: FeedNow, at: datetime) -> bool:
        """Put another spool on an empty feed; say whether there was one."""
        spool = self._choose(feed)
        if spool is None:
            return False
        code, name = code_text(CodeKind.FEED, feed.serial), self.things.names[spool.article_id]
        where = self.things.feed_names[feed.id]
        act = self._scanned(spool.code, name, code, f"{name} to {where}", at, did="loaded", words=f"is on {where}.")
        loading_id = self.books.bulk.number(Loading)
        self.books.made(act, Loading, loading_id)
        if spool.opened_on is None:
            spool.opened_on = shop_day(act.at)
            self.books.changed(act, Spool, spool.id, "opened_on", before=None, after=spool.opened_on)
            self.opened += 1
        feed.spool, feed.loading_id, feed.since = spool, loading_id, act.at
        feed.article_id = spool.article_id
        return True

    def _choose(self, feed: FeedNow) -> SpoolBook | None:
        if feed.article_id and self._chance() < SAME_AGAIN and (again := self.stock.take(feed.article_id)):
            return again
        for _ in range(6):
            if found := self.stock.take(self.stock.asked_for()):
                return found
        return self.stock.any_spool()

    def _scanned(self, code: str, name: str, second: str, about: str, at: datetime, *, did: str, words: str) -> Done:
        """Give the act of the second of two scans, the first one booked before it."""
        station_id = self.books.station_ids[int(self._chance() * len(self.books.station_ids))]
        first = self.books.act("scan", at=at, request={"text": code}, about=name, station_id=station_id)
        waits = ScanAnswer(HEARD, f"{name}. Now scan a feed or a place.", first.id, "waits", code, waiting=True)
        self.books.answered(first, waits)
        at += SECOND
        act = self.books.act("scan", at=at, request={"text": second}, about=about, station_id=station_id)
        self.books.answered(act, ScanAnswer(HEARD, f"{name} {words}", act.id, did, code))
        return act

    def _to_its_place(self, feed: FeedNow, spool: SpoolBook, at: datetime) -> None:
        name, place = self.things.names[spool.article_id], self.things.places[spool.place_id]
        about, words = f"{name} to {place.name}", f"is at {place.name}."
        act = self._scanned(spool.code, name, place.code, about, at, did="moved", words=words)
        self._off(act, feed, act.at)
        self.stock.put_back(spool)

    def _off(self, act: Done, feed: FeedNow, at: datetime) -> None:
        """Take the spool off its feed."""
        spool = _on(feed)
        self.books.changed(act, Loading, feed.loading_id, "until_at", before=None, after=at)
        self.books.bulk.add(Loading, feed.loading_id, spool.id, feed.id, feed.since, at)
        feed.spool = None

    def _runs_out(self, feed: FeedNow, spool: SpoolBook, at: datetime) -> None:
        act = self.books.act("ran out", at=at, request={"spool_code": spool.code, "at": None}, about=spool.code)
        before_mg = spool.state.left_mg
        self.books.move(act, spool, Kind.COUNT, at, told=Told(leaves_mg=0))
        self._off(act, feed, at)
        words = f"{self.things.names[spool.article_id]} ran out. Nothing is left on {spool.code}."
        self.books.answered(act, RanOut(act.id, spool.code, -before_mg, None, words))

    def _scrap(self, feed: FeedNow, spool: SpoolBook, at: datetime) -> None:
        request = {"spool_code": spool.code, "kind": Kind.SCRAP, "mg": None, "at": None}
        act = self.books.act(Kind.SCRAP, at=at, request=request, about=spool.code)
        self._off(act, feed, at)
        spool.retired_on = shop_day(at)
        self.books.changed(act, Spool, spool.id, "retired_on", before=None, after=spool.retired_on)
        before_mg = spool.state.left_mg
        self.books.move(act, spool, Kind.SCRAP, at, told=Told(leaves_mg=0))
        self.books.answered(act, SpoolAnswer(act.id, spool.code, 0, -before_mg))

    def _weigh(self, spool: SpoolBook, at: datetime) -> None:
        before_mg = spool.state.left_mg
        drift_mg = round((self._chance() - 0.5) * DRIFT_MG / 1000) * 1000
        leaves_mg = max(0, round(before_mg, -3) + drift_mg)
        gross_mg = leaves_mg + spool.tare_mg
        request = {"spool_code": spool.code, "gross_mg": gross_mg, "at": None}
        act = self.books.act("weighing", at=at, request=request, about=spool.code)
        self.books.move(act, spool, Kind.WEIGHING, at, told=Told(leaves_mg=leaves_mg, gross_mg=gross_mg))
        self.books.answered(act, SpoolAnswer(act.id, spool.code, leaves_mg, leaves_mg - before_mg))


def _on(feed: FeedNow) -> SpoolBook:
    if feed.spool is None:
        raise AssertionError(f"feed {feed.id} has no spool")
    return feed.spool
