"""The command line: the same services from a terminal.

`spoolkeep` runs `main`. It prints; rules and figures are the services'.
"""

import json
import sys
from collections.abc import Callable
from contextlib import closing
from dataclasses import asdict
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, TypeVar

import click

import spoolkeep
from spoolkeep.domain.errors import Refusal
from spoolkeep.domain.formats import Formats
from spoolkeep.domain.share import MonthShare
from spoolkeep.paper.sheets import press_reorder_sheet
from spoolkeep.paper.stocks import STOCKS
from spoolkeep.services import (
    deliveries,
    figures,
    labels,
    links,
    metering,
    money,
    orders,
    passwords,
    people,
    sheets,
    stock,
    stocks,
    watching,
)
from spoolkeep.services import demo as demo_service
from spoolkeep.services.imports import COLUMNS, ImportReport, import_sheet, preview
from spoolkeep.services.instance import Instance
from spoolkeep.services.motionfiles import FilePlan
from spoolkeep.services.shop import load_shop
from spoolkeep.store.acts import By
from spoolkeep.store.engine import Session
from spoolkeep.store.proof import differences
from spoolkeep.store.seeds import FIRST_ACTOR
from spoolkeep.web import serving

Command = TypeVar("Command", bound=Callable[..., object])
PORT = 8460


def _instance(default: str = "instance") -> Callable[[Command], Command]:
    return click.option(
        "--instance",
        "folder",
        type=click.Path(file_okay=False, path_type=Path),
        default=default,
        show_default=True,
        help="The folder of this workshop's database.",
    )


_json = click.option("--json", "as_json", is_flag=True, help="Print JSON: keys carry their units.")


