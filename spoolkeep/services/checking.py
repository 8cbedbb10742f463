"""The check of what is on the feeds: whether each spool is the right one for the job that runs or comes next.

The Bench calls it within a scan, its board and Tonight for every feed. A wrong spool is booked all the same, since it
is on the machine in fact; until the right one comes, or a person keeps it on for a reason, its machine shows it.
"""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime

from sqlalchemy import bindparam, select
from sqlalchemy.orm import Session
from sqlmodel import col

from spoolkeep.domain import night
from spoolkeep.domain.airing import SECONDS_AN_HOUR, dry_hours, hours_by_days, is_ready, ready_at
from spoolkeep.domain.drift import Drawn, Estimate
from spoolkeep.domain.errors import BadInput, Conflict
from spoolkeep.domain.feeding import Share, shares
from spoolkeep.domain.formats import Formats
from spoolkeep.domain.night import Print
from spoolkeep.domain.rightspool import Fault, Held, Kinds, Wanted, Weight, faults, graver_first, instead_of, of_standby
from spoolkeep.domain.words import Finish
from spoolkeep.services import finding, floor, untold
from spoolkeep.services.finding import Item
from spoolkeep.services.floor import FeedState, JobToCome, Lying, MachineState
from spoolkeep.services.loadings import in_use_at, loaded_on
from spoolkeep.services.shop import load_shop
from spoolkeep.store.acts import By, once
from spoolkeep.store.journal import batched, create
from spoolkeep.store.rows import Found, read
from spoolkeep.store.tables import Act, KeptOn, Material, ProductPart, Spool, Substitute

MOST_WHY = 80
_OF_THE_MACHINE = frozenset({"reel", "cardboard", "enclosed", "hardened"})
"""What does not hang on a job: answered without one, it is answered for all."""
_ANY = _OF_THE_MACHINE | {"material", "diameter", "colour", "make", "lot", "waits_material", "waits_colour"}
"""What a person may answer. A spool that is set aside is let go on its own page."""


@dataclass(frozen=True)
class Checked:
    """What is not right about the spool on a feed, the gravest first, and for which job."""

    feed_id: int
    found: tuple[Fault, ...] = ()
    job_id: int | None = None
    article_id: int | None = None
    """The item that the job wants there."""
    needs_mg: int = 0
    kept: str = ""
    """Why a person keeps it on although it stops or asks."""
    answered: frozenset[str] = frozenset()
    """The codes of the faults that this answers."""
    instead: str = ""
    """That it is an accepted substitute for what the job wants, in a sentence."""

    @property
    def weight(self) -> Weight | None:
        """Give how much the gravest weighs that nobody has answered."""
        return next((one.weight for one in self.open), None)

    @property
    def open(self) -> tuple[Fault, ...]:
        """Give the faults that nobody has answered."""
        return tuple(one for one in self.found if one.weight is Weight.TELL or one.code not in self.answered)

    @property
    def words(self) -> str:
        """Give them in sentences."""
        return " ".join(one.words for one in self.open)


@dataclass(frozen=True)
class KeptAnswer:
    """That a spool stays on although it does not match."""

    act_id: int
    words: str


@dataclass(frozen=True)
class Books:
    """What the check reads besides the floor."""

    materials: Mapping[str, Found]
    items: Mapping[int, Item]
    parts: Mapping[int, Sequence[Found]]
    instead: Mapping[int, frozenset[int]]
    today: date
    now: datetime
    formats: Formats

    def kinds(self, article_id: int) -> Kinds:
        """Give what an item is."""
        return self.kinds_of(self.items[article_id])

    def kinds_of(self, item: Item) -> Kinds:
        """Give what an item is, and what it asks of a machine."""
        material = self.materials[item.material]
        wears = material.asks_hardened or item.finish in {Finish.FILLED, Finish.GLOW}
        return Kinds(item.article_id, item.material, item.colour, item.diameter_um, material.asks_enclosed, wears)


@dataclass(frozen=True)
class _Case:
    """One feed with a spool, and one job that it may be for."""

    machine: MachineState
    feed: FeedState
    job: JobToCome | None
    share: Share | None

    @property
    def spool(self) -> Lying:
        """Give the spool in use."""
        assert self.feed.in_use is not None  # noqa: S101 - cases are of feeds with a spool
        return self.feed.in_use.spool


def of_floor(session: Session, now: datetime, machines: Sequence[MachineState], *, anew: bool = True) -> list[Checked]:
    """Give the check of every feed that carries a spool."""
    books = read_books(session, now, machines)
    cases = [case for machine in machines for case in _cases(machine)]
    chances = _chances(session, cases, anew=anew)
    kept = _kept(session, [one.feed.in_use.loading_id for one in cases if one.feed.in_use])
    found: dict[int, list[Checked]] = {}
    for at, case in enumerate(cases):
        checked = _check(session, books, case, chance=chances.get(at), kept=kept)
        found.setdefault(case.feed.feed_id, []).append(checked)
    return [_fitting(several, now, machines) for several in found.values()]


