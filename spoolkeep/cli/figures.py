"""The commands that print figures, reorder sheets and labels.

The command line loads it when one is asked for.
"""

import json
from contextlib import closing
from pathlib import Path
from typing import Any

import click

from spoolkeep.cli.printed import instance_option, json_option, table, this_moment, write
from spoolkeep.domain.formats import Formats
from spoolkeep.domain.planned import State
from spoolkeep.domain.share import MonthShare
from spoolkeep.domain.shortfall import HORIZON
from spoolkeep.paper.night_sheet import half_sheet
from spoolkeep.paper.sheets import press_reorder_sheet
from spoolkeep.paper.stocks import STOCKS
from spoolkeep.services import (
    deliveries,
    evening,
    figures,
    halfsheet,
    labels,
    money,
    orderdays,
    orderplan,
    sheets,
    stock,
    stocks,
)
from spoolkeep.services.instance import Instance
from spoolkeep.services.orderplan import ItemLine
from spoolkeep.services.shop import load_shop
from spoolkeep.store.engine import Session

MANY_DAYS = 730
"""More is said as years."""


@click.command()
@instance_option()
@json_option
def runout(*, folder: Path, as_json: bool) -> None:
    """Print how long each item lasts, in the middle and in eight cases of ten; the one that ends first at the top."""
    with closing(Instance(folder).open()) as store, store.read() as session:
        if as_json:
            click.echo(json.dumps(figures.runout(session=session, now=this_moment()), indent=2))
            return
        formats = load_shop(session).formats
        rows = [_runout_row(row, formats) for row in orderdays.rows(session=session, now=this_moment())]
    table(("item", "left", "a day", "days", "between", "run-out", "gone before an order comes", "order by"), rows)


@click.command()
@instance_option()
@json_option
@click.option("--until", help="The hour at which somebody comes again, like 2026-03-05T08:00; tomorrow's opening else.")
@click.option("--pdf", type=click.Path(dir_okay=False, path_type=Path), help="Write the half sheet to this file.")
def tonight(*, folder: Path, as_json: bool, until: str | None, pdf: Path | None) -> None:
    """Print which feeds will not last until somebody comes again, and what to load from where."""
    now = this_moment()
    with closing(Instance(folder).open()) as store, store.read() as session:
        shop = load_shop(session)
        told = evening.plan(session=session, now=now, until=shop.moment_of(until) if until else None)
    sheet = halfsheet.of_evening(shop, told)
    if pdf:
        write(pdf, half_sheet(sheet))
    if as_json:
        click.echo(json.dumps(figures.tonight(told), indent=2))
        return
    click.echo(sheet.summary)
    table(("feed", "what to do", "why"), [(one.feed, one.doing, " ".join(one.besides)) for one in sheet.lines])


@click.command()
@instance_option()
@json_option
@click.option(
    "--pdf", type=click.Path(file_okay=False, path_type=Path), help="Write a sheet a supplier to this folder."
)
@click.option("--csv", type=click.Path(file_okay=False, path_type=Path), help="The same as CSV.")
@click.option("--xlsx", type=click.Path(file_okay=False, path_type=Path), help="The same as a workbook.")
def reorder(*, folder: Path, as_json: bool, pdf: Path | None, csv: Path | None, xlsx: Path | None) -> None:
    """Print what to order now, from whom and why."""
    with closing(Instance(folder).open()) as store, store.read() as session:
        plan = orderplan.view(session=session, now=this_moment())
    formats = plan.shop.formats
    for number, sheet in sheets.planned_sheets(plan).items():
        name = _file_name(sheet.supplier, number)
        if pdf:
            write(pdf / f"{name}.pdf", press_reorder_sheet(sheet, formats=formats))
        if csv:
            write(csv / f"{name}.csv", sheets.as_csv(sheet))
        if xlsx:
            write(xlsx / f"{name}.xlsx", sheets.as_workbook(sheet))
    if as_json:
        click.echo(json.dumps(figures.reorder(plan), indent=2))
        return
    if not plan.due:
        click.echo("Nothing needs ordering today.")
    for one in plan.left_out:
        click.echo(one)
    rows = [_reorder_row(one, formats) for one in (*plan.now, *plan.standing(State.NOBODY, State.BY))]
    table(("item", "what", "supplier", "spools", "left", "lasts", "out first", "in a week", "order by", "sum"), rows)


