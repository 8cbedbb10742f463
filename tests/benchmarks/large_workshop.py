"""A large workshop: 200 machines, 500 items, 20,000 spools and a million ledger lines in two years that end yesterday.

Run it: python tests/benchmarks/large_workshop.py --instance DIR [--scale 0.05]. SPOOLKEEP_DATABASE names a PostgreSQL.
It prints rows by table, seconds and the size, and proves the books.
"""

import argparse
import sys
import time
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))  # run as a script, the tests' folder is not on the path

from spoolkeep.services.instance import Instance
from spoolkeep.store.engine import Store
from spoolkeep.store.proof import differences
from tests.benchmarks.large.workshop import build


def main() -> None:
    """Build it, say what was written, and prove the books."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--instance", type=Path, required=True, help="the folder of the database")
    parser.add_argument("--scale", type=float, default=1.0, help="1 is the whole; 0.05 a twentieth")
    parser.add_argument("--no-check", action="store_true", help="do not prove the books at the end")
    asked = parser.parse_args()
    now = datetime.now(UTC)
    with closing(Instance(asked.instance).open_or_make(now=now)) as store:
        built = build(store, now=now, scale=asked.scale)
        for name, rows in built.rows.items():
            print(f"{name:<16}{rows:>12,}")
        for part, seconds in built.seconds.items():
            print(f"{part:<20}{seconds:>8.1f} s")
        print(f"{'size':<20}{built.bytes / 1e6:>8.0f} MB")
        if not asked.no_check:
            _prove(store)


def _prove(store: Store) -> None:
    began = time.perf_counter()
    with store.read() as session:
        first = next(differences(session), None)
    print(f"{'check':<20}{time.perf_counter() - began:>8.1f} s")
    print("The books are sound." if first is None else f"The books differ: {first}")


if __name__ == "__main__":
    main()
