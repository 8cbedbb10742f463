"""Mending what was entered: an item's colour, shade, density and diameter; names; and what is retired or taken back.

The pages under Setup call it. What was booked stays as it is.
"""

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import func, select
from sqlalchemy.orm import Session
from sqlmodel import col

from spoolkeep.domain.colour import srgb as read_srgb
from spoolkeep.domain.errors import BadInput, Conflict, NotFound
from spoolkeep.domain.words import Finish, JobState
from spoolkeep.services import finding, names
from spoolkeep.services.catalogue import Made, colour_of, find_article, free_name
from spoolkeep.services.finding import Item
from spoolkeep.services.materials import check_density
from spoolkeep.services.names import Named
from spoolkeep.store.acts import By, once
from spoolkeep.store.journal import change, change_all
from spoolkeep.store.tables import (
    Act,
    Article,
    ColourValue,
    Feed,
    Job,
    JobFeed,
    Loading,
    Machine,
    Material,
    Place,
    Product,
    Spool,
    Supplier,
)

LEAST_DIAMETER, MOST_DIAMETER = 1000, 5000
MOST_SHADES, LONGEST = 4, 80
KINDS: Mapping[str, type[Named]] = {"place": Place, "machine": Machine, "product": Product, "supplier": Supplier}


@dataclass(frozen=True)
class ItemEntry:
    """An item as it is changed."""

    colour: str
    finish: Finish
    shades: tuple[str, ...]
    diameter_um: int
    density_mg_per_cm3: int | None
    """None for its material's."""


@dataclass(frozen=True)
class ItemView:
    """An item and what can be changed about it."""

    item: Item
    own_density_mg_per_cm3: int | None
    usual_density_mg_per_cm3: int
    """Its material's."""
    metered_jobs: int
    """Jobs to come of which a motion file was metered by its density and diameter."""
    spools: int
    """On which something is left, or that are not given up."""
    former: tuple[str, ...]
    others: tuple[tuple[int, str], ...]
    """Items in use that it could be merged into."""


@dataclass(frozen=True)
class NamedView:
    """A place, machine, product or supplier, and what it was called before."""

    kind: str
    number: int
    name: str
    retired: bool
    former: tuple[str, ...]
    others: tuple[tuple[int, str], ...]
    """Suppliers that it could be merged into."""


def item_view(*, session: Session, article_id: int) -> ItemView:
    """Give an item and what can be changed about it. Errors: NotFound, Conflict."""
    item, row = finding.item(session, article_id), finding.live(session, Article, article_id)
    known = finding.items(session).values()
    merged = (one.name for one in known if one.now_id == article_id)
    here = col(Spool.article_id) == article_id, col(Spool.live), col(Spool.retired_on).is_(None)
    return ItemView(
        item=item,
        own_density_mg_per_cm3=row.density_mg_per_cm3,
        usual_density_mg_per_cm3=session.get_one(Material, row.material_id).density_mg_per_cm3,
        metered_jobs=_metered_jobs(session, article_id),
        spools=session.scalar(select(func.count()).select_from(Spool).where(*here)) or 0,
        former=_formers(session, ("item", article_id), now=item.name, merged=merged),
        others=tuple((one.article_id, one.name) for one in known if not one.retired and one != item),
    )


def _metered_jobs(session: Session, article_id: int) -> int:
    query = (
        select(func.count(col(Job.id).distinct()))
        .join(JobFeed, col(JobFeed.job_id) == col(Job.id))
        .where(col(Job.live), col(Job.state) != JobState.ENDED, col(Job.motion_file_id).is_not(None))
        .where(col(JobFeed.live), col(JobFeed.article_id) == article_id)
    )
    return session.scalar(query) or 0


def _formers(session: Session, which: tuple[str, int], *, now: str, merged: Iterable[str] = ()) -> tuple[str, ...]:
    """Give what something was called before, and what was merged into it; not what it is called now."""
    former = (one.name for one in names.former(session) if (one.kind, one.number) == which)
    return tuple(name for name in dict.fromkeys([*former, *merged]) if name != now)


def named_view(*, session: Session, kind: str, number: int) -> NamedView:
    """Give what is named, and how. Errors: NotFound, Conflict."""
    row = _named(session, kind, number)
    others: tuple[tuple[int, str], ...] = ()
    merged: list[str] = []
    if isinstance(row, Supplier):
        query = select(col(Supplier.id), col(Supplier.name)).where(col(Supplier.live), ~col(Supplier.retired))
        rows = session.execute(query.where(col(Supplier.id) != number).order_by(col(Supplier.name)))
        others = tuple((other, name) for other, name in rows)
        merged = list(session.scalars(select(col(Supplier.name)).where(col(Supplier.now_id) == number)))
    former = _formers(session, (kind, number), now=row.name, merged=merged)
    return NamedView(kind, number, row.name, row.retired, former, others)


