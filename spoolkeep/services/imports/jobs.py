"""The sheet of jobs: what was printed, or will be, and the grams that it drew.

The imports' engine calls it. One row is one draw; rows that share a `job` belong to one job.

A draw comes from the spool that its row names; else from the one that was on its feed then, if that holds the item that
the row names. Where no feed is named, or the machine's only one had another item, it comes from the oldest opened spool
of the item, as `shelves` says. Where that finds no spool, it is an open draw.

A job that is in the books as planned or running ends where a later row of its `job` says so. What that row leaves empty
stays as it was planned.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime

from sqlalchemy import select
from sqlmodel import col

from spoolkeep.domain.codes import CodeKind, read_code_of
from spoolkeep.domain.errors import BadInput, NotFound
from spoolkeep.domain.sheets import RowProblem, SheetRow
from spoolkeep.domain.units import Milligrams, mg_from_grams, positive_mg_from_grams
from spoolkeep.domain.words import Cause, JobState, Kind, Outcome, Purpose
from spoolkeep.services.draws import MOST_DRAW_MG, cause_of
from spoolkeep.services.imports.cells import Booked, Booker, Cells, Column, Reading
from spoolkeep.services.imports.lookups import (
    DIAMETER,
    FINISH,
    Items,
    Machines,
    item_name,
    machine_and_feed,
    named,
)
from spoolkeep.services.imports.shelves import Piece, Shelves
from spoolkeep.services.names import numbers
from spoolkeep.store.journal import batched, change, create_all
from spoolkeep.store.ledger import Event, book
from spoolkeep.store.tables import Act, Balance, Job, JobFeed, Product, Spool

COLUMNS = (
    Column("id", needed=False, says="the row's own number, where the sheet has one"),
    Column("job", needed=False, says="the job's own number; rows that share it are one job of several colours"),
    Column("title", needed=True, says="what was printed"),
    Column("ended_at", needed=True, says="when it ended, like 2026-03-01 14:05; empty for a job to come"),
    Column(
        "grams", needed=True, says="grams that it drew of one spool or item; 0 only of a job that failed or was stopped"
    ),
    Column("machine", needed=False, says="the machine's name"),
    Column("feed", needed=False, says="the feed's position: the draw is of the spool that was on it then"),
    Column("spool", needed=False, says="the code on the spool's label"),
    Column("material", needed=False, says="of the item: the draw is of its oldest opened spool"),
    Column("colour", needed=False, says="of the item"),
    FINISH,
    DIAMETER,
    Column("product", needed=False, says="the name of a product that Setup knows"),
    Column("outcome", needed=False, says="good, failed or stopped; good if empty"),
    Column("cause", needed=False, says="good, failed, purge or prime; by the outcome if empty"),
    Column("purpose", needed=False, says="sold, stock, sample, gift, test, remake or own use; sold if empty"),
    Column("state", needed=False, says="ended, planned or running; ended if empty"),
    Column("started_at", needed=False, says="when it started"),
    Column("due_at", needed=False, says="when it is due"),
    Column("minutes", needed=False, says="how long it prints"),
)


@dataclass(frozen=True)
class _Head:
    """What a row says of its job."""

    title: str
    machine_id: int | None
    product_id: int | None
    purpose: Purpose
    state: JobState
    outcome: Outcome | None
    started_at: datetime | None
    ended_at: datetime | None
    due_at: datetime | None
    duration_s: int | None


@dataclass(frozen=True)
class _Row:
    """One row: its job, by its own number or by its line, and its draw."""

    line: int
    job: str
    head: _Head
    mg: int
    cause: Cause
    spool_id: int | None
    article_id: int | None
    feed_id: int | None
    feed_said: bool
    """Whether the row names the feed; else it is the only one that the machine has."""


@dataclass(frozen=True)
class _Plan:
    """All rows, and the pieces of each ended row's draw, in the order of time."""

    rows: Sequence[_Row]
    draws: Sequence[tuple[_Row, Piece]]
    known: dict[str, Job]
    """Jobs that are in the books already, by outside id."""
    ending: dict[str, _Head]
    """What those of them become that had not ended before, by outside id."""


