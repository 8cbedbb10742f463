"""One spool's life outside jobs: weighed, counted, found, scrapped, returned, written off; and its page.

The web's spool page calls it.
"""

from dataclasses import dataclass
from datetime import date, datetime

from sqlalchemy import case, func, select
from sqlalchemy.orm import Session
from sqlmodel import col

from spoolkeep.domain.codes import CodeKind
from spoolkeep.domain.errors import BadInput, Conflict
from spoolkeep.domain.units import MG_PER_G
from spoolkeep.domain.winding import RulerEstimate, wound_mg
from spoolkeep.domain.words import Kind
from spoolkeep.services import asides, creditnotes, finding, tares
from spoolkeep.services.finding import Item
from spoolkeep.services.loadings import take_off
from spoolkeep.services.shop import code_text, load_shop
from spoolkeep.services.tares import LearnedTare
from spoolkeep.store.acts import By, once
from spoolkeep.store.journal import change
from spoolkeep.store.ledger import Event, book
from spoolkeep.store.tables import Act, Balance, Job, Line, Loading, Movement, Place, Spool, Supplier

LEAVES = (Kind.SCRAP, Kind.RETURN, Kind.WRITE_OFF)
MOST_GROSS_MG = 100_000_000
RAN_OUT = "ran out"
"""The act by which a spool is told to have ended; on stock it is a count."""


@dataclass(frozen=True)
class SpoolAnswer:
    """What is left on a spool after something was booked on it."""

    act_id: int
    spool_code: str
    left_mg: int
    change_mg: int
    questioned: str = ""
    """What is odd about a reading that was booked all the same."""


@dataclass(frozen=True)
class SpoolEvent:
    """One line of a spool's history, newest first."""

    act_id: int
    kind: str
    occurred_at: datetime
    mg: int
    found_mg: int
    """What turned up at once, because more went than was left."""
    value_minor: int
    job: str
    taken_back: bool
    sheet: str
    """The file whose import booked it with all its other rows; empty where it was booked by itself."""


@dataclass(frozen=True)
class SpoolView:
    """A spool as its page shows it."""

    code: str
    item: Item
    left_mg: int
    received_mg: int
    tare_mg: int | None
    learned_tare: LearnedTare | None
    """What reels of its kind weigh, where its own weight is not known."""
    value_minor: int
    cost_minor: int
    doubtful: bool
    lot: str
    supplier: str
    place: str
    feed: str
    received_on: date
    opened_on: date | None
    retired_on: date | None
    aside: str | None
    """Why it is set aside; None where it is not."""
    events: tuple[SpoolEvent, ...]


def weigh(
    *, session: Session, now: datetime, by: By, spool_code: str, gross_mg: int, at: datetime | None = None
) -> SpoolAnswer:
    """Settle a spool by a scale's gross reading. A reading below the tare is booked as empty, and questioned.

    Errors: BadInput where no tare is known or no scale could show it; NotFound.
    """

    def do(act: Act) -> SpoolAnswer:
        spool = finding.spool_of(session, spool_code)
        return put_on_scale(session, act, spool, gross_mg=gross_mg, at=_past(at, now))

    request = {"spool_code": spool_code, "gross_mg": gross_mg, "at": at}
    return once(session, "weighing", by=by, now=now, request=request, answers=SpoolAnswer, about=spool_code, do=do)


def put_on_scale(session: Session, act: Act, spool: Spool, *, gross_mg: int, at: datetime) -> SpoolAnswer:
    """Book a scale's reading within an act. Errors: as `weigh`."""
    tare_mg, question = spool.tare_mg, ""
    if tare_mg is None:
        known = tares.of_spool(session, spool)
        if known is None:
            words = "The empty weight of this reel is not known. Enter its tare on the spool's page, then weigh."
            raise Conflict("no_tare", words)
        tare_mg, question = known.mg, f"Its reel was never weighed: {known.in_words()} were taken off."
    if not 0 <= gross_mg <= MOST_GROSS_MG:
        raise BadInput("no_such_weight", "A reading is 0 to 100 kg. Enter grams as the scale shows them.")
    net_mg = gross_mg - tare_mg
    event = Event(
        kind=Kind.WEIGHING,
        occurred_at=at,
        spool_id=spool.id,
        leaves_mg=max(0, net_mg),
        gross_mg=gross_mg,
        tare_mg=tare_mg,
    )
    question = " ".join(filter(None, (question, _question(session, spool, net_mg))))
    return _book(session, act, spool, event, questioned=question)


def count(
    *, session: Session, now: datetime, by: By, spool_code: str, left_mg: int, at: datetime | None = None
) -> SpoolAnswer:
    """Settle a spool by what a count says is on it. Errors: BadInput, NotFound."""

    def do(act: Act) -> SpoolAnswer:
        spool = finding.spool_of(session, spool_code)
        if not 0 <= left_mg <= MOST_GROSS_MG:
            raise BadInput("no_such_weight", "What is left is 0 to 100 kg. Enter grams.")
        event = Event(kind=Kind.COUNT, occurred_at=_past(at, now), spool_id=spool.id, leaves_mg=left_mg)
        return _book(session, act, spool, event, questioned=_question(session, spool, left_mg))

    request = {"spool_code": spool_code, "left_mg": left_mg, "at": at}
    return once(session, "count", by=by, now=now, request=request, answers=SpoolAnswer, about=spool_code, do=do)