def of_feed(session: Session, now: datetime, feed_id: int, machine_id: int, *, anew: bool = False) -> Checked:
    """Give the check of one feed."""
    checked = of_floor(session, now, floor.machines(session, [machine_id]), anew=anew)
    return next((one for one in checked if one.feed_id == feed_id), Checked(feed_id))


def odd_about_machine(session: Session, now: datetime, machine_id: int) -> tuple[str, ...]:
    """Give what stops or asks on a machine, in sentences: a job that starts there runs all the same."""
    found = of_floor(session, now, floor.machines(session, [machine_id]), anew=False)
    grave = [one for one in found if one.weight in {Weight.STOP, Weight.ASK}]
    return tuple(
        ("STOP: " if fault.weight is Weight.STOP else "") + fault.words
        for one in grave
        for fault in one.open
        if fault.weight is not Weight.TELL
    )


def in_place(*, session: Session, now: datetime) -> dict[int, str]:
    """Give the jobs that run or come next on an accepted substitute, by number, and what stands in for what."""
    found: dict[int, list[str]] = {}
    for one in of_floor(session, now, floor.machines(session), anew=False):
        if one.job_id is not None and one.instead:
            found.setdefault(one.job_id, []).append(one.instead)
    return {number: " ".join(several) for number, several in found.items()}


def keep_on(*, session: Session, now: datetime, by: By, feed_id: int, why: str, spool_code: str = "") -> KeptAnswer:
    """Say that the spool on a feed stays on for the job that runs or comes next, and why.

    `spool_code` names the one that a person saw there. Errors: BadInput without a reason; NotFound; Conflict where
    nothing is wrong there, another spool is on it by now, or it is set aside.
    """

    def do(act: Act) -> KeptAnswer:
        feed = finding.feed(session, feed_id)
        there = loaded_on(session, feed_id)
        if spool_code and (there is None or finding.spool_of(session, spool_code).id != there.spool_id):
            raise Conflict("another_there", "Another spool is on that feed by now. Look again.")
        checked = of_feed(session, now, feed_id, feed.machine_id)
        if any(one.code == "aside" for one in checked.open):
            words = "That spool is set aside. Let it go on its page first, or take it off."
            raise Conflict("set_aside", words)
        if checked.weight not in {Weight.STOP, Weight.ASK}:
            raise Conflict("nothing_wrong", "Nothing stops there any more. Nothing was changed.")
        keep_on_within(session, act, checked, why=_reason(why), at=now)
        return KeptAnswer(act.id, f"It stays on {finding.feed_name(session, feed)}: {_reason(why)}.")

    request = {"feed_id": feed_id, "why": why, "spool_code": spool_code}
    return once(session, "keep on", by=by, now=now, request=request, answers=KeptAnswer, about=why.strip(), do=do)


def keep_on_within(session: Session, act: Act, checked: Checked, *, why: str, at: datetime) -> None:
    """Note within an act that what is on a feed stays on."""
    loading = loaded_on(session, checked.feed_id)
    assert loading is not None  # noqa: S101 - only a feed with a spool is checked
    answered = " ".join(one.code for one in checked.open if one.code in _ANY)
    create(session, act, KeptOn(loading_id=loading.id, job_id=checked.job_id, answered=answered, why=why, at=at))


def _reason(why: str) -> str:
    plain = " ".join(why.split()).rstrip(".")
    if not plain:
        raise BadInput("no_reason", "Say why this spool stays on, in a few words.")
    if len(plain) > MOST_WHY:
        raise BadInput("too_long", f"Say why in at most {MOST_WHY} characters.")
    return plain


def read_books(session: Session, now: datetime, machines: Sequence[MachineState]) -> Books:
    """Read what a check needs besides the floor: items, products and what may stand in for what."""
    jobs = [job for machine in machines for job in machine.jobs]
    shop = load_shop(session)
    products = {job.product_id for job in jobs if job.product_id}
    parts: dict[int, list[Found]] = {}
    for some in batched(sorted(products)):
        for part in read(session, _PARTS, {"products": list(some)}):
            parts.setdefault(part.product_id, []).append(part)
    wanted = {need.article_id for job in jobs for need in job.needs if need.article_id}
    wanted |= {part.article_id for several in parts.values() for part in several}
    there = {on.spool.item.article_id: on.spool.item for one in machines for on in one.on}
    others = wanted - there.keys()
    instead: dict[int, set[int]] = {}
    for row in read(session, _INSTEAD) if wanted else ():
        instead.setdefault(row.article_id, set()).add(row.instead_id)
    return Books(
        materials={row.code: row for row in read(session, _MATERIALS)},
        items=there | (finding.items(session, others) if others else {}),
        parts=parts,
        instead={number: frozenset(several) for number, several in instead.items()},
        today=shop.today(now),
        now=now,
        formats=shop.formats,
    )