class _Books:
    """What a row may name."""

    def __init__(self, reading: Reading) -> None:
        session = reading.session
        self.items, self.machines = Items(session), Machines(session)
        self.products = numbers(session, Product)
        columns = select(col(Spool.serial), col(Spool.id), col(Spool.article_id)).where(col(Spool.live))
        self.spools = {serial: (number, article) for serial, number, article in session.execute(columns)}

    def spool(self, text: str) -> tuple[int, int]:
        """Give the spool with this code and its item, by number. Errors: BadInput, NotFound."""
        found = self.spools.get(read_code_of(text, CodeKind.SPOOL).serial)
        if found is None:
            raise NotFound("no_such_spool", f"No spool has the code {text}. Import or book in its spool first.")
        return found


def read(reading: Reading, rows: Sequence[SheetRow]) -> Booker:
    """Give what books these rows: jobs, and the draws of those that have ended."""
    books = _Books(reading)
    found = [_row(Cells(reading, row), books) for row in rows]
    known = _known_jobs(reading, found)
    ending = _check_heads(reading, found, known)
    if reading.problems:
        return lambda _: Booked()
    plan = _Plan(found, list(_draws(reading, found)), known, ending)
    waiting = sum(piece.spool_id is None for _, piece in plan.draws)
    if waiting:
        reading.notes.append(f"{waiting} draws have no spool yet. Name their spools on the Jobs page.")
    return lambda act: _book(reading, act, plan)


def _row(cells: Cells, books: _Books) -> _Row:
    machine_id, feed_id = machine_and_feed(cells, books.machines)
    head = _head(cells, books, machine_id)
    spool = cells.read("spool", books.spool, None)
    article_id = _article(cells, books)
    if spool and article_id and spool[1] != article_id:
        cells.problem("spool", "That spool holds another item than the row says. Correct one of them.", "another_item")
    feed_said = feed_id is not None
    if feed_id is None and machine_id is not None:
        feed_id = books.machines.only_feed(machine_id)
    mg = cells.must("grams", _drawn_by(head), Milligrams(1))
    if mg and not (spool or article_id or feed_id or cells.bad):
        cells.problem("material", "Say what it drew: material and colour, a spool, or machine and feed.", "no_item")
    return _Row(
        line=cells.line,
        job=_job(cells),
        head=head,
        mg=mg,
        cause=cells.word("cause", Cause, cause_of(head.outcome or Outcome.GOOD)),
        spool_id=spool[0] if spool else None,
        article_id=article_id,
        feed_id=feed_id,
        feed_said=feed_said,
    )


def _job(cells: Cells) -> str:
    """Give the outside id under which a job's other rows find it; a row without one is a job by itself."""
    own = cells.text("job")
    return f"{cells.reading.source}: {own}" if own else ""


def _head(cells: Cells, books: _Books, machine_id: int | None) -> _Head:
    state = cells.word("state", JobState, JobState.ENDED)
    ended = state is JobState.ENDED
    minutes = cells.whole("minutes", 0)
    head = _Head(
        title=cells.needed("title"),
        machine_id=machine_id,
        product_id=cells.read("product", named(books.products, "product", "products"), None),
        purpose=cells.word("purpose", Purpose, Purpose.SOLD),
        state=state,
        outcome=cells.word("outcome", Outcome, Outcome.GOOD) if ended else None,
        started_at=cells.moment("started_at"),
        ended_at=cells.moment("ended_at"),
        due_at=cells.moment("due_at", ahead=True),
        duration_s=60 * minutes if minutes > 0 else None,
    )
    _check_times(cells, head, ended=ended)
    return head


def _check_times(cells: Cells, head: _Head, *, ended: bool) -> None:
    if ended and not cells.text("ended_at"):
        cells.problem("ended_at", "Say when it ended, or that its state is planned.", "empty_cell")
    if not ended and cells.text("ended_at"):
        cells.problem("ended_at", f"A job that is {head.state} has not ended. Leave this empty.", "not_ended")
    if head.started_at and head.ended_at and head.started_at > head.ended_at:
        cells.problem("started_at", "It would end before it started. Check the times.", "ends_before_it_starts")


def _article(cells: Cells, books: _Books) -> int | None:
    if not (cells.text("material") or cells.text("colour")):
        return None
    before, cells.bad = cells.bad, False
    name = item_name(cells)
    found = None if cells.bad else cells.read("colour", lambda _: books.items.need(name), None)
    cells.bad = cells.bad or before
    return found


