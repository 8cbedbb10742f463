"""How long an import of many job rows takes, beside plainly inserting the same rows into one table; and its memory.

Run it: python tests/benchmarks/job_sheets.py [--rows 50000]. Both run in a Python of their own on a fresh SQLite file.
"""

import argparse
import csv
import io
import random
import resource
import sqlite3
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))  # run as a script, the tests' folder is not on the path

from spoolkeep.services.imports import import_sheet
from spoolkeep.services.instance import Instance
from spoolkeep.store.acts import By
from spoolkeep.store.proof import differences
from spoolkeep.store.seeds import FIRST_ACTOR

NOW = datetime(2026, 3, 4, 12, tzinfo=UTC)
COLOURS = [f"Shade {number}" for number in range(30)]
HEAD = ("id", "title", "ended_at", "grams", "material", "colour", "outcome")


def job_rows(count: int) -> list[Sequence[object]]:
    """Give rows of jobs over two years."""
    rng = random.Random(3)  # noqa: S311 - a fixed history
    rows: list[Sequence[object]] = []
    for number in range(count):
        at = NOW - timedelta(minutes=rng.randrange(1, 730 * 24 * 60))
        outcome = "failed" if rng.random() < 0.05 else "good"
        told = (number, f"Hook {number % 40}", f"{at:%Y-%m-%d %H:%M}", f"{rng.uniform(2, 90):.1f}")
        rows.append((*told, "PLA", rng.choice(COLOURS), outcome))
    return rows


def sheet_of(head: tuple[str, ...], rows: Sequence[Sequence[object]]) -> bytes:
    """Give a CSV sheet."""
    out = io.StringIO()
    csv.writer(out).writerows([head, *rows])
    return out.getvalue().encode()


def ours(folder: Path, count: int) -> None:
    """Import the lists, spools that hold it all, and the jobs; print seconds, rows, and the most memory."""
    colours = [("PLA", colour, "matt", f"#2020{number:02x}") for number, colour in enumerate(COLOURS)]
    new = ("PLA", 1000, "2024-01-01", "2023-12-01")
    spools = [(f"{colour}-{number}", colour, *new) for colour in COLOURS for number in range(count // 600)]
    sheets = {
        "articles": sheet_of(("material", "colour", "finish", "shade"), colours),
        "spools": sheet_of(("id", "colour", "material", "left_g", "counted_on", "received_on"), spools),
        "jobs": sheet_of(HEAD, job_rows(count)),
    }
    told: list[int] = []
    with closing(Instance(folder).open_or_make(now=NOW)) as store:
        for sheet, data in sheets.items():
            began = time.perf_counter()
            with store.write() as session:
                report = import_sheet(
                    session=session,
                    now=NOW,
                    by=By(FIRST_ACTOR, sheet),
                    sheet=sheet,
                    source=sheet,
                    data=data,
                    tell=lambda done, _: told.append(done),
                )
            took = time.perf_counter() - began
            if report.problems:
                raise SystemExit(report.problems[0].words)
        with store.read() as session:
            if next(differences(session), None):
                raise SystemExit("the books are not sound")
    memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1000
    print(f"{took:.2f} {report.new} {memory:.0f} {len(told)}")


def plain(folder: Path, count: int) -> None:
    """Insert the same rows into one table, in one transaction; print the seconds."""
    rows = list(csv.reader(io.StringIO(sheet_of(HEAD, job_rows(count)).decode())))[1:]
    with closing(sqlite3.connect(folder / "plain.sqlite")) as connection:
        began = time.perf_counter()
        connection.execute("PRAGMA synchronous = FULL")
        connection.execute(f"CREATE TABLE job ({', '.join(HEAD)})")
        connection.executemany(f"INSERT INTO job VALUES ({', '.join('?' * len(HEAD))})", rows)  # noqa: S608 - our own
        connection.commit()
        print(f"{time.perf_counter() - began:.3f}")


def asked(what: str, count: int) -> list[float]:
    """Give what a Python of its own prints."""
    with tempfile.TemporaryDirectory() as folder:
        words = [sys.executable, __file__, "--rows", str(count), "--only", what, "--folder", folder]
        return [
            float(word) for word in subprocess.run(words, check=True, capture_output=True, text=True).stdout.split()
        ]


def main() -> None:
    """Read the options."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--rows", type=int, default=50_000)
    parser.add_argument("--only", choices=("ours", "plain"))
    parser.add_argument("--folder", type=Path)
    options = parser.parse_args()
    if options.only:
        (ours if options.only == "ours" else plain)(options.folder, options.rows)
        return
    took, rows, memory, told = asked("ours", options.rows)
    (inserted,) = asked("plain", options.rows)
    print(f"{rows:.0f} jobs imported in {took:.1f} s, {took / rows * 1e6:.0f} us a row, progress told {told:.0f} times")
    print(f"most memory {memory:.0f} MB; a plain insert takes {inserted:.3f} s: {took / inserted:.0f} times")


if __name__ == "__main__":
    main()
