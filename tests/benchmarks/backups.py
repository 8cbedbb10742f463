"""Backups while a workshop writes: how long a writer waits at most, and whether all that was acknowledged is there.

Run it: python tests/benchmarks/backups.py --instance DIR [--rate 500] [--seconds 10]. DIR holds a workshop, like the
one of large_workshop.py; it is copied, and left alone. Both ways of keeping a journal are measured.

A process of its own adds a row to a table of its own, so many times a second, as the workshop's own writer does it
(BEGIN IMMEDIATE, synchronous FULL), and notes when each write was acknowledged. The longest pause between two
acknowledged writes is told without a backup, and while one is made in another process; proving is timed apart.
"""

import argparse
import multiprocessing
import shutil
import sqlite3
import sys
import tempfile
import time
from contextlib import closing
from itertools import pairwise
from multiprocessing.synchronize import Event
from pathlib import Path
from typing import cast

sys.path.insert(0, str(Path(__file__).parents[2]))  # run as a script, the tests' folder is not on the path

from spoolkeep.services.instance import FILE
from spoolkeep.store.copying import copy_pages, on_disk, proved
from spoolkeep.store.engine import BUSY_SECONDS

Times = list[float]


def write(path: Path, rate: float, over: Event, told: "multiprocessing.Queue[Times]") -> None:
    """Write at a rate until it is over; tell when each write was acknowledged."""
    times: Times = []
    with closing(sqlite3.connect(path, isolation_level=None, timeout=BUSY_SECONDS)) as connection:
        connection.execute("PRAGMA synchronous=FULL")
        due = time.monotonic()
        while not over.is_set():
            connection.execute("BEGIN IMMEDIATE")
            connection.execute("INSERT INTO told (words) VALUES (?)", ("grams" * 20,))
            connection.execute("COMMIT")
            times.append(time.monotonic())
            due = max(due + 1 / rate, times[-1] - 1)
            time.sleep(max(0.0, due - time.monotonic()))
    told.put(times)


def measure(path: Path, mode: str, rate: float, seconds: float) -> None:
    """Print what a backup costs a writer with one way of keeping a journal."""
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        connection.execute(f"PRAGMA journal_mode={mode}")
        connection.execute("CREATE TABLE IF NOT EXISTS told (number INTEGER PRIMARY KEY, words TEXT)")
        connection.execute("DELETE FROM told")
    over, told = multiprocessing.Event(), cast("multiprocessing.Queue[Times]", multiprocessing.Queue())
    writer = multiprocessing.Process(target=write, args=(path, rate, over, told))
    writer.start()
    time.sleep(seconds)
    target = path.with_name("copy.sqlite")
    began = time.monotonic()
    copy_pages(path, target)
    on_disk(target)
    ended = time.monotonic()
    time.sleep(1)
    over.set()
    times = told.get()
    writer.join()
    _tell(mode, times, began, ended)
    _hold_against(target, times, began, ended)
    began = time.monotonic()
    proof = proved(target)
    print(f"  proved in {time.monotonic() - began:.1f} s: {proof.difference or 'the books are sound'}")
    target.unlink()


def _tell(mode: str, times: Times, began: float, ended: float) -> None:
    before = [one for one in times if one < began]
    print(f"{mode}: {len(before) / (before[-1] - before[0]):.0f} writes a second; copied in {ended - began:.2f} s")
    print(f"  longest pause of the writer: {_longest(before):.3f} s without, ", end="")
    during = [one for one in times if before[-1] <= one <= ended + 0.5]
    print(f"{_longest(during):.3f} s with a backup")


def _longest(times: Times) -> float:
    return max(later - earlier for earlier, later in pairwise(times))


def _hold_against(target: Path, times: Times, began: float, ended: float) -> None:
    with closing(sqlite3.connect(target)) as copy:
        there = [number for (number,) in copy.execute("SELECT number FROM told ORDER BY number")]
    acknowledged, possible = sum(one < began for one in times), sum(one <= ended for one in times) + 1
    whole = there == list(range(1, len(there) + 1)) and acknowledged <= len(there) <= possible
    print(f"  {acknowledged:,} acknowledged before, {len(there):,} in the copy: {'all there' if whole else 'LOST'}")


def main() -> None:
    """Copy the workshop aside, and measure."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--instance", type=Path, required=True, help="the folder of the database")
    parser.add_argument("--rate", type=float, default=500, help="writes a second")
    parser.add_argument("--seconds", type=float, default=5, help="how long the writer writes before the backup")
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory(dir=asked.instance.parent) as room:
        path = Path(room) / FILE
        shutil.copyfile(asked.instance / FILE, path)
        print(f"{path.stat().st_size / 1e6:,.0f} MB, SQLite {sqlite3.sqlite_version}")
        for mode in ("TRUNCATE", "WAL"):
            measure(path, mode, asked.rate, asked.seconds)


if __name__ == "__main__":
    main()