@click.group(context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(spoolkeep.__version__)
def cli() -> None:
    """Keep a workshop of 3D printers in plastic."""


@cli.command()
@click.option("--fresh", is_flag=True, help="Build the demo workshop again from its files.")
@click.option("--days", type=int, help="How long its history is when it is built; as the files say if left out.")
@click.option("--build-only", is_flag=True, help="Build it, and do not serve it.")
@click.option("--port", default=PORT, show_default=True, help="The port to serve on.")
@click.option("--instance", "folder", type=click.Path(file_okay=False, path_type=Path), help="Where to build it.")
def demo(*, fresh: bool, days: int | None, build_only: bool, port: int, folder: Path | None) -> None:
    """Live through an invented workshop's two years until yesterday, and serve it on this machine."""
    instance = Instance(folder or demo_service.usual_instance())
    with click.progressbar(length=1, label="Living the demo workshop's days", file=sys.stderr) as bar:

        def progress(lived: int, of: int) -> None:
            bar.length = of
            bar.update(lived - bar.pos)

        built = demo_service.prepare(instance, now=_now(), fresh=fresh, days=days, progress=progress)
    click.echo(f"The demo workshop is in {instance.folder} ({built}).")
    if not build_only:
        serving.serve_demo(instance, port=port)


@cli.command()
@click.option("--port", default=PORT, show_default=True, help="The port to serve on.")
@click.option(
    "--host",
    default=serving.THIS_MACHINE,
    show_default=True,
    help="The address to serve on: 0.0.0.0 for every device on this network.",
)
@click.option("--name", "names", multiple=True, help="A further name by which this machine is asked; may be repeated.")
@click.option(
    "--proxy", help="The address of a proxy in front, which says in X-Forwarded-For and -Proto who asks, and how."
)
@_instance()
def serve(*, port: int, host: str, names: tuple[str, ...], proxy: str | None, folder: Path) -> None:
    """Serve a workshop: to this machine, or with --host to the network, once it has an owner."""
    instance = Instance(folder)
    instance.open_or_make(now=_now()).close()
    serving.serve(instance, port=port, host=host, names=names, proxy=proxy)


@cli.command()
@click.argument("name", required=False)
@_instance()
def owner(*, name: str | None, folder: Path) -> None:
    """Make the first owner of a workshop, or give an owner a new password; every device is then signed out.

    NAME is as it shall stand beside what the owner books; the only owner's if left out. The password is asked for, or
    read from the first line that comes in where nobody sits at a terminal: an argument could be seen by others.
    """
    instance = Instance(folder)
    with closing(instance.open_or_make(now=_now()) if name else instance.open()) as store:
        with store.read() as session:
            shop = load_shop(session).name
            called = name or people.only_owner(session)
        password = _new_password(called)
        passwords.check_new(password, about=(called, shop))
        kept = passwords.hashed(password)
        with store.write() as session:
            number = people.set_owner(session=session, now=_now(), name=called, password_hash=kept)
            secret = links.for_device_at_hand(session=session, now=_now(), actor_id=number)
    click.echo(f"{called} owns the workshop, and signs in with the new password.")
    click.echo(f"Or, for ten minutes, without it: http://localhost:{PORT}/join#{secret} (put in its own address).")


@cli.command()
@_instance()
def upgrade(*, folder: Path) -> None:
    """Make the database, or bring it to the shape that this program needs; a copy is kept."""
    copied = Instance(folder).upgrade(now=_now())
    click.echo("The database is ready." + (f" A copy from before is at {copied}." if copied else ""))


@cli.command()
@_instance()
@_json
def check(*, folder: Path, as_json: bool) -> None:
    """Hold every copy of a sum against the ledger; exits with 1 at the first difference."""
    with closing(Instance(folder).open()) as store, store.read() as session:
        first = next(differences(session), None)
    if as_json:
        click.echo(json.dumps({"sound": first is None, "first_difference": first}))
    else:
        click.echo("The books are sound." if first is None else f"The books differ: {first}")
    if first is not None:
        sys.exit(1)


@cli.command(name="import")
@click.argument("sheet", type=click.Choice(sorted(COLUMNS)))
@click.argument("file", type=click.Path(exists=True, dir_okay=False, path_type=Path))
@click.option(
    "--source", help="What the sheet is known by, so that vanished rows are noticed; its file name if left out."
)
@click.option("--preview", "only_preview", is_flag=True, help="Say what would be booked, and book nothing.")
@_instance()
@_json
def import_(*, sheet: str, file: Path, source: str | None, only_preview: bool, folder: Path, as_json: bool) -> None:
    """Book the rows of a CSV sheet, each once; with any bad row nothing is booked.

    SHEET is what its rows are; 'spoolkeep columns SHEET' lists its columns.
    """
    data, name = file.read_bytes(), source or file.name
    with closing(Instance(folder).open_or_make(now=_now())) as store:
        if only_preview:
            with store.read() as session:
                report = preview(session=session, now=_now(), sheet=sheet, source=name, data=data)
        else:
            by = By(actor_id=FIRST_ACTOR, key=f"import {_now().isoformat()}")
            with store.write() as session, click.progressbar(length=1, label="Reading", file=sys.stderr) as bar:
                report = import_sheet(
                    session=session, now=_now(), by=by, sheet=sheet, source=name, data=data, tell=_telling(bar)
                )
    click.echo(json.dumps(report.as_json()) if as_json else _said(report, preview=only_preview))
    if report.problems:
        sys.exit(1)


@cli.command()
@click.argument("sheet", type=click.Choice(sorted(COLUMNS)))
def columns(*, sheet: str) -> None:
    """List the columns of a sheet that can be imported."""
    for column in COLUMNS[sheet]:
        click.echo(f"{column.name:<14}{'needed' if column.needed else '':<8}{column.says}")


@cli.command()
@_instance()
@_json
def runout(*, folder: Path, as_json: bool) -> None:
    """Print how long each item lasts, the one that ends first at the top."""
    with closing(Instance(folder).open()) as store, store.read() as session:
        if as_json:
            click.echo(json.dumps(figures.runout(session=session, now=_now()), indent=2))
            return
        formats = load_shop(session).formats
        rows = [_runout_row(row, formats) for row in stock.rows(session=session, now=_now())]
    _table(("item", "left", "a day", "days", "run-out", "order by"), rows)


@cli.command()
@_instance()
@_json
@click.option(
    "--pdf", type=click.Path(file_okay=False, path_type=Path), help="Write a sheet a supplier to this folder."
)
@click.option("--csv", type=click.Path(file_okay=False, path_type=Path), help="The same as CSV.")
def reorder(*, folder: Path, as_json: bool, pdf: Path | None, csv: Path | None) -> None:
    """Print what to order now, from whom and why."""
    now = _now()
    with closing(Instance(folder).open()) as store, store.read() as session:
        if as_json:
            click.echo(json.dumps(figures.reorder(session=session, now=now), indent=2))
        formats = load_shop(session).formats
        advice = orders.advise(session=session, now=now)
        drawn = sheets.advised_sheets(session=session, now=now, advice=advice)
    for number, sheet in drawn.items():
        name = _file_name(sheet.supplier, number)
        if pdf:
            _write(pdf / f"{name}.pdf", press_reorder_sheet(sheet, formats=formats))
        if csv:
            _write(csv / f"{name}.csv", sheets.as_csv(sheet))
    if not as_json and not advice:
        click.echo("Nothing needs ordering today.")
    elif not as_json:
        rows = [_reorder_row(one, formats) for one in advice]
        _table(("supplier", "item", "spools", "left", "lasts", "order by", "total"), rows)


@cli.command()
@_instance()
@_json
def share(*, folder: Path, as_json: bool) -> None:
    """Print by month what plastic cost beside takings: what was drawn, and what was bought."""
    with closing(Instance(folder).open()) as store, store.read() as session:
        if as_json:
            click.echo(json.dumps(figures.material_share(session=session), indent=2))
            return
        formats = load_shop(session).formats
        rows = [_share_row(month, formats) for month in money.view(session=session).months]
    _table(("month", "takings", "drawn", "bought", "material share", "spend share"), rows)


@cli.command(name="labels")
@click.argument("codes", nargs=-1)
@click.option("--delivery", type=int, help="Print the labels of this delivery's spools.")
@click.option("--from", "first", default=1, show_default=True, help="The delivery's label to begin with, after a jam.")
@click.option("--places", is_flag=True, help="Print the labels of every place and feed.")
@click.option("--cards", is_flag=True, help="Print the bench cards.")
@click.option("--calibrate", is_flag=True, help="Print the page by which a stock is measured in its printer.")
@click.option("--sample", type=int, help="Print this many sample labels, to test a printer; needs no instance.")
@click.option("--stock", "stock_name", default="", help="The label stock, by its geometry; the usual one if left out.")
@click.option("--dpi", type=int, help="The printer's dots per inch; the stock's own if left out.")
@click.option("--start", default=1, show_default=True, help="The first free position on the sheet.")
@click.option("--pairs", is_flag=True, help="Two of each, for the box and the reel.")
@click.option("--square", is_flag=True, help="A small square code too, where there is room.")
@click.option("-o", "--out", type=click.Path(dir_okay=False, path_type=Path), required=True, help="The PDF to write.")
@click.option("--codes", "codes_out", type=click.Path(dir_okay=False, path_type=Path), help="Also list the codes here.")
@_instance()
def labels_(
    *,
    codes: tuple[str, ...],
    sample: int | None,
    calibrate: bool,
    out: Path,
    codes_out: Path | None,
    **how: Any,  # noqa: ANN401 - the other options, by name
) -> None:
    """Write labels to a PDF: those with these CODES, of any kind, or what an option names."""
    pressing = {name: how[name] for name in ("dpi", "start", "pairs", "square")}
    if sample is not None:
        stock_name, formats = how["stock_name"] or STOCKS[0].name, Formats("en_GB", "EUR", "UTC")
        pdf, printed = labels.sample_labels(
            today=_now().date(), formats=formats, count=sample, stock=stock_name, **pressing
        )
    else:
        with closing(Instance(how["folder"]).open()) as store, store.read() as session:
            if calibrate:
                pdf, printed = stocks.calibration(session=session, now=_now(), name=how["stock_name"]), []
            else:
                gathered = _gathered(session, codes, how)
                pdf, printed = labels.press(gathered, **pressing), [label.code.text for label in gathered.labels]
    _write(out, pdf)
    if codes_out:
        _write(codes_out, "".join(f"{code}\n" for code in printed).encode())


def _gathered(session: Session, codes: tuple[str, ...], how: dict[str, Any]) -> labels.Gathered:
    stock_name = how["stock_name"]
    if how["cards"]:
        return labels.of_cards(session=session, now=_now(), stock=stock_name)
    if how["places"]:
        return labels.of_places_and_feeds(session=session, now=_now(), stock=stock_name)
    if how["delivery"] is not None:
        codes = deliveries.codes_of(session=session, delivery_id=how["delivery"])[max(0, how["first"] - 1) :]
    return labels.of_codes(session=session, now=_now(), codes=codes, stock=stock_name)


@cli.command()
@click.argument("file", type=click.Path(exists=True, dir_okay=False, path_type=Path))
@click.option("--density", type=float, metavar="G_PER_CM3", help="The plastic's density; without it, no grams.")
@click.option(
    "--diameter",
    type=float,
    default=metering.USUAL_DIAMETER_MM,
    show_default=True,
    metavar="MM",
    help="The plastic's diameter.",
)
@click.option("--g90-governs-e", is_flag=True, help="This machine's G90 and G91 also say how extrusion is meant.")
@click.option("--time", "timed", is_flag=True, help="Where the file does not say how long it runs, time its moves.")
@_json
def meter(*, file: Path, density: float | None, diameter: float, as_json: bool, **how: bool) -> None:
    """Print the plastic that a motion file draws, tool by tool: G-code, gzip or binary, or a 3MF package of runs."""
    with file.open("rb") as stream:
        told = metering.figures(stream, name=file.name, density_g_per_cm3=density, diameter_mm=diameter, **how)
    if as_json:
        click.echo(json.dumps(told))
        return
    runs = told.get("runs", [told])
    for run in runs:
        if len(runs) > 1:
            click.echo(f"Run {run['run']} of {len(runs)}, {run['name']}:")
        _table(("tool", "mm", "mm³", "g"), [_tool_row(tool) for tool in run["tools"]])
        if run["seconds"]:
            click.echo(f"It runs {timedelta(seconds=run['seconds'])}, by its {run['seconds_from']}.")
        for note in run["notes"]:
            click.echo(f"Note: {note}")


@cli.command()
@click.argument("file", type=click.Path(exists=True, dir_okay=False, path_type=Path))
@click.option("--machine", help="The machine's name; tool 0 is its first feed.")
@click.option("--title", default="", help="What it is called; the file's name if left out.")
@click.option("--times", type=int, default=1, show_default=True, help="How often it is printed.")
@click.option("--again", is_flag=True, help="Plan it once more, though the same file was planned before.")
@_instance()
@_json
def plan(*, file: Path, machine: str | None, title: str, times: int, again: bool, folder: Path, as_json: bool) -> None:
    """Plan a motion file's runs as jobs; a slicing program may call this after each export."""
    told = FilePlan(title=title, times=times)
    with closing(Instance(folder).open()) as store:
        hands = watching.Store(store.read, store.write, FIRST_ACTOR)
        planned = watching.plan(
            file, store=hands, now=_now(), told=told, machine=machine, apart=f"{_now()} " if again else ""
        )
    click.echo(json.dumps(asdict(planned), default=str) if as_json else watching.in_words(file.name, planned))


@cli.command()
@click.argument("watched", type=click.Path(exists=True, file_okay=False, path_type=Path))
@click.option("--machine", help="The machine of files that lie in no folder named as one.")
@click.option("--every", type=float, default=5, show_default=True, help="Seconds between two looks.")
@click.option("--once", is_flag=True, help="Take what lies there, and stop.")
@_instance()
def watch(*, watched: Path, machine: str | None, every: float, once: bool, folder: Path) -> None:
    """Plan each motion file that is put into a folder, and move it to “planned” or “refused” there.

    A file in a folder named as a machine is planned for that machine.
    """
    with closing(Instance(folder).open()) as store:
        hands = watching.Store(store.read, store.write, FIRST_ACTOR)
        watching.watch(
            watched, store=hands, clock=_now, machine=machine, every_s=None if once else every, say=click.echo
        )


def main() -> None:
    """Run the command line; a rule's refusal is a sentence and exit code 2."""
    try:
        cli.main(standalone_mode=False)
    except Refusal as refusal:
        click.echo(f"spoolkeep: {refusal.words}", err=True)
        sys.exit(2)
    except click.ClickException as error:
        error.show()
        sys.exit(error.exit_code)
    except click.exceptions.Exit as stop:
        sys.exit(stop.exit_code)
    except (click.Abort, KeyboardInterrupt):
        sys.exit(130)


def _now() -> datetime:
    return datetime.now(UTC)


def _new_password(name: str) -> str:
    if not sys.stdin.isatty():
        return sys.stdin.readline().rstrip("\r\n")
    return str(click.prompt(f"A new password for {name}", hide_input=True, confirmation_prompt=True))


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


def _runout_row(row: stock.StockRow, formats: Formats) -> tuple[str, ...]:
    days = row.days
    return (
        row.item.name,
        formats.grams(row.left_mg),
        formats.grams(round(days.daily_mg)),
        "" if days.days is None else formats.days(days.days),
        "" if days.run_out_on is None else formats.day(days.run_out_on),
        "" if days.order_by is None else formats.day(days.order_by),
    )


def _tool_row(tool: dict[str, Any]) -> tuple[str, ...]:
    grams = tool["g"]
    return str(tool["tool"]), f"{tool['mm']:.3f}", f"{tool['mm3']:.3f}", "" if grams is None else f"{grams:.3f}"


def _reorder_row(one: orders.Advice, formats: Formats) -> tuple[str, ...]:
    return (
        one.supplier or "nobody offers it",
        one.item.name,
        str(one.spools),
        formats.grams(one.why.left_mg),
        "" if one.why.days is None else formats.days(one.why.days),
        "" if one.why.order_by is None else formats.day(one.why.order_by),
        formats.money(one.total_minor),
    )


def _share_row(month: MonthShare, formats: Formats) -> tuple[str, ...]:
    return (
        f"{month.month:%Y-%m}",
        formats.money(month.takings_minor),
        formats.money(month.drawn_minor),
        formats.money(month.bought_minor),
        "" if month.material_bp is None else formats.share(month.material_bp),
        "" if month.spend_bp is None else formats.share(month.spend_bp),
    )


def _file_name(supplier: str, number: int) -> str:
    """Give a sheet's file name; the number tells apart suppliers whose names differ only in what no file may bear."""
    word = "".join(char if char.isalnum() else "-" for char in supplier).lower()
    return f"reorder-{word[:40]}-{number}"


def _table(head: tuple[str, ...], rows: list[tuple[str, ...]]) -> None:
    widths = [max(len(row[at]) for row in [head, *rows]) for at in range(len(head))]
    for row in [head, *rows]:
        click.echo("  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip())


def _write(path: Path, data: bytes) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(data)
    click.echo(f"Wrote {path}.")
