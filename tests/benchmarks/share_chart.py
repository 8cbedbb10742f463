"""How often the control chart of the material share marks months of a steady shop, and how soon it sees a change.

Run it: python tests/benchmarks/share_chart.py [--series 10000]. Shares of steady months scatter around 1.5 % with the
given coefficient of variation: normally, skewed (lognormal), and with months that lean on the one before (a quarter of
its deviation). Each month the chart is drawn of the last 24 months that are over, as the Money page does. Then all
months from one on lie 20 % higher, and it is counted how many months go by until one of them is marked.
"""

import argparse
import random
from collections.abc import Callable
from statistics import median

from spoolkeep.domain.control import Sign, limits
from spoolkeep.services.money import MONTHS_CHARTED

MIDDLE_BP = 150.0
SHIFT = 1.2
MOST_MONTHS = 36
Maker = Callable[[random.Random, int, float], list[float]]


def normal(pick: random.Random, months: int, scatter: float) -> list[float]:
    """Give shares in basis points."""
    return [pick.gauss(MIDDLE_BP, scatter * MIDDLE_BP) for _ in range(months)]


def skewed(pick: random.Random, months: int, scatter: float) -> list[float]:
    """Give the same, skewed upwards."""
    return [MIDDLE_BP * pick.lognormvariate(-(scatter**2) / 2, scatter) for _ in range(months)]


def leaning(pick: random.Random, months: int, scatter: float) -> list[float]:
    """Give the same, each leaning on the one before."""
    found, before = [], 0.0
    for _ in range(months):
        before = 0.25 * before + pick.gauss(0, scatter * MIDDLE_BP * (1 - 0.25**2) ** 0.5)
        found.append(MIDDLE_BP + before)
    return found


def marks(values: list[float]) -> tuple[Sign | None, ...]:
    """Give the marks of a chart."""
    found = limits(values)
    return found.signs(values) if found else ()


def alarms(make: Maker, scatter: float, series: int) -> tuple[float, float, float]:
    """Give, of steady series: what share of values is beyond a limit, or ends a run, and of newest ones is marked."""
    beyond = runs = last = 0
    for seed in range(series):
        found = marks(make(random.Random(seed), MONTHS_CHARTED, scatter))  # noqa: S311 - no secret
        beyond += found.count(Sign.BEYOND)
        runs += found.count(Sign.RUN)
        last += found[-1] is not None
    return beyond / series / MONTHS_CHARTED, runs / series / MONTHS_CHARTED, last / series


def delays(make: Maker, scatter: float, series: int) -> list[int]:
    """Give after how many months of a share that is 20 % higher the newest month is marked first."""
    found = []
    for seed in range(series):
        values = make(random.Random(10**6 + seed), MONTHS_CHARTED + MOST_MONTHS, scatter)  # noqa: S311 - no secret
        values[MONTHS_CHARTED:] = [one * SHIFT for one in values[MONTHS_CHARTED:]]
        ends = range(MONTHS_CHARTED + 1, len(values) + 1)
        seen = (end - MONTHS_CHARTED for end in ends if marks(values[end - MONTHS_CHARTED : end])[-1] is not None)
        found.append(next(seen, MOST_MONTHS + 1))
    return found


def main() -> None:
    """Print the figures."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--series", type=int, default=10_000)
    series = parser.parse_args().series
    for make in (normal, skewed, leaning):
        for scatter in (0.05, 0.08, 0.12):
            beyond, runs, last = alarms(make, scatter, series)
            waited = sorted(delays(make, scatter, series // 10))
            print(
                f"{make.__name__}, scatter {scatter:.0%}: steady months beyond {beyond:.2%}, ending a run {runs:.2%},"
                f" newest month marked {last:.2%}; 20 % more seen after {median(waited):g} months in the middle,"
                f" {waited[len(waited) * 9 // 10]} in nine of ten"
            )


if __name__ == "__main__":
    main()
