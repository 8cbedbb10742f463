"""Sheets that a person sends to the web: kept until they are booked; how they are read, and that remembered.

The web calls it. What is sent is no act; what is booked is the imports' own.
"""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

from sqlalchemy import delete, select
from sqlalchemy.orm import Session
from sqlmodel import col

from spoolkeep.domain.colour import srgb
from spoolkeep.domain.errors import BadInput, NotFound, Refusal
from spoolkeep.domain.measures import UNITS
from spoolkeep.domain.names import folded
from spoolkeep.domain.sheets import Record, records_of
from spoolkeep.domain.spelling import shade_for
from spoolkeep.services.imports import manner as manners
from spoolkeep.services.imports import proposals, spellings
from spoolkeep.services.imports.cells import Column, Shown
from spoolkeep.services.imports.engine import ImportReport, Tell, import_sheet, look, sheet_kind
from spoolkeep.services.imports.lookups import Items, in_force
from spoolkeep.services.imports.manner import Manner
from spoolkeep.services.imports.spellings import Spelled
from spoolkeep.store.acts import By
from spoolkeep.store.tables import ImportDraft, ImportNames

KEPT = timedelta(days=1)
TOP_LINES = 12
"""So many filled lines are shown, among which a person finds the heading."""
_SAMPLES = 3
_MOST_LETTERS = 200
_WITH_ITEMS = frozenset({"spools"})
"""Sheets whose new items are made, so that their spellings are asked about."""


@dataclass(frozen=True)
class TheirColumn:
    """A column of a sheet: its name, what stands in it, and which of ours it is; "" where it is left out."""

    name: str
    samples: tuple[str, ...]
    ours: str
    unit: str
    """Of its numbers alone, where it holds weights; else ""."""


@dataclass(frozen=True)
class DraftView:
    """A sheet that was sent: how it is read, and what booking it would do."""

    draft_id: int
    sheet: str
    source: str
    top: tuple[Record, ...]
    """Its first filled lines."""
    manner: Manner
    columns: tuple[TheirColumn, ...]
    ours: tuple[Column, ...]
    spelled: Spelled | None
    out: tuple[Record, ...]
    """Rows that are left out."""
    report: ImportReport | None
    shows: tuple[Shown, ...]
    refused: str
    """Why it cannot be read as it is told now."""

    @property
    def spools(self) -> int:
        """Give how many spools would come in."""
        return sum(one.spools for one in self.shows)


@dataclass(frozen=True)
class Told:
    """What a person says of a sheet's reading: all of it, as the form has it."""

    heading: tuple[int, int]
    """Its first and last line; 0 and 0 for those of now."""
    columns: Mapping[str, str]
    units: Mapping[str, str]
    """By their name."""
    day_first: bool | None
    spellings: Mapping[str, str]
    materials: Mapping[str, str]
    shades: Mapping[str, str]
    left_out: tuple[int, ...]


def send(*, session: Session, now: datetime, actor_id: int, sheet: str, source: str, data: bytes) -> int:
    """Keep a text sheet that was sent; give its number. Errors: BadInput where it is no sheet; NotFound."""
    sheet_kind(sheet)
    source = source.strip()
    if not 0 < len(source) <= _MOST_LETTERS:
        raise BadInput("no_source", f"Name the file that the rows come from, in 1 to {_MOST_LETTERS} letters.")
    records = records_of(data)
    if not records:
        raise BadInput("empty_sheet", "The file is empty. One of its lines must name the columns.")
    session.execute(delete(ImportDraft).where(col(ImportDraft.sent_at) < now - KEPT))
    manner = _first_manner(session, sheet, source, records)
    draft = ImportDraft(
        actor_id=actor_id, sheet=sheet, source=source, names=manner.as_text(), content=data, sent_at=now
    )
    session.add(draft)
    session.flush()
    return draft.id


def _first_manner(session: Session, sheet: str, source: str, records: Sequence[Record]) -> Manner:
    """Give how this source was read last, as far as it fits, else what is proposed."""
    before = _read_before(session, sheet, source)
    remembered = in_force(session, before) if before else Manner()
    ours = [column.name for column in sheet_kind(sheet).columns]
    first, last = proposals.heading(records, ours, remembered)
    manner, left_out = proposals.left_out(records, replace(remembered, first=first, last=last))
    where = [] if first == last == records[0].line or before else [_heading_words(first, last)]
    filled, asked = _filled(session, sheet, records, manner)
    return replace(filled, asked=(*where, *left_out, *asked))


