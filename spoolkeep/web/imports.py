"""Bringing in the sheets that a workshop keeps: sent, their columns named, looked at, and booked.

The app factory registers it.
"""

from flask import Blueprint, current_app, flash, jsonify, redirect, render_template, request, url_for
from werkzeug.wrappers import Response

from spoolkeep.domain.errors import BadInput, Refusal
from spoolkeep.domain.measures import UNITS
from spoolkeep.domain.spelling import PLAIN_SHADES
from spoolkeep.services import firsthour
from spoolkeep.services.imports import SHEETS, drafts
from spoolkeep.services.imports.drafts import Told
from spoolkeep.services.imports.workbook import as_text_sheet
from spoolkeep.services.shop import load_shop
from spoolkeep.web import doors, forms
from spoolkeep.web.answers import status_of

pages = Blueprint("imports", __name__, url_prefix="/imports")
PROBLEMS_SHOWN, ROWS_SHOWN = 50, 500


@pages.get("")
def page() -> str:
    """Show the form by which a sheet is sent."""
    return _show()


@pages.post("")
def send() -> Response | tuple[str, int]:
    """Keep a sheet until it is booked, and lead to it."""
    try:
        sent = request.files.get("file")
        if sent is None or not sent.filename:
            raise BadInput("no_file", "Choose the sheet: a CSV file or a workbook (XLSX).")
        # a workbook takes its time: it is unpacked before the books are opened
        data, source = as_text_sheet(sent.read()), forms.text("source") or sent.filename
        with doors.writing() as session:
            draft_id = drafts.send(
                session=session,
                now=doors.now(),
                actor_id=doors.somebody().actor_id,
                sheet=forms.one_of("sheet", list(SHEETS), "What its rows are"),
                source=source,
                data=data,
            )
    except Refusal as refusal:
        return _show(refused=refusal), status_of(refusal)
    return redirect(url_for("imports.one", draft_id=draft_id))


@pages.get("/<int:draft_id>")
def one(draft_id: int) -> str:
    """Show a sheet that was sent, and what booking it would do."""
    return _show_one(draft_id)


@pages.post("/<int:draft_id>")
def change(draft_id: int) -> Response | tuple[str, int]:
    """Say how it is read, book the sheet, or drop it."""
    do = forms.text("do")
    try:
        with doors.writing() as session:
            if do == "drop":
                drafts.drop(session=session, draft_id=draft_id)
                return redirect(url_for("imports.page"))
            if do == "name":
                for shade in drafts.tell(session=session, draft_id=draft_id, told=_told()):
                    words = "is no shade: take a plain word, like grey, or #1f6feb. All else that you said is kept."
                    flash(f"“{shade[:40]}” {words}", "attention")
                return redirect(url_for("imports.one", draft_id=draft_id))
            _read()[draft_id] = (0, 0)
            report = drafts.book(
                session=session,
                now=doors.now(),
                by=doors.by_form(),
                draft_id=draft_id,
                tell=lambda read, rows: _read().__setitem__(draft_id, (read, rows)),
            )
    except Refusal as refusal:
        return _show_one(draft_id, refused=refusal), status_of(refusal)
    if report.problems:
        return redirect(url_for("imports.one", draft_id=draft_id))
    rows = "1 row is" if report.new == 1 else f"{report.new} rows are"
    spools = f", {len(report.codes)} spools came in" if report.codes else ""
    flash(f"{report.source}: {rows} booked{spools}, {report.known} were known.", "heard")
    for note in report.notes:
        flash(note, "attention")
    return redirect(url_for("firsthour.page" if report.codes and _is_first_hour() else "imports.page"))


def _is_first_hour() -> bool:
    with doors.reading() as session:
        return not firsthour.hour(session, load_shop(session)).is_over


@pages.get("/<int:draft_id>/progress")
def progress(draft_id: int) -> Response:
    """Give how many of how many rows of a sheet that is being booked were read."""
    read, rows = _read().get(draft_id, (0, 0))
    return jsonify({"read_rows": read, "rows": rows})


def _read() -> dict[int, tuple[int, int]]:
    """Give how far each sheet was read that this process books: for whoever looks on, and for nothing else."""
    found: dict[int, tuple[int, int]] = current_app.extensions.setdefault("spoolkeep.rows_read", {})
    return found


def _told() -> Told:
    """Give what the form says of the sheet's reading; what is numbered alike belongs together."""
    first = forms.whole("heading", "The heading", 0)
    columns = _pairs("column", "name")
    return Told(
        heading=(first, first + 1 if first and forms.text("two_lines") else first),
        columns=columns,
        units=_pairs("column", "unit"),
        day_first={"day": True, "month": False}.get(forms.text("day_first")),
        spellings=_pairs("spelling", "means"),
        materials=_pairs("material", "known"),
        shades=_pairs("colour", "shade"),
        left_out=(*_lines(" ".join(request.form.getlist("out"))), *_lines(forms.text("out_too"))),
    )


def _pairs(name: str, value: str) -> dict[str, str]:
    """Give the form's values by its names: `column-1` and `name-1` are of one column."""
    found = {}
    for field, said in request.form.items():
        number = field.removeprefix(f"{name}-")
        if number != field and f"{value}-{number}" in request.form:
            found[said] = forms.text(f"{value}-{number}")
    return found


def _lines(text: str) -> tuple[int, ...]:
    """Give the lines in a text like 12, 14. Errors: BadInput."""
    return tuple(forms.whole_from(one, "Lines to leave out") for one in text.replace(",", " ").split())


def _show(refused: Refusal | None = None) -> str:
    return render_template("imports.html", sheets=list(SHEETS), refused=refused, form=request.form)


def _show_one(draft_id: int, refused: Refusal | None = None) -> str:
    with doors.reading() as session:
        draft = drafts.view(session=session, now=doors.now(), draft_id=draft_id)
    return render_template(
        "import_one.html",
        draft=draft,
        refused=refused,
        problems_shown=PROBLEMS_SHOWN,
        rows_shown=ROWS_SHOWN,
        units=[(unit, unit) for unit in UNITS],
        plain_shades=PLAIN_SHADES,
    )
