"""The lists of jobs, as the address narrows them: for the Jobs page, and as files.

The Jobs page uses it.
"""

from typing import Any

from flask import Response

from spoolkeep.domain.words import JobState, Outcome
from spoolkeep.services import failures, joblist, stops, untold, wastebin
from spoolkeep.services.failures import Failures
from spoolkeep.services.joblist import JobView, Which
from spoolkeep.services.shop import load_shop
from spoolkeep.store.engine import Session
from spoolkeep.web import doors, narrowing, tables
from spoolkeep.web.narrowing import Narrowed
from spoolkeep.web.tables_jobs import BINS, ENDED, FAILURES, OPEN_DRAWS, STOPS, TO_COME, UNTOLD, failed_of

EACH_PAGE = 30
BY = ("by_machine", "by_material", "by_supplier", "by_lot")


def shown(session: Session) -> dict[str, Any]:
    """Give the jobs to come and those that ended, some at a time, and what the address asks for."""
    narrowed = _narrowed(session)
    which = _which(session, narrowed)
    page = narrowing.page_of(joblist.count_ended(session=session, which=which), EACH_PAGE)
    ended = joblist.ended(session=session, which=which, limit=EACH_PAGE, skip=page.start)
    return {
        "narrowed": narrowed,
        "to_come": joblist.to_come(session=session, which=which),
        "ended": ended,
        "page": page,
    }


def file() -> Response | None:
    """Give the table of the Jobs page that the address asks for as a file."""
    return tables.asked(
        ENDED.of(_ended),
        TO_COME.of(lambda session: joblist.to_come(session=session, which=_which(session, _narrowed(session)))),
        OPEN_DRAWS.of(lambda session: joblist.open_draws(session=session, limit=None)),
        STOPS.of(lambda session: stops.recent(session=session, limit=None)),
    )


def failures_file() -> Response | None:
    """Give the table of the page of failures that the address asks for as a file."""
    return tables.asked(
        FAILURES.of(lambda session: failed_of(failed(session)[1])),
        BINS.of(lambda session: wastebin.last(session=session, limit=None)),
        UNTOLD.of(lambda session: untold.biases(session=session)[1]),
    )


def failed(session: Session) -> tuple[Narrowed, Failures]:
    """Give what fails, of the days and the names that the address asks for."""
    narrowed = narrowing.read(narrowing.days("Jobs that ended in the last"), narrowing.words("name", "Name contains"))
    since, fits = narrowed.since(load_shop(session), doors.now()), narrowed.fits("name")
    every_lot = bool(narrowed.text("name"))
    found = failures.view(session=session, now=doors.now(), since=since, every_lot=every_lot)
    by = {one: tuple(row for row in getattr(found, one) if fits(row.name)) for one in BY}
    return narrowed, Failures(found.since, found.jobs, **by)


def _ended(session: Session) -> list[JobView]:
    return joblist.ended(session=session, which=_which(session, _narrowed(session)), limit=None)


def _narrowed(session: Session) -> Narrowed:
    machines = joblist.machines(session=session, retired=True)
    return narrowing.read(
        narrowing.choice("on", "Machine", [(str(number), name) for number, name in machines]),
        narrowing.choice("state", "State", narrowing.all_of(*JobState)),
        narrowing.choice("outcome", "How it ended", narrowing.all_of(*Outcome)),
        narrowing.days("Ended in the last"),
        narrowing.words("job", "Title contains"),
    )


def _which(session: Session, narrowed: Narrowed) -> Which:
    state, outcome = narrowed.text("state"), narrowed.text("outcome")
    return Which(
        machine_id=narrowed.number("on"),
        state=JobState(state) if state else None,
        outcome=Outcome(outcome) if outcome else None,
        since=narrowed.since(load_shop(session), doors.now()),
        fits=narrowed.fits("job") if narrowed.text("job") else None,
    )