def _read_before(session: Session, sheet: str, source: str) -> Manner | None:
    """Give how this source was read when it was booked last, else as a person agreed to it and did not book it yet."""
    query = select(col(ImportNames.names)).where(col(ImportNames.sheet) == sheet, col(ImportNames.source) == source)
    booked = session.scalars(query).first()
    if booked is not None:
        return manners.manner_from(booked)
    drafts = select(col(ImportDraft.names)).where(col(ImportDraft.sheet) == sheet, col(ImportDraft.source) == source)
    sent = session.scalars(drafts.order_by(col(ImportDraft.id).desc())).first()
    agreed = manners.manner_from(sent) if sent is not None else Manner(asked=("all of it",))
    return None if agreed.asked else agreed


def _heading_words(first: int, last: int) -> str:
    return f"line {first} names the columns" if first == last else f"lines {first} and {last} name the columns"


def _filled(session: Session, sheet: str, records: Sequence[Record], manner: Manner) -> tuple[Manner, tuple[str, ...]]:
    """Give the manner with proposals for whatever nobody said, and what these are."""
    ours = [column.name for column in sheet_kind(sheet).columns]
    materials = Items(session).materials if sheet in _WITH_ITEMS else frozenset()
    manner, columns = proposals.columns(records, manner, ours, materials=materials)
    manner, units = proposals.units(records, manner)
    asked = [*columns, *units]
    if sheet in _WITH_ITEMS:
        manner, spelled = spellings.propose(session, records, manner)
        asked += spelled
    return manner, tuple(asked)


def tell(*, session: Session, draft_id: int, told: Told) -> list[str]:
    """Say how a sheet is read. What that leaves open is proposed, and waits for another yes.

    Gives what was told as a shade and is none; all else is kept.
    Errors: BadInput where one of our columns is named twice, or a heading that is not there; NotFound.
    """
    draft = _draft(session, draft_id)
    records, before = records_of(draft.content), in_force(session, manners.manner_from(draft.names))
    heading = (before.first, before.last) if told.heading == (0, 0) else told.heading
    if heading[0] not in {one.line for one in records} or not 0 <= heading[1] - heading[0] <= 1:
        raise BadInput("no_such_heading", "Choose one of the lines that are shown as the heading.")
    columns = _named_once(draft.sheet, told.columns)
    out = [one for one in records if one.line in told.left_out]
    shades, unknown = _checked(told.shades)
    meant, known = _offered(session, draft.sheet, records, before=before, told=told)
    manner = replace(
        before,
        first=heading[0],
        last=heading[1],
        columns=columns if heading == (before.first, before.last) else {},
        units={columns[name]: unit for name, unit in told.units.items() if columns.get(name) and unit in UNITS},
        day_first=told.day_first,
        spellings={**before.spellings, **meant},
        materials={**before.materials, **known},
        shades={**before.shades, **shades},
        left_out=tuple(one.line for one in out),
        left_rows=tuple(proposals.words_of(one) for one in out),
    )
    filled, asked = _filled(session, draft.sheet, records, manner)
    draft.names = replace(filled, asked=asked).as_text()
    return unknown


def _named_once(sheet: str, columns: Mapping[str, str]) -> dict[str, str]:
    """Give our column by theirs. Errors: BadInput where two are one of ours."""
    known = {column.name for column in sheet_kind(sheet).columns}
    told = {theirs: ours if ours in known else "" for theirs, ours in columns.items()}
    twice = next((ours for ours, times in Counter(filter(None, told.values())).items() if times > 1), None)
    if twice:
        raise BadInput("column_twice", f"Two columns are named “{twice}”. Leave one of them out.")
    return told


def _offered(
    session: Session, sheet: str, records: Sequence[Record], *, before: Manner, told: Told
) -> tuple[dict[str, str], dict[str, str]]:
    """Give what spellings of colours and of materials are told to mean, of that only what the form had offered."""
    if sheet not in _WITH_ITEMS:
        return {}, {}
    shown = spellings.read(session, records, before)
    choices = {one.key: {one.name, *one.near, *one.others} for one in shown.colours}
    meant = {key: name for key, name in told.spellings.items() if name in choices.get(key, ())}
    return meant, {key: code for key, code in told.materials.items() if code in shown.known_materials}