_PARTS = select(ProductPart).where(
    col(ProductPart.product_id).in_(bindparam("products", expanding=True)), col(ProductPart.live)
)
_INSTEAD = select(col(Substitute.article_id), col(Substitute.instead_id)).where(col(Substitute.live))
_MATERIALS = select(Material)
_KEPT = (
    select(KeptOn)
    .where(col(KeptOn.loading_id).in_(bindparam("loadings", expanding=True)), col(KeptOn.live))
    .order_by(col(KeptOn.id))
)


def _cases(machine: MachineState) -> list[_Case]:
    """Give each feed that carries a spool with the job that runs there, and with the one that comes next."""
    jobs: list[JobToCome | None] = [*machine.jobs[:2]] if machine.jobs and machine.jobs[0].runs else [*machine.jobs[:1]]
    found = []
    for job in jobs or [None]:
        given = shares(job.needs, machine.loaded)[0] if job else {}
        found += [_Case(machine, feed, job, given.get(feed.feed_id)) for feed in machine.feeds if feed.in_use]
    return found


def _check(
    session: Session, books: Books, case: _Case, *, chance: float | None, kept: Mapping[int, list[Found]]
) -> Checked:
    wanted = _wanted(session, books, case) if case.share and case.job else None
    beside = held(books, case.spool, chance)
    waits = case.feed.standby
    found = graver_first(
        (
            *faults(wanted, beside, case.machine.limits),
            *(of_standby(beside.kinds, held(books, waits.spool)) if waits else ()),
        )
    )
    assert case.feed.in_use is not None  # noqa: S101 - cases are of feeds with a spool
    job_id = case.job.job_id if case.job else None
    answers = [
        (one.why, frozenset(one.answered.split()) & (_OF_THE_MACHINE if one.job_id != job_id else _ANY))
        for one in kept.get(case.feed.in_use.loading_id, [])
        if one.job_id in {None, job_id}
    ]
    return Checked(
        feed_id=case.feed.feed_id,
        found=found,
        job_id=job_id if case.share else None,
        article_id=case.share.article_id if case.share else None,
        needs_mg=_to_draw(case).metered_mg if case.share else 0,
        kept=answers[-1][0] if answers and answers[-1][1] else "",
        answered=frozenset().union(*(codes for _, codes in answers)),
        instead=instead_of(wanted, beside) if wanted else "",
    )


def held(books: Books, spool: Lying, chance: float | None = None) -> Held:
    """Give a spool as it is held beside what is wanted."""
    material = books.materials[spool.item.material]
    degrees = f"about {material.dry_celsius} °C" if material.dry_celsius else ""
    hours = f"{material.dry_hours} hours" if material.dry_hours else ""
    dry = " for ".join(filter(None, (degrees, hours)))
    return Held(
        kinds=books.kinds_of(spool.item),
        left_mg=spool.left_mg,
        chance=chance,
        make_id=spool.make_id,
        lot=spool.lot,
        reel_mm=spool.reel_mm,
        cardboard=spool.cardboard,
        aside=spool.aside,
        doubtful=spool.doubtful,
        out_hours=_out_hours(spool, books) if material.out_hours else None,
        may_hours=material.out_hours,
        drying=_drying(spool, books),
        dry=f"{dry} by its maker's sheet, in a dryer that is made for it" if dry else "",
    )


def _drying(spool: Lying, books: Books) -> str:
    """Say of a spool in a dryer until when it is to stay there; nothing where it is dry, or lies elsewhere."""
    ready = ready_at(spool.air, dry_hours=_dryer_hours(spool, books))
    if ready is None or ready <= books.now:
        return ""
    return f"It is in {spool.place} until {books.formats.moment(ready)}."


def _dryer_hours(spool: Lying, books: Books) -> int | None:
    return dry_hours(of_material=books.materials[spool.item.material].dry_hours, of_dryer=spool.dryer_hours)


def _out_hours(spool: Lying, books: Books) -> float | None:
    """Give for how long a spool has been out of the dry store; None where it is sealed, or nobody can know.

    What came out of a dryer in time has been out for no time, and what is dry in one too. Of a spool that nobody has
    followed (it came with a sheet, or was opened before this was kept) the days count, unless it lives in a dry box.
    """
    if spool.air.is_followed:
        is_dry = is_ready(spool.air, books.now, dry_hours=_dryer_hours(spool, books))
        return 0.0 if is_dry else spool.air.out_s(books.now) / SECONDS_AN_HOUR
    if spool.keeps_dry:
        return None
    return hours_by_days(opened_on=spool.opened_on, dried_on=spool.dried_on, today=books.today)