def by_ruler(
    *, session: Session, now: datetime, by: By, spool_code: str, lengths_mm: tuple[float, float, float]
) -> RulerEstimate:
    """Settle a spool by its winding's outer diameter, inner diameter and width. Errors: BadInput, NotFound."""
    spool = finding.spool_of(session, spool_code)
    density = finding.item(session, spool.article_id).density_mg_per_cm3
    estimate = wound_mg(*lengths_mm, density_mg_per_cm3=density)
    count(session=session, now=now, by=by, spool_code=spool_code, left_mg=estimate.mg)
    return estimate


def found(
    *, session: Session, now: datetime, by: By, spool_code: str, mg: int, at: datetime | None = None
) -> SpoolAnswer:
    """Book grams that turned up on a spool. Errors: BadInput, NotFound."""

    def do(act: Act) -> SpoolAnswer:
        spool = finding.spool_of(session, spool_code)
        if mg <= 0:
            raise BadInput("not_positive", "Enter more than 0 g.")
        event = Event(kind=Kind.FOUND, occurred_at=_past(at, now), spool_id=spool.id, asked_mg=mg)
        return _book(session, act, spool, event)

    request = {"spool_code": spool_code, "mg": mg, "at": at}
    return once(session, "found", by=by, now=now, request=request, answers=SpoolAnswer, about=spool_code, do=do)


def give_up(
    *,
    session: Session,
    now: datetime,
    by: By,
    spool_code: str,
    kind: Kind,
    mg: int | None = None,
    at: datetime | None = None,
) -> SpoolAnswer:
    """Scrap, return or write off a spool: some grams of it, or all that is left, which retires it.

    Errors: BadInput, NotFound; Conflict where more is returned now than is left.
    """

    def do(act: Act) -> SpoolAnswer:
        spool = finding.spool_of(session, spool_code)
        if kind not in LEAVES:
            raise BadInput("unknown_kind", "A spool is scrapped, returned or written off.")
        if mg is not None and mg <= 0:
            raise BadInput("not_positive", "Enter more than 0 g, or nothing for all that is left.")
        when = _past(at, now)
        if mg is None:
            retire(session, act, spool, at=when)
        left_mg = _left(session, spool.id)
        more = mg is not None and mg > left_mg
        if more and kind is Kind.RETURN and at is None:
            words = f"By the books {left_mg / MG_PER_G:g} g are left. Weigh it first, or return all that is left."
            raise Conflict("more_than_left", words)
        question = "That is more than was left. It was booked; weigh the spool." if more else ""
        leaves, asked = (0, None) if mg is None else (None, -mg)
        event = Event(kind=kind, occurred_at=when, spool_id=spool.id, leaves_mg=leaves, asked_mg=asked)
        before_minor = session.get_one(Balance, spool.id).value_minor
        answer = _book(session, act, spool, event, questioned=question)
        if kind is Kind.RETURN:
            worth = before_minor - session.get_one(Balance, spool.id).value_minor
            creditnotes.ask(session, act, [(spool, max(0, worth))], at=when)
        return answer

    request = {"spool_code": spool_code, "kind": kind, "mg": mg, "at": at}
    return once(session, str(kind), by=by, now=now, request=request, answers=SpoolAnswer, about=spool_code, do=do)


def retire(session: Session, act: Act, spool: Spool, *, at: datetime) -> None:
    """Take a spool that is given up off its machine and off the shelf, within an act."""
    take_off(session, act, spool=spool, at=at)
    change(session, act, spool, retired_on=load_shop(session).today(at))


def set_tare(*, session: Session, now: datetime, by: By, spool_code: str, tare_mg: int) -> SpoolAnswer:
    """Enter the empty weight of a spool's reel. Errors: BadInput, NotFound."""

    def do(act: Act) -> SpoolAnswer:
        spool = finding.spool_of(session, spool_code)
        if not 0 <= tare_mg <= MOST_GROSS_MG:
            raise BadInput("no_such_weight", "A tare is 0 to 100 kg. Enter grams.")
        change(session, act, spool, tare_mg=tare_mg)
        return SpoolAnswer(act.id, code_text(CodeKind.SPOOL, spool.serial), _left(session, spool.id), 0)

    request = {"spool_code": spool_code, "tare_mg": tare_mg}
    return once(session, "tare", by=by, now=now, request=request, answers=SpoolAnswer, about=spool_code, do=do)


