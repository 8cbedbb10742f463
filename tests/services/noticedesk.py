"""A workshop whose notices are sent round by round, by a clock that a test sets.

The tests of notices use it.
"""

import time
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path

from spoolkeep.domain.words import DigestWhen, MailSafety, NoticeWay
from spoolkeep.services import joblist, stops
from spoolkeep.services.notices import addressees, mailserver
from spoolkeep.services.notices.addressees import Wants, Went
from spoolkeep.services.notices.mailserver import Posting
from spoolkeep.services.notices.matters import About
from spoolkeep.services.notices.sending import Teller
from tests.services import postbox
from tests.workshop import TestWorkshop, by

MINUTE, HOUR, DAY = timedelta(minutes=1), timedelta(hours=1), timedelta(days=1)
SECRET = b"the secret of an instance, for tests"
LONGEST_S = 20.0


@dataclass
class Clock:
    """A clock that a test sets; what passes by itself is another matter."""

    now: datetime
    ticks: float = 0.0


@dataclass
class Desk:
    """A workshop whose notices are sent round by round."""

    shop: TestWorkshop
    clock: Clock
    folder: Path

    def teller(self) -> Teller:
        """Give a sender, as each process has one."""
        return Teller(
            self.shop.store,
            folder=self.folder,
            secret=SECRET,
            clock=lambda: self.clock.now,
            ticks=lambda: self.clock.ticks or time.monotonic(),
            tls=postbox.trusting(),
        )

    def round(self, teller: Teller | None = None) -> int:
        """Look, send what is due, and wait until it is sent."""
        whose = teller or self.teller()
        begun = whose.round(look=True)
        whose.wait(LONGEST_S)
        return begun

    def add(self, address: str, *about: About, digest: DigestWhen = DigestWhen.NEVER, hour: int = 7) -> int:
        """Give the number of a new addressee, by mail or webhook as its address is."""
        with self.shop.store.read() as session:
            count = len(addressees.listing(session=session))
        address = f"{address}?{count}" if "://" in address else f"{count}{address}"
        way = NoticeWay.WEBHOOK if "://" in address else NoticeWay.MAIL
        wants = Wants("Ada", way, address, digest, hour, frozenset(about))
        return self.shop.do(lambda s: addressees.add(session=s, now=self.clock.now, by_id=1, wants=wants))

    def by_mail(self, port: int, *, safety: MailSafety = MailSafety.PLAIN, user: str = "") -> None:
        """Enter a mail server of this machine."""
        told = Posting("http://spools.lan:8460", "localhost", port, safety, user, "workshop@example.org")
        self.shop.do(lambda s: mailserver.keep(session=s, now=self.clock.now, by=by(), told=told))

    def stands_still(self, machine: str = "Larch") -> int:
        """Let a machine stand still; give the stop's number."""
        machine_id, at = self.shop.machine(machine), self.clock.now - MINUTE
        return self.shop.do(
            lambda s: stops.book_stop(session=s, now=self.clock.now, by=by(), machine_id=machine_id, from_at=at, why="")
        ).stop_id

    def feed(self) -> int:
        """Give the number of the machine's first feed."""
        with self.shop.store.read() as session:
            return joblist.feeds_of(session=session, machine_id=self.shop.machine())[0].feed_id

    def trial(self, addressee_id: int, key: str = "form-1") -> None:
        """Ask for a trial."""
        self.shop.do(lambda s: addressees.trial(session=s, now=self.clock.now, addressee_id=addressee_id, key=key))

    def went(self) -> list[Went]:
        """Give the notices, the newest first."""
        with self.shop.store.read() as session:
            return addressees.last(session=session, limit=100)

    def why(self) -> str:
        """Give why the newest was not sent."""
        return self.went()[0].error