def _drawn_by(head: _Head) -> Callable[[str], Milligrams]:
    """Give a reader of grams. A job that was called off, or failed before its first layer, may have drawn nothing."""

    def reader(text: str) -> Milligrams:
        nothing = head.outcome in {Outcome.FAILED, Outcome.STOPPED} and mg_from_grams(text) == 0
        mg = Milligrams(0) if nothing else positive_mg_from_grams(text)
        if mg > MOST_DRAW_MG:
            raise BadInput("too_heavy", "A draw of more than 100 kg cannot be. Enter grams, not milligrams.")
        return mg

    return reader


def _known_jobs(reading: Reading, rows: Sequence[_Row]) -> dict[str, Job]:
    wanted = sorted({row.job for row in rows if row.job})
    found: dict[str, Job] = {}
    for start in range(0, len(wanted), 500):
        query = select(Job).where(col(Job.live), col(Job.outside_id).in_(wanted[start : start + 500]))
        found |= {job.outside_id or "": job for job in reading.session.scalars(query)}
    return found


def _check_heads(reading: Reading, rows: Sequence[_Row], known: dict[str, Job]) -> dict[str, _Head]:
    """Note the rows that share a job and say different things of it; give what the jobs become that now end."""
    books = {number: _Head(**{name: getattr(job, name) for name in _FIELDS}) for number, job in known.items()}
    first: dict[str, tuple[_Head, str]] = {number: (head, "the books have") for number, head in books.items()}
    ending: dict[str, _Head] = {}
    for row in rows:
        planned = books.get(row.job)
        if planned and row.job not in ending and _ends(planned, row.head):
            ending[row.job] = _ended(planned, row.head)
            first[row.job] = ending[row.job], f"line {row.line} has"
            _check_start(reading, row, ending[row.job])
        if row.job:
            _check_head(reading, row, *first.setdefault(row.job, (row.head, f"line {row.line} has")), books=planned)
    return ending


_FIELDS = tuple(_Head.__dataclass_fields__)
_OF_THE_RUN = ("machine_id", "duration_s", "started_at")
"""What may turn out otherwise than it was planned."""


def _ends(planned: _Head, told: _Head) -> bool:
    return told.state is JobState.ENDED and planned.state != JobState.ENDED


def _ended(planned: _Head, told: _Head) -> _Head:
    """Give what a job becomes that was planned, and of which a row tells that it ended."""
    run = {name: getattr(told, name) for name in _OF_THE_RUN if getattr(told, name) is not None}
    free = {name: getattr(told, name) for name in _FIELDS if getattr(planned, name) is None}
    return replace(planned, **{**free, **run, "state": told.state, "outcome": told.outcome, "ended_at": told.ended_at})


def _check_start(reading: Reading, row: _Row, head: _Head) -> None:
    """Note an end before the start that the books have; a start that the row itself gives is checked with it."""
    if row.head.started_at is None and head.started_at and head.ended_at and head.started_at > head.ended_at:
        words = "It would end before it started, as the books have it. Check the times."
        reading.problems.append(RowProblem(row.line, "ended_at", words, "ends_before_it_starts"))


def _check_head(reading: Reading, row: _Row, head: _Head, where: str, *, books: _Head | None) -> None:
    """Note what a row says otherwise of its job. Of one in the books, an empty cell says nothing."""
    told = [name for name in _FIELDS if books is None or getattr(row.head, name) is not None]
    odd = next((name for name in told if getattr(head, name) != getattr(row.head, name)), None)
    if odd is None:
        return
    if books and getattr(books, odd) == getattr(head, odd):
        where = "the books have"
    column = {"machine_id": "machine", "product_id": "product", "duration_s": "minutes"}.get(odd, odd)
    words = f"Rows of one job must agree, and {where} another “{column}” for it. Correct one of them."
    reading.problems.append(RowProblem(row.line, column, words, "rows_disagree"))


