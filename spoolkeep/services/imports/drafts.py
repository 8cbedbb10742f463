"""Sheets that a person sends to the web: kept until they are booked, their columns named as ours, and that remembered.

The web calls it. What is sent is no act; what is booked is the imports' own.
"""

import json
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta

from sqlalchemy import delete, select
from sqlalchemy.orm import Session
from sqlmodel import col

from spoolkeep.domain.errors import BadInput, NotFound, Refusal
from spoolkeep.domain.sheets import fold, header_of, renamed
from spoolkeep.services.imports.cells import Column
from spoolkeep.services.imports.engine import ImportReport, Tell, import_sheet, preview, sheet_kind
from spoolkeep.store.acts import By
from spoolkeep.store.tables import ImportDraft, ImportNames

KEPT = timedelta(days=1)
_MOST_LETTERS = 200


@dataclass(frozen=True)
class DraftView:
    """A sheet that was sent: its columns, which of ours each is, and what booking it would do."""

    draft_id: int
    sheet: str
    source: str
    theirs: tuple[str, ...]
    ours: tuple[Column, ...]
    names: Mapping[str, str]
    """Our column by theirs; a column that is none of ours is not in it."""
    report: ImportReport | None
    refused: str
    """Why it cannot be read as it is named now."""


def send(*, session: Session, now: datetime, actor_id: int, sheet: str, source: str, data: bytes) -> int:
    """Keep a text sheet that was sent; give its number. Errors: BadInput where it is no sheet; NotFound."""
    sheet_kind(sheet)
    source = source.strip()
    if not 0 < len(source) <= _MOST_LETTERS:
        raise BadInput("no_source", f"Name the file that the rows come from, in 1 to {_MOST_LETTERS} letters.")
    theirs = header_of(data)
    if not theirs:
        raise BadInput("empty_sheet", "The file is empty. Its first line must name the columns.")
    session.execute(delete(ImportDraft).where(col(ImportDraft.sent_at) < now - KEPT))
    names = _guessed(session, sheet, source, theirs)
    draft = ImportDraft(
        actor_id=actor_id, sheet=sheet, source=source, names=json.dumps(names), content=data, sent_at=now
    )
    session.add(draft)
    session.flush()
    return draft.id


def _guessed(session: Session, sheet: str, source: str, theirs: tuple[str, ...]) -> dict[str, str]:
    """Give our names as this source had them last, else where they are called alike."""
    known = {column.name for column in sheet_kind(sheet).columns}
    alike = {name: fold(name) for name in theirs if fold(name) in known}
    query = select(ImportNames).where(col(ImportNames.sheet) == sheet, col(ImportNames.source) == source)
    before = session.scalars(query).first()
    remembered = json.loads(before.names) if before else {}
    told = {name: ours for name, ours in remembered.items() if name in theirs and ours in known}
    taken = set(told.values())
    return told | {name: ours for name, ours in alike.items() if name not in told and ours not in taken}


def name_columns(*, session: Session, draft_id: int, names: Mapping[str, str]) -> None:
    """Say which of our columns each of theirs is. Errors: BadInput where one of ours is named twice; NotFound."""
    draft = _draft(session, draft_id)
    known = {column.name for column in sheet_kind(draft.sheet).columns}
    told = {theirs: ours for theirs, ours in names.items() if ours in known}
    twice = next((ours for ours in told.values() if list(told.values()).count(ours) > 1), None)
    if twice:
        raise BadInput("column_twice", f"Two columns are named “{twice}”. Leave one of them out.")
    draft.names = json.dumps(told)


def view(*, session: Session, now: datetime, draft_id: int) -> DraftView:
    """Give a sheet that was sent, and what booking it would do. Errors: NotFound."""
    draft = _draft(session, draft_id)
    names = json.loads(draft.names)
    report, refused = None, ""
    try:
        data = _named(draft)
        report = preview(session=session, now=now, sheet=draft.sheet, source=draft.source, data=data)
    except Refusal as refusal:
        refused = refusal.words
    return DraftView(
        draft_id=draft.id,
        sheet=draft.sheet,
        source=draft.source,
        theirs=header_of(draft.content),
        ours=sheet_kind(draft.sheet).columns,
        names=names,
        report=report,
        refused=refused,
    )


def book(*, session: Session, now: datetime, by: By, draft_id: int, tell: Tell | None = None) -> ImportReport:
    """Book a sheet's new rows, or none where any row has a problem; remember its names. `tell` hears how far it is.

    The sheet stays for its day, so that a second press meets the first one's answer.
    Errors: as `import_sheet`; NotFound.
    """
    draft = _draft(session, draft_id)
    report = import_sheet(
        session=session,
        now=now,
        by=by,
        sheet=draft.sheet,
        source=draft.source,
        data=_named(draft),
        tell=tell,
    )
    if not report.problems:
        _remember(session, draft)
    return report


def drop(*, session: Session, draft_id: int) -> None:
    """Forget a sheet that was sent. Errors: NotFound."""
    session.delete(_draft(session, draft_id))


def _remember(session: Session, draft: ImportDraft) -> None:
    query = select(ImportNames).where(col(ImportNames.sheet) == draft.sheet, col(ImportNames.source) == draft.source)
    known = session.scalars(query).first()
    if known is None:
        session.add(ImportNames(sheet=draft.sheet, source=draft.source, names=draft.names))
    else:
        known.names = draft.names


def _named(draft: ImportDraft) -> bytes:
    """Give the sheet with our names; a column that is none of ours is left out by the reader."""
    names = json.loads(draft.names)
    theirs = header_of(draft.content)
    known = {column.name for column in sheet_kind(draft.sheet).columns}
    out = {name: f"({name})" for name in theirs if name not in names and fold(name) in known}
    return renamed(draft.content, names | out)


def _draft(session: Session, draft_id: int) -> ImportDraft:
    draft = session.get(ImportDraft, draft_id)
    if draft is None:
        raise NotFound("no_such_draft", "That sheet was dropped, or sent more than a day ago. Send it again.")
    return draft