def change_item(*, session: Session, now: datetime, by: By, article_id: int, entry: ItemEntry) -> Made:
    """Change what an item is called and how it looks and weighs; no gram that was booked or planned changes.

    Errors: BadInput, NotFound, Conflict where another item is just that.
    """

    def do(act: Act) -> Made:
        row, item = finding.live(session, Article, article_id), finding.item(session, article_id)
        shades = _check(entry)
        colour = colour_of(session, entry.colour, entry.finish, shades)
        _refuse_another(session, item, colour.name, entry)
        if (item.colour, item.finish, item.diameter_um) != (colour.name, entry.finish, entry.diameter_um):
            names.remember_item(session, act, item, row.material_id)
        change(
            session,
            act,
            row,
            colour_id=colour.id,
            diameter_um=entry.diameter_um,
            density_mg_per_cm3=entry.density_mg_per_cm3,
            srgb=None if shades == _shades(session, colour.id) else " ".join(shades),
        )
        return Made(act.id, article_id)

    request = {"article_id": article_id, **vars(entry)}
    about = lambda: finding.item(session, article_id).name  # noqa: E731 - asked only where it is new
    return once(session, "change item", by=by, now=now, request=request, answers=Made, about=about, do=do)


def _check(entry: ItemEntry) -> tuple[str, ...]:
    """Give the shades as they are kept. Errors: BadInput."""
    if not 0 < len(" ".join(entry.colour.split())) <= LONGEST:
        raise BadInput("no_colour", f"Name the colour in 1 to {LONGEST} characters.")
    if not 0 < len(entry.shades) <= MOST_SHADES:
        raise BadInput("no_shade", f"Give 1 to {MOST_SHADES} shades, like #1f6feb.")
    if not LEAST_DIAMETER <= entry.diameter_um <= MOST_DIAMETER:
        raise BadInput("no_such_diameter", "A diameter is 1 to 5 mm. Usual are 1.75 and 2.85.")
    if entry.density_mg_per_cm3 is not None:
        check_density(entry.density_mg_per_cm3)
    return tuple(map(read_srgb, entry.shades))


def _refuse_another(session: Session, item: Item, colour: str, entry: ItemEntry) -> None:
    other = _used(session, item, colour=colour, finish=entry.finish, diameter_um=entry.diameter_um)
    if other is not None and other.id != item.article_id and not item.retired:
        name = finding.item_name(session, other.id)
        words = f"{name} ({entry.finish}) is there already. If both are the same plastic, merge this one into it."
        raise Conflict("item_is_there", words)


def _used(session: Session, item: Item, *, colour: str, finish: Finish, diameter_um: int) -> Article | None:
    """Give the item in use that is as this one would be."""
    return find_article(session, material=item.material, colour=colour, finish=finish, diameter_um=diameter_um)


def _shades(session: Session, colour_id: int) -> tuple[str, ...]:
    query = select(col(ColourValue.srgb)).where(col(ColourValue.colour_id) == colour_id)
    return tuple(session.scalars(query.order_by(col(ColourValue.position))))


def retire_item(*, session: Session, now: datetime, by: By, article_id: int, retired: bool) -> Made:
    """Retire an item, or take it back: its spools and all that was booked stay. Errors: NotFound, Conflict."""

    def do(act: Act) -> Made:
        row, item = finding.live(session, Article, article_id), finding.item(session, article_id)
        _refuse_said(item.name, now_so=row.retired, retired=retired)
        if not retired:
            finish, diameter_um = Finish(item.finish), item.diameter_um
            if _used(session, item, colour=item.colour, finish=finish, diameter_um=diameter_um) is not None:
                raise Conflict("item_is_there", f"{item.name} has been entered anew since. Merge this one into it.")
        change(session, act, row, retired=retired)
        return Made(act.id, article_id)

    request = {"article_id": article_id, "retired": retired}
    about = lambda: finding.item(session, article_id).name  # noqa: E731 - asked only where it is new
    return once(
        session, f"{_word(retired=retired)} item", by=by, now=now, request=request, answers=Made, about=about, do=do
    )


def _word(*, retired: bool) -> str:
    return "retire" if retired else "take back"