def _draws(reading: Reading, rows: Sequence[_Row]) -> Iterator[tuple[_Row, Piece]]:
    """Give every draw in the order in which they happened, each split over the spools that gave it."""
    timed = sorted(
        ((row.head.ended_at, row) for row in rows if row.mg and row.head.ended_at is not None),
        key=lambda pair: pair[0],
    )
    if not timed:
        return
    by_item = (row.article_id for _, row in timed if row.article_id and not row.spool_id and not row.feed_said)
    shelves = Shelves(reading.session, by_item, first_at=timed[0][0])
    for at, row in timed:
        for piece in _pieces(row, at, shelves, day=reading.clock.day_of(at)):
            yield row, piece


def _pieces(row: _Row, at: datetime, shelves: Shelves, *, day: date) -> list[Piece]:
    if row.spool_id:
        return [shelves.named(row.spool_id, row.mg, at=at, day=day)]
    loaded = shelves.loaded(row.feed_id, at) if row.feed_id else None
    if loaded and row.article_id in {None, loaded.article_id}:
        return [shelves.named(loaded.spool_id, row.mg, at=at, day=day)._replace(loading_id=loaded.loading_id)]
    if row.article_id and not row.feed_said:
        return shelves.oldest(row.article_id, row.mg, at=at, day=day)
    return [Piece(None, row.mg)]


def _book(reading: Reading, act: Act, plan: _Plan) -> Booked:
    session = reading.session
    job_of = _jobs(reading, act, plan)
    ahead = [row for row in plan.rows if row.head.state is not JobState.ENDED]
    create_all(session, act, JobFeed, [_need(row, job_of[row.line]) for row in ahead])
    book(session, act, [_event(row, piece, job_of[row.line]) for row, piece in plan.draws])
    _open(reading, act, plan)
    return Booked(notes=_overdrawn(reading, plan))


def _need(row: _Row, job_id: int) -> dict[str, object]:
    return {
        "job_id": job_id,
        "feed_id": row.feed_id,
        "article_id": row.article_id,
        "cause": row.cause,
        "needs_mg": row.mg,
    }


def _jobs(reading: Reading, act: Act, plan: _Plan) -> dict[int, int]:
    """Give the number of each row's job by the row's line, made where the job is new, ended where it was planned."""
    heads: dict[str, dict[str, object]] = {}
    for row in plan.rows:
        if row.job not in plan.known:
            heads.setdefault(row.job or str(row.line), {**vars(row.head), "outside_id": row.job or None})
    for number, head in plan.ending.items():
        change(reading.session, act, plan.known[number], **vars(head))
    numbers = create_all(reading.session, act, Job, list(heads.values()))
    found = dict(zip(heads, numbers, strict=True)) | {number: job.id for number, job in plan.known.items()}
    return {row.line: found[row.job or str(row.line)] for row in plan.rows}


def _event(row: _Row, piece: Piece, job_id: int) -> Event:
    if row.head.ended_at is None:
        raise ValueError("only a job that has ended draws")
    return Event(
        kind=Kind.DRAW,
        occurred_at=row.head.ended_at,
        spool_id=piece.spool_id,
        article_id=None if piece.spool_id else row.article_id,
        asked_mg=-piece.mg,
        cause=row.cause,
        job_id=job_id,
        feed_id=row.feed_id,
        loading_id=piece.loading_id,
    )


def _open(reading: Reading, act: Act, plan: _Plan) -> None:
    """Say of each spool that was drawn from, and not said to be opened, that it was opened that day."""
    first: dict[int, datetime] = {}
    for row, piece in plan.draws:
        if piece.spool_id and row.head.ended_at:
            first.setdefault(piece.spool_id, row.head.ended_at)
    for some in batched(sorted(first)):
        query = select(Spool).where(col(Spool.id).in_(some), col(Spool.opened_on).is_(None))
        for spool in reading.session.scalars(query).all():
            change(reading.session, act, spool, opened_on=reading.clock.day_of(first[spool.id]))


def _overdrawn(reading: Reading, plan: _Plan) -> tuple[str, ...]:
    """Give a note where spools gave more than was left on them."""
    drawn = sorted({piece.spool_id for _, piece in plan.draws if piece.spool_id})
    doubtful = 0
    for some in batched(drawn):
        query = select(col(Balance.spool_id)).where(col(Balance.spool_id).in_(some), col(Balance.doubtful))
        doubtful += len(reading.session.scalars(query).all())
    if not doubtful:
        return ()
    return (f"{doubtful} spools gave more than was left on them. It was booked; weigh them.",)