def _wanted(session: Session, books: Books, case: _Case) -> Wanted:
    job, share = case.job, case.share
    assert job is not None and share is not None  # noqa: S101, PT018 - asked by `_check`
    parts = books.parts.get(job.product_id or 0, ())
    numbers = [share.article_id] if share.article_id else [part.article_id for part in parts]
    makes = {part.make_id for part in parts if part.article_id == case.spool.item.article_id}
    return Wanted(
        job=job.title,
        kinds=tuple(books.kinds(number) for number in numbers if number in books.items),
        instead=frozenset().union(*(books.instead.get(number, frozenset()) for number in numbers)),
        make_id=makes.pop() if len(makes) == 1 else None,
        lot=_lot(session, case) if share.one_lot else "",
        needs_mg=_to_draw(case).metered_mg,
    )


def _lot(session: Session, case: _Case) -> str:
    """Give the lot that a running job began with."""
    if case.job is None or not case.job.runs or case.job.started_at is None:
        return ""
    first = in_use_at(session, case.feed.feed_id, case.job.started_at)
    return session.get_one(Spool, first.spool_id).lot if first else ""


def _chances(session: Session, cases: Sequence[_Case], *, anew: bool) -> dict[int, float]:
    """Give the chance that what is on a feed lasts for a job, by the case's number."""
    found: dict[int, float] = {}
    rounds = (
        [at for at, one in enumerate(cases) if one.job and one.job.runs],
        [at for at, one in enumerate(cases) if one.job and not one.job.runs],
    )
    for numbers in rounds:
        coming = {cases[at].spool.spool_id: _to_draw(cases[at]) for at in numbers if cases[at].share}
        after = untold.after(session, coming, anew=anew) if coming else {}
        for at in numbers:
            case = cases[at]
            if case.share and case.spool.spool_id in after:
                found[at] = night.chance(with_standby(after[case.spool.spool_id], case.feed))
            elif case.share:
                found[at] = float(case.spool.left_mg >= case.share.mg)
    return found


def with_standby(after: Estimate, feed: FeedState) -> Estimate:
    """Give what would be left, what stands by counted in where it is the same item."""
    waits, first = feed.standby, feed.in_use
    if waits is None or first is None or waits.spool.item != first.spool.item or waits.spool.aside:
        return after
    return Estimate(after.mean + waits.spool.left_mg, after.sd, irregular=after.irregular)


def _to_draw(case: _Case) -> Drawn:
    """Give what a job will still draw from the spool: of one that runs, what it drew before is on another's."""
    assert case.job is not None and case.share is not None and case.feed.in_use is not None  # noqa: S101, PT018 - cases
    run = Print(case.job.title, {}, case.job.lasts, starts_at=case.job.paced_from)
    gone = run.share_by(case.feed.in_use.since) if case.job.runs and case.job.lasts else 0.0
    mg = round(case.share.mg * (1 - gone))
    return drawn(case.machine.machine_id, case.spool.item.material, mg, jobs=1)


def drawn(machine_id: int, material: str, mg: int, *, jobs: int) -> Drawn:
    """Give what so many jobs draw on a machine of a material, as what was learned is asked for it."""
    return Drawn({(machine_id, material): mg}, mg * mg // max(1, jobs), jobs)


def _kept(session: Session, loading_ids: Collection[int]) -> dict[int, list[Found]]:
    found: dict[int, list[Found]] = {}
    for some in batched(sorted(loading_ids)):
        for row in read(session, _KEPT, {"loadings": list(some)}):
            found.setdefault(row.loading_id, []).append(row)
    return found


def _fitting(several: Sequence[Checked], now: datetime, machines: Sequence[MachineState]) -> Checked:
    """Give the check that counts of a feed: by the job that runs, or by the next one where the spool is right for it.

    A job that runs by the books may have ended with nobody having said so yet; who loads for the next one is right.
    """
    first = several[0]
    if len(several) == 1 or first.weight not in {Weight.STOP, Weight.ASK}:
        return first
    second = several[1]
    job = next((one for machine in machines for one in machine.jobs if one.job_id == first.job_id), None)
    on = next(feed.in_use for machine in machines for feed in machine.feeds if feed.feed_id == first.feed_id)
    if job and job.started_at and on and on.from_at <= job.started_at and not _is_over(job, now):
        return first  # it was there when the job began, so nobody has loaded it for the next one
    if second.job_id is not None and second.weight not in {Weight.STOP, Weight.ASK}:
        return second
    return second if _is_over(job, now) and second.job_id is not None else first


def _is_over(job: JobToCome | None, now: datetime) -> bool:
    return bool(job and job.paced_from and job.lasts and job.paced_from + job.lasts < now)
