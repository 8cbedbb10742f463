"""Which spool to take: unusable rests against taking the newest first, and against the best there could be.

Run it: python tests/benchmarks/picking.py [--shelves 1000] [--small 300] [--seed 1]

Random shelves of one item: some opened spools, some sealed ones, and jobs that come one after the other, of sizes as in
a workshop that sells small things. An unusable rest is what lies on an opened spool in the end and is less than the
usual job, but not so little that it is thrown away. Both rules print the same jobs: a shelf is left out where one of
them could not. On small shelves every way of sharing the jobs out is tried, and the least of all rests is the best.
"""

import argparse
import random
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from functools import cache
from statistics import median

from spoolkeep.domain.picking import Candidate, Uses, ranked

FULL_MG = 1_000_000
USES = Uses(usual_mg=100_000, scrap_mg=20_000)
FIRST = date(2026, 1, 5)
Choose = Callable[[Sequence[Candidate], int], Candidate | None]


@dataclass(frozen=True)
class Ended:
    """What is left of a shelf once the jobs are printed."""

    rests_mg: int
    opened: int
    scrap_mg: int


def shelf(rng: random.Random, *, spools: tuple[int, int], jobs: tuple[int, int]) -> tuple[list[Candidate], list[int]]:
    """Give a shelf, and the jobs that come."""
    found = []
    for number in range(rng.randint(*spools)):
        opened = rng.random() < 0.6
        mg = rng.randint(60_000, 950_000) if opened else FULL_MG
        found.append(Candidate(number, mg, mg, opened, FIRST + timedelta(days=rng.randint(0, 200))))
    sizes = (rng.lognormvariate(11.6, 0.6) for _ in range(rng.randint(*jobs)))
    return found, [round(min(450_000, max(25_000, mg))) for mg in sizes]


def ours(lying: Sequence[Candidate], needs_mg: int) -> Candidate | None:
    """Take what Spoolkeep says."""
    best = next(iter(ranked(lying, needs_mg=needs_mg, uses=USES)), None)
    return next((one for one in lying if best and one.spool_id == best.spool_id), None)


def newest_first(lying: Sequence[Candidate], needs_mg: int) -> Candidate | None:
    """Take the spool that came last, as one does who takes from the front of the shelf."""
    able = [one for one in lying if one.left_mg >= needs_mg]
    return max(able, key=lambda one: (one.received_on, one.spool_id), default=None)


def printed(lying: Sequence[Candidate], jobs: Sequence[int], choose: Choose) -> Ended | None:
    """Print the jobs in their order; None where one finds no spool that lasts."""
    there = {one.spool_id: one for one in lying}
    for needs_mg in jobs:
        taken = choose(list(there.values()), needs_mg)
        if taken is None:
            return None
        rest = taken.left_mg - needs_mg
        there[taken.spool_id] = replace(taken, left_mg=rest, surely_mg=rest, opened=True)
    opened = [one for one in there.values() if one.opened]
    scrap = sum(one.left_mg for one in opened if one.left_mg <= USES.scrap_mg)
    return Ended(sum(USES.lost_mg(one.left_mg) for one in opened), len(opened), scrap)


def best_of_all(lying: Sequence[Candidate], jobs: Sequence[int]) -> int | None:
    """Give the least unusable rest of any way to share the jobs out among the spools; None where there is none."""
    opened = tuple(one.opened for one in lying)

    @cache
    def least(left: tuple[int, ...], used: tuple[bool, ...], at: int) -> int | None:
        if at == len(jobs):
            return sum(USES.lost_mg(mg) for mg, is_open in zip(left, used, strict=True) if is_open)
        found = None
        for number, mg in enumerate(left):
            if mg < jobs[at]:
                continue
            after = (*left[:number], mg - jobs[at], *left[number + 1 :])
            rest = least(after, (*used[:number], True, *used[number + 1 :]), at + 1)
            if rest is not None and (found is None or rest < found):
                found = rest
        return found

    return least(tuple(one.left_mg for one in lying), opened, 0)


def compare(shelves: int, seed: int) -> None:
    """Print what stays by each rule on large shelves."""
    rng = random.Random(seed)  # noqa: S311 - no secret
    pairs: list[tuple[Ended, Ended]] = []
    while len(pairs) < shelves:
        lying, jobs = shelf(rng, spools=(4, 12), jobs=(6, 25))
        mine, theirs = printed(lying, jobs, ours), printed(lying, jobs, newest_first)
        if mine and theirs:
            pairs.append((mine, theirs))
    print(f"{shelves} shelves of 4 to 12 spools, 6 to 25 jobs")
    for name, at in (("as Spoolkeep says", 0), ("newest first", 1)):
        rests = [pair[at].rests_mg / 1000 for pair in pairs]
        opened, scrap = sum(pair[at].opened for pair in pairs), sum(pair[at].scrap_mg for pair in pairs)
        print(
            f"  {name}: {sum(rests) / shelves:.1f} g of rests a shelf (median {median(rests):.0f}),"
            f" {opened / shelves:.2f} opened spools, {scrap / 1000 / shelves:.1f} g thrown away"
        )
    ratio = sum(pair[0].rests_mg for pair in pairs) / sum(pair[1].rests_mg for pair in pairs)
    print(f"  unusable rests are {ratio:.2f} times those of newest first")


def against_the_best(shelves: int, seed: int) -> None:
    """Print how far the rule is from the best possible, on shelves that are small enough to try everything."""
    rng = random.Random(seed + 1)  # noqa: S311 - no secret
    triples: list[tuple[int, int, int]] = []
    while len(triples) < shelves:
        lying, jobs = shelf(rng, spools=(2, 4), jobs=(3, 7))
        mine, theirs, best = printed(lying, jobs, ours), printed(lying, jobs, newest_first), best_of_all(lying, jobs)
        if mine and theirs and best is not None:
            triples.append((mine.rests_mg, theirs.rests_mg, best))
    print(f"{shelves} small shelves of 2 to 4 spools, 3 to 7 jobs, known in advance only to the best")
    for name, at in (("as Spoolkeep says", 0), ("newest first", 1), ("the best there could be", 2)):
        print(f"  {name}: {sum(one[at] for one in triples) / 1000 / shelves:.1f} g of rests a shelf")
    same = sum(one[0] == one[2] for one in triples)
    print(f"  as good as the best on {100 * same / shelves:.0f} % of them")


def main() -> None:
    """Compare and print."""
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--shelves", type=int, default=1000)
    asked.add_argument("--small", type=int, default=300)
    asked.add_argument("--seed", type=int, default=1)
    given = asked.parse_args()
    compare(given.shelves, given.seed)
    against_the_best(given.small, given.seed)


if __name__ == "__main__":
    main()