def change_cost(*, session: Session, now: datetime, by: By, spool_code: str, cost_minor: int) -> SpoolAnswer:
    """Book a later change of what a spool cost: freight that came in late, or a corrected price. Errors: as above."""

    def do(act: Act) -> SpoolAnswer:
        spool = finding.spool_of(session, spool_code)
        balance = session.get_one(Balance, spool.id)
        if cost_minor == 0 or balance.cost_minor + cost_minor < 0:
            raise BadInput("no_such_cost", "The change must not be 0, and a spool cannot cost less than nothing.")
        event = Event(kind=Kind.COST, occurred_at=now, spool_id=spool.id, asked_mg=0, cost_minor=cost_minor)
        return _book(session, act, spool, event)

    request = {"spool_code": spool_code, "cost_minor": cost_minor}
    return once(session, "cost", by=by, now=now, request=request, answers=SpoolAnswer, about=spool_code, do=do)


def view(*, session: Session, spool_code: str) -> SpoolView:
    """Give a spool with its history. Errors: BadInput, NotFound."""
    spool = finding.spool_of(session, spool_code)
    balance = session.get_one(Balance, spool.id)
    supplier = session.get(Supplier, spool.supplier_id) if spool.supplier_id else None
    place = session.get(Place, spool.place_id) if spool.place_id else None
    return SpoolView(
        code=code_text(CodeKind.SPOOL, spool.serial),
        item=finding.item(session, spool.article_id),
        left_mg=balance.left_mg,
        received_mg=balance.received_mg,
        value_minor=balance.value_minor,
        cost_minor=balance.cost_minor,
        doubtful=balance.doubtful,
        tare_mg=spool.tare_mg,
        learned_tare=tares.of_spool(session, spool) if spool.tare_mg is None else None,
        lot=spool.lot,
        supplier=supplier.name if supplier else "",
        place=place.name if place else "",
        feed=_feed(session, spool.id),
        received_on=spool.received_on,
        opened_on=spool.opened_on,
        retired_on=spool.retired_on,
        aside=asides.why_aside(session, spool),
        events=_events(session, spool.id),
    )


def _book(session: Session, act: Act, spool: Spool, event: Event, *, questioned: str = "") -> SpoolAnswer:
    before = _left(session, spool.id)
    book(session, act, [event])
    after = _left(session, spool.id)
    return SpoolAnswer(act.id, code_text(CodeKind.SPOOL, spool.serial), after, after - before, questioned)


def _left(session: Session, spool_id: int) -> int:
    balance = session.get(Balance, spool_id)
    return balance.left_mg if balance else 0


def _question(session: Session, spool: Spool, net_mg: int) -> str:
    balance = session.get(Balance, spool.id)
    if net_mg < 0:
        return "The reading is lighter than the empty reel. It was booked as empty; check the tare and weigh again."
    if balance and balance.received_mg and 10 * net_mg > 11 * balance.received_mg:
        return "That is more than the full spool held. It was booked; check the figure, and the tare if you weighed."
    return ""


def _past(at: datetime | None, now: datetime) -> datetime:
    if at is not None and at > now:
        raise BadInput("in_the_future", "That moment lies in the future. Check the date.")
    return at or now


def _feed(session: Session, spool_id: int) -> str:
    query = select(Loading).where(col(Loading.spool_id) == spool_id, col(Loading.live), col(Loading.until_at).is_(None))
    loading = session.scalars(query).first()
    return finding.feed_name(session, finding.feed(session, loading.feed_id)) if loading else ""


def _events(session: Session, spool_id: int) -> tuple[SpoolEvent, ...]:
    back = select(col(Movement.reverses_id)).where(col(Movement.reverses_id).is_not(None))
    beside = (col(Line.kind) == Kind.FOUND) & (col(Movement.kind) != Kind.FOUND)
    query = (
        select(
            Movement,
            Act,
            func.coalesce(func.sum(case((beside, 0), else_=col(Line.mg))), 0),
            func.coalesce(func.sum(case((beside, col(Line.mg)), else_=0)), 0),
            func.coalesce(func.sum(col(Line.value_minor)), 0),
        )
        .join(Act, col(Act.id) == col(Movement.act_id))
        .outerjoin(Line, col(Line.movement_id) == col(Movement.id))
        .where(col(Movement.spool_id) == spool_id, col(Movement.sign) == 1)
        .group_by(col(Movement.id), col(Act.id))
        .order_by(col(Movement.sort_key).desc())
    )
    gone = set(session.scalars(back.where(col(Movement.spool_id) == spool_id)))
    rows = session.execute(query).all()
    wanted = {movement.job_id for movement, *_ in rows if movement.job_id}
    titles = {job.id: job.title for job in session.scalars(select(Job).where(col(Job.id).in_(wanted)))}
    return tuple(
        SpoolEvent(
            act_id=movement.act_id,
            kind=act.kind if act.kind == RAN_OUT else movement.kind,
            occurred_at=movement.occurred_at,
            mg=int(mg),
            found_mg=int(found),
            value_minor=int(value),
            job=titles.get(movement.job_id or 0, ""),
            taken_back=movement.id in gone,
            sheet=act.about if act.kind.startswith("import ") else "",
        )
        for movement, act, mg, found, value in rows
    )