def _checked(shades: Mapping[str, str]) -> tuple[dict[str, str], list[str]]:
    """Give the shades that were told, words as the usual shade of the last plain one; and what is no colour."""
    found, unknown = {}, []
    for name, shade in shades.items():
        try:
            found.update({folded(name): shade_for(shade) or srgb(shade)} if shade else {})
        except BadInput:
            unknown.append(shade)
    return found, unknown


def view(*, session: Session, now: datetime, draft_id: int) -> DraftView:
    """Give a sheet that was sent, and what booking it would do. Errors: NotFound."""
    draft = _draft(session, draft_id)
    records, manner = records_of(draft.content), in_force(session, manners.manner_from(draft.names))
    report: ImportReport | None = None
    shows: tuple[Shown, ...] = ()
    refused = ""
    try:
        data = _as_ours(draft, records, manner)
        looked = look(session=session, now=now, sheet=draft.sheet, source=draft.source, data=data, manner=manner)
        report, shows = looked.report, looked.shows
    except Refusal as refusal:
        refused = refusal.words
    return DraftView(
        draft_id=draft.id,
        sheet=draft.sheet,
        source=draft.source,
        top=records[:TOP_LINES],
        manner=manner,
        columns=_columns(records, manner),
        ours=sheet_kind(draft.sheet).columns,
        spelled=spellings.read(session, records, manner) if draft.sheet in _WITH_ITEMS else None,
        out=tuple(one for one in records if one.line in manner.left_out),
        report=report,
        shows=shows,
        refused=refused,
    )


def _columns(records: Sequence[Record], manner: Manner) -> tuple[TheirColumn, ...]:
    return tuple(
        TheirColumn(
            name,
            tuple(dict.fromkeys(filled))[:_SAMPLES],
            manner.columns.get(name, ""),
            manner.units.get(manner.columns.get(name, ""), ""),
        )
        for name, filled in manners.cells_of(records, manner).items()
    )


def book(*, session: Session, now: datetime, by: By, draft_id: int, tell: Tell | None = None) -> ImportReport:
    """Book a sheet's new rows, or none where any row has a problem; remember its names. `tell` hears how far it is.

    The sheet stays for its day, so that a second press meets the first one's answer.
    Errors: as `import_sheet`; BadInput where nobody has said yes to what is proposed; NotFound.
    """
    draft = _draft(session, draft_id)
    manner = in_force(session, manners.manner_from(draft.names))
    if manner.asked:
        raise BadInput("not_agreed", "Look at how the sheet is read, and say that it is right, before it is booked.")
    report = import_sheet(
        session=session,
        now=now,
        by=by,
        sheet=draft.sheet,
        source=draft.source,
        data=_as_ours(draft, records_of(draft.content), manner),
        manner=manner,
        tell=tell,
    )
    if not report.problems:
        _remember(session, draft, manner)
    return report


def drop(*, session: Session, draft_id: int) -> None:
    """Forget a sheet that was sent. Errors: NotFound."""
    session.delete(_draft(session, draft_id))


def _remember(session: Session, draft: ImportDraft, manner: Manner) -> None:
    query = select(ImportNames).where(col(ImportNames.sheet) == draft.sheet, col(ImportNames.source) == draft.source)
    known = session.scalars(query).first()
    names = manner.as_text(lasting=True)
    if known is None:
        session.add(ImportNames(sheet=draft.sheet, source=draft.source, names=names))
    else:
        known.names = names


def _as_ours(draft: ImportDraft, records: Sequence[Record], manner: Manner) -> bytes:
    """Give the sheet with our names; a column that is none of ours is left out by the reader."""
    known = frozenset(column.name for column in sheet_kind(draft.sheet).columns)
    return manners.as_ours(records, manner, known)


def _draft(session: Session, draft_id: int) -> ImportDraft:
    draft = session.get(ImportDraft, draft_id)
    if draft is None:
        raise NotFound("no_such_draft", "That sheet was dropped, or sent more than a day ago. Send it again.")
    return draft