@click.command()
@instance_option()
@json_option
def share(*, folder: Path, as_json: bool) -> None:
    """Print by month what plastic cost beside takings: what was drawn, and what was bought."""
    with closing(Instance(folder).open()) as store, store.read() as session:
        if as_json:
            click.echo(json.dumps(figures.material_share(session=session), indent=2))
            return
        formats = load_shop(session).formats
        rows = [_share_row(month, formats) for month in money.view(session=session).months]
    table(("month", "takings", "drawn", "bought", "material share", "spend share"), rows)


@click.command(name="labels")
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
@instance_option()
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
            today=this_moment().date(), formats=formats, count=sample, stock=stock_name, **pressing
        )
    else:
        with closing(Instance(how["folder"]).open()) as store, store.read() as session:
            if calibrate:
                pdf, printed = stocks.calibration(session=session, now=this_moment(), name=how["stock_name"]), []
            else:
                gathered = _gathered(session, codes, how)
                pdf, printed = labels.press(gathered, **pressing), [label.code.text for label in gathered.labels]
    write(out, pdf)
    if codes_out:
        write(codes_out, "".join(f"{code}\n" for code in printed).encode())


def _gathered(session: Session, codes: tuple[str, ...], how: dict[str, Any]) -> labels.Gathered:
    stock_name = how["stock_name"]
    if how["cards"]:
        return labels.of_cards(session=session, now=this_moment(), stock=stock_name)
    if how["places"]:
        return labels.of_places_and_feeds(session=session, now=this_moment(), stock=stock_name)
    if how["delivery"] is not None:
        codes = deliveries.codes_of(session=session, delivery_id=how["delivery"])[max(0, how["first"] - 1) :]
    return labels.of_codes(session=session, now=this_moment(), codes=codes, stock=stock_name)


def _few(days: float | None) -> str:
    """Give whole days, or that they are years, as the Stock page does."""
    return "years" if days is None or days > MANY_DAYS else f"{int(days)}"


def _runout_row(row: stock.StockRow, formats: Formats) -> tuple[str, ...]:
    days = row.days
    return (
        row.item.name,
        formats.grams(row.left_mg),
        formats.grams(round(days.daily_mg)),
        _few(days.lasts.p50) if days.lasts.p10 is not None else "",
        f"{_few(days.lasts.p10)} to {_few(days.lasts.p90)}" if days.lasts.p10 is not None else "",
        "" if days.run_out_on is None else formats.day(days.run_out_on),
        f"{row.order.chance_short:.0%}" if days.lasts.p10 is not None else "",
        "" if row.order.day is None else formats.day(row.order.day),
    )


def _reorder_row(one: ItemLine, formats: Formats) -> tuple[str, ...]:
    told = one.told
    return (
        one.item.name,
        told.state,
        one.held.supplier if one.held else "",
        str(one.spools or ""),
        formats.grams(one.left_mg),
        f"over {HORIZON}" if told.lasts_days >= HORIZON else str(told.lasts_days),
        _chance(told.chance_now),
        _chance(told.chance_week),
        "" if one.order_by is None else formats.day(one.order_by),
        formats.money(one.total_minor) if one.spools else "",
    )


def _chance(chance: float) -> str:
    """Give a chance as the Orders page does."""
    return "under 1 %" if chance < 0.005 else "over 99 %" if chance > 0.995 else f"{chance * 100:.0f} %"  # noqa: PLR2004


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
