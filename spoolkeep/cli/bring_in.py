"""The commands that bring in the sheets which a workshop keeps.

The command line loads it when one is asked for.
"""

import json
import sys
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import Any

import click

from spoolkeep.cli.printed import instance_option, json_option, this_moment
from spoolkeep.services.imports import COLUMNS, ImportReport, import_sheet, preview
from spoolkeep.services.instance import Instance
from spoolkeep.store.acts import By
from spoolkeep.store.seeds import FIRST_ACTOR


@click.command(name="import")
@click.argument("sheet", type=click.Choice(sorted(COLUMNS)))
@click.argument("file", type=click.Path(exists=True, dir_okay=False, path_type=Path))
@click.option(
    "--source", help="What the sheet is known by, so that vanished rows are noticed; its file name if left out."
)
@click.option("--preview", "only_preview", is_flag=True, help="Say what would be booked, and book nothing.")
@instance_option()
@json_option
def import_(*, sheet: str, file: Path, source: str | None, only_preview: bool, folder: Path, as_json: bool) -> None:
    """Book the rows of a CSV sheet, each once; with any bad row nothing is booked.

    SHEET is what its rows are; 'spoolkeep columns SHEET' lists its columns.
    """
    data, name = file.read_bytes(), source or file.name
    with closing(Instance(folder).open_or_make(now=this_moment())) as store:
        if only_preview:
            with store.read() as session:
                report = preview(session=session, now=this_moment(), sheet=sheet, source=name, data=data)
        else:
            by = By(actor_id=FIRST_ACTOR, key=f"import {this_moment().isoformat()}")
            with store.write() as session, click.progressbar(length=1, label="Reading", file=sys.stderr) as bar:
                report = import_sheet(
                    session=session, now=this_moment(), by=by, sheet=sheet, source=name, data=data, tell=_telling(bar)
                )
    click.echo(json.dumps(report.as_json()) if as_json else _said(report, preview=only_preview))
    if report.problems:
        sys.exit(1)


@click.command()
@click.argument("sheet", type=click.Choice(sorted(COLUMNS)))
def columns(*, sheet: str) -> None:
    """List the columns of a sheet that can be imported."""
    for column in COLUMNS[sheet]:
        click.echo(f"{column.name:<14}{'needed' if column.needed else '':<8}{column.says}")


def _telling(bar: Any) -> Callable[[int, int], None]:  # noqa: ANN401 - click's bar
    """Give what moves a bar; after the last row the booking takes its time."""

    def tell(done: int, of: int) -> None:
        bar.length = of
        bar.update(done - bar.pos)
        if done == of:
            bar.label = "Booking"
            bar.render_progress()

    return tell


def _became(report: ImportReport, *, preview: bool) -> str:
    if report.problems:
        return "Nothing was booked. Mend these rows and import the sheet again:"
    if preview:
        return "This was a preview: nothing was booked."
    return "The new ones are booked." if report.new else "There was nothing to book."


def _said(report: ImportReport, *, preview: bool) -> str:
    rows = "1 row" if report.rows == 1 else f"{report.rows} rows"
    lines = [f"{rows}: {report.new} new, {report.known} known. {_became(report, preview=preview)}"]
    lines += [f"line {one.line}, {one.column or 'row'}: {one.words}" for one in report.problems]
    lines += [f"line {one.line} of an earlier file is gone from this one ({one.key})." for one in report.vanished]
    lines += list(report.notes)
    return "\n".join(lines)