def _refuse_said(name: str, *, now_so: bool, retired: bool) -> None:
    if now_so == retired:
        raise Conflict("said_before", f"{name} is {'retired' if retired else 'in use'} already. Nothing was changed.")


def rename(*, session: Session, now: datetime, by: By, kind: str, number: int, name: str) -> Made:
    """Call a place, machine, product or supplier otherwise; its former name still finds it.

    Errors: BadInput, NotFound, Conflict where something in use has that name.
    """

    def do(act: Act) -> Made:
        row = _named(session, kind, number)
        call(session, act, row, free_name(session, type(row), name, but=number))
        return Made(act.id, number)

    request = {"kind": kind, "number": number, "name": name}
    about = lambda: _named(session, kind, number).name  # noqa: E731 - asked only where it is new
    return once(session, f"rename {kind}", by=by, now=now, request=request, answers=Made, about=about, do=do)


def _named(session: Session, kind: str, number: int) -> Named:
    """Give what is meant. Errors: NotFound, Conflict."""
    if kind not in KINDS:
        raise NotFound("no_such_page", "There is no such page.")
    return finding.live(session, KINDS[kind], number)


def call(session: Session, act: Act, row: Named, name: str) -> None:
    """Give something a name within an act, and keep the former one."""
    if row.name != name:
        names.remember(session, act, row, name)
        change(session, act, row, name=name)


def retire(*, session: Session, now: datetime, by: By, kind: str, number: int, retired: bool) -> Made:
    """Retire a place, machine, product or supplier, or take it back. A place is then nobody's home any more.

    Errors: NotFound; Conflict where a place holds spools, or a machine is loaded or has jobs to come.
    """

    def do(act: Act) -> Made:
        row = _named(session, kind, number)
        _refuse_said(row.name, now_so=row.retired, retired=retired)
        if retired and isinstance(row, Place | Machine):
            _STILL[type(row)](session, number, row.name)
        if not retired:
            free_name(session, type(row), row.name, but=number)
        change(session, act, row, retired=retired)
        if retired and isinstance(row, Place):
            homes = session.scalars(select(col(Spool.id)).where(col(Spool.home_id) == number)).all()
            change_all(session, act, Spool, homes, home_id=None)
        return Made(act.id, number)

    request = {"kind": kind, "number": number, "retired": retired}
    about = lambda: _named(session, kind, number).name  # noqa: E731 - asked only where it is new
    named = f"{_word(retired=retired)} {kind}"
    return once(session, named, by=by, now=now, request=request, answers=Made, about=about, do=do)


def _refuse_spools(session: Session, place_id: int, name: str) -> None:
    there = col(Spool.place_id) == place_id, col(Spool.live), col(Spool.retired_on).is_(None)
    count = session.scalar(select(func.count()).select_from(Spool).where(*there)) or 0
    if count:
        lie = "spool is" if count == 1 else "spools are"
        raise Conflict("place_holds_spools", f"{count} {lie} at {name}. Shelve them elsewhere first.")


def _refuse_work(session: Session, machine_id: int, name: str) -> None:
    loaded = (
        select(col(Loading.id))
        .join(Feed, col(Feed.id) == col(Loading.feed_id))
        .where(col(Feed.machine_id) == machine_id, col(Loading.live), col(Loading.until_at).is_(None))
    )
    if session.scalars(loaded).first() is not None:
        raise Conflict("machine_is_loaded", f"A spool is on {name}. Take it off first.")
    jobs = select(Job).where(col(Job.machine_id) == machine_id, col(Job.live), col(Job.state) != JobState.ENDED)
    job = session.scalars(jobs.order_by(col(Job.id))).first()
    if job is not None:
        raise Conflict("machine_has_jobs", f"“{job.title}” is {job.state} on {name}. End it or call it off first.")


_STILL: Mapping[type[Named], Callable[[Session, int, str], None]] = {Place: _refuse_spools, Machine: _refuse_work}


def retired_named(*, session: Session) -> list[tuple[str, int, str]]:
    """Give every place, machine, product and supplier that is retired, and was not merged: kind, number and name."""
    found: list[tuple[str, int, str]] = []
    for kind, model in KINDS.items():
        rows = select(col(model.id), col(model.name)).where(col(model.live), col(model.retired))
        if model is Supplier:
            rows = rows.where(col(Supplier.now_id).is_(None))
        found += [(kind, number, name) for number, name in session.execute(rows.order_by(col(model.name)))]
    return found
