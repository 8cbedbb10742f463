"""Materials: how each is dried and kept, what it asks of a machine, and what is to be minded of it.

The page of materials calls it.
"""

from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import func, select
from sqlalchemy.orm import Session
from sqlmodel import col

from spoolkeep.domain.care import Note, notes
from spoolkeep.domain.errors import BadInput, Conflict
from spoolkeep.services import finding
from spoolkeep.services.catalogue import Made
from spoolkeep.store.acts import By, once
from spoolkeep.store.journal import change, create
from spoolkeep.store.tables import Act, Article, Material

DENSITIES_MG_PER_CM3 = range(500, 10_001)
MOST_CODE, MOST_NAME, MOST_CARE = 12, 80, 400
DRY_CELSIUS, DRY_HOURS, OUT_HOURS = range(30, 201), range(1, 241), range(1, 8761)


@dataclass(frozen=True)
class MaterialEntry:
    """What is known of a material, as it is entered. None: its maker's sheet alone says it, or it does not matter."""

    name: str
    density_mg_per_cm3: int
    dry_celsius: int | None = None
    dry_hours: int | None = None
    out_hours: int | None = None
    """Hours that it may be out of the dry store."""
    asks_enclosed: bool = False
    asks_hardened: bool = False
    care: str = ""
    """What the workshop itself knows of it."""


@dataclass(frozen=True)
class MaterialView:
    """A material, how many items are of it, and what is to be minded."""

    material_id: int
    code: str
    entry: MaterialEntry
    items: int
    notes: tuple[Note, ...]


def listing(*, session: Session) -> list[MaterialView]:
    """Give the materials by their short names."""
    count = select(func.count()).where(col(Article.material_id) == col(Material.id), col(Article.live))
    query = select(Material, count.correlate(Material).scalar_subquery()).where(col(Material.live))
    return [
        MaterialView(row.id, row.code, _entry(row), items, notes(row.code, thirsty=row.out_hours is not None))
        for row, items in session.execute(query.order_by(col(Material.code)))
    ]


def of_item(*, session: Session, article_id: int, finish: str) -> tuple[Note, ...]:
    """Give what is to be minded of an item: what the workshop knows of its material comes first. Errors: NotFound."""
    row = session.get_one(Material, finding.live(session, Article, article_id).material_id)
    return notes(row.code, finish, thirsty=row.out_hours is not None)


def add(*, session: Session, now: datetime, by: By, code: str, entry: MaterialEntry) -> Made:
    """Enter a material by its short name. Errors: BadInput; Conflict where it is there."""
    short = " ".join(code.split()).upper()

    def do(act: Act) -> Made:
        if not 0 < len(short) <= MOST_CODE:
            raise BadInput("no_such_code", f"A material's short name has 1 to {MOST_CODE} characters, like PLA.")
        _check(entry)
        known = session.scalars(select(Material).where(col(Material.code) == short)).first()
        if known is not None and known.live:
            raise Conflict("material_is_there", f"{short} is there already.")
        if known is None:
            known = create(session, act, Material(code=short, **vars(entry)))
        else:
            change(session, act, known, live=True, **vars(entry))
        return Made(act.id, known.id)

    request = {"code": short, **vars(entry)}
    return once(session, "material", by=by, now=now, request=request, answers=Made, about=short, do=do)


def describe(*, session: Session, now: datetime, by: By, material_id: int, entry: MaterialEntry) -> Made:
    """Keep what is known of a material. What was booked stays: grams are grams. Errors: BadInput, NotFound."""

    def do(act: Act) -> Made:
        material = finding.live(session, Material, material_id)
        _check(entry)
        change(session, act, material, **vars(entry))
        return Made(act.id, material_id)

    known = session.get(Material, material_id)
    request = {"material_id": material_id, **vars(entry)}
    about = known.code if known else ""
    return once(session, "material", by=by, now=now, request=request, answers=Made, about=about, do=do)


def _entry(row: Material) -> MaterialEntry:
    return MaterialEntry(
        name=row.name,
        density_mg_per_cm3=row.density_mg_per_cm3,
        dry_celsius=row.dry_celsius,
        dry_hours=row.dry_hours,
        out_hours=row.out_hours,
        asks_enclosed=row.asks_enclosed,
        asks_hardened=row.asks_hardened,
        care=row.care,
    )


def check_density(mg_per_cm3: int) -> None:
    """Refuse what no plastic weighs. Errors: BadInput."""
    if mg_per_cm3 not in DENSITIES_MG_PER_CM3:
        words = "A plastic weighs 0.5 to 10 g a cubic centimetre, most near 1.2. Its maker's sheet says it."
        raise BadInput("no_such_density", words)


def _check(entry: MaterialEntry) -> None:
    if not entry.name.strip() or len(entry.name) > MOST_NAME:
        raise BadInput("no_name", f"A material's name has 1 to {MOST_NAME} characters.")
    if len(entry.care) > MOST_CARE:
        raise BadInput("long_note", f"A note has at most {MOST_CARE} characters.")
    check_density(entry.density_mg_per_cm3)
    for value, among, words in (
        (
            entry.dry_celsius,
            DRY_CELSIUS,
            "Plastic is dried at 30 to 200 °C. Leave it empty where the sheet alone says it.",
        ),
        (entry.dry_hours, DRY_HOURS, "Drying takes 1 to 240 hours. Leave it empty where the sheet alone says it."),
        (entry.out_hours, OUT_HOURS, "It may be out for 1 to 8760 hours. Leave it empty where that does not matter."),
    ):
        if value is not None and value not in among:
            raise BadInput("no_such_value", words)
