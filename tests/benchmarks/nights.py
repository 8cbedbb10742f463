"""Tonight against what truly happened: of the feeds that it called safe, how many stopped, and how its chances hold.

Run it: python tests/benchmarks/nights.py [--nights N] [--seed N] [--simulated N] [--svg FILE] [--json]. The demo lives
through N days; each evening, as the last person leaves, Tonight is asked, and the demo's truth says which feeds ran dry
before somebody came. A second world is simulated besides, which knows nothing of the model: its biases, slips and
scatter have other shapes.
"""

import argparse
import itertools
import json
import math
import random
import tempfile
from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np

from spoolkeep.domain.drift import Drawn, Estimate, Stretch, learn
from spoolkeep.domain.night import chance
from spoolkeep.domain.rightspool import SURE
from spoolkeep.services import tonight
from spoolkeep.services.demo import build, demo_folder, living
from spoolkeep.services.demo.day import Day
from spoolkeep.services.demo.described import Described, read_described
from spoolkeep.services.instance import Instance

_EDGES = (0.0, 0.05, 0.2, 0.4, 0.6, 0.8, 0.95, 0.99, 0.999, 1.0)
_WARM_UP = 90


@dataclass(frozen=True)
class Seen:
    """What was said of a feed, and whether it then stopped."""

    chance: float
    stopped: bool


# the demo


def demo_nights(nights: int, seed: int) -> tuple[list[Seen], int]:
    """Give what Tonight said of every feed that printed at closing time, and the evenings on which it was asked."""
    told = _with_plans(read_described(demo_folder()).with_history(nights), seed)
    seen: list[Seen] = []
    evenings: set[object] = set()
    around = living._round  # noqa: SLF001 - what people do besides, with one thing more

    def round_with_tonight(day: Day) -> dict[str, Any]:
        found: dict[str, Any] = around(day)
        hours = day.hours_of(day.date)
        if hours is not None and day.index >= _WARM_UP:
            found["tonight"] = (hours[1] - timedelta(seconds=1), lambda one, at: _look(one, at, seen, evenings))
        return found

    living._round = round_with_tonight  # noqa: SLF001 - as above
    try:
        with tempfile.TemporaryDirectory() as folder:
            _live(told, Path(folder), nights)
    finally:
        living._round = around  # noqa: SLF001 - as above
    return seen, len(evenings)


def _with_plans(told: Described, seed: int) -> Described:
    simulation = told.simulation.model_copy(update={"plans_for_days": 100_000, "seed": seed})
    return replace(told, simulation=simulation)


def _live(told: Described, folder: Path, nights: int) -> None:
    now = datetime(2026, 3, 2, 12, tzinfo=UTC)
    begins = now - timedelta(days=nights)
    with closing(Instance(folder).open_or_make(now=begins)) as store:
        truth = living.not_begun(told, today=now.date())
        build.bring_on(store, told, truth, until=now.date() - timedelta(days=1), keep_in=folder)


def _look(day: Day, moment: datetime, seen: list[Seen], evenings: set[object]) -> None:
    """Ask Tonight, and hold every feed of a machine that prints beside what truly happens by the next opening."""
    until = day.next_opening(moment)
    session = day.hands._session  # noqa: SLF001 - the books as they stand at this moment
    ahead = tonight.look_ahead(session=session, now=moment, until=until, leaves_at=moment)
    names = {number: name for name, number in day.truth.numbers.feeds.items()}
    for one in ahead.feeds:
        run = day.truth.runs.get(one.machine.name)
        name = names[one.feed.feed_id]
        if run is None or run.until is None or run.until <= moment or not one.prints:
            continue
        if name in {feed.feed for feed in run.feeds}:
            seen.append(Seen(one.chance, name in run.dry and run.until < until))
            evenings.add(day.date)


# a world of another make


def simulated_nights(nights: int, seed: int) -> list[Seen]:
    """Give the same of a world that is made otherwise: nothing in it is normal, and nothing in it is the model's.

    Makers wind on a little more or less, evenly; reels differ by a triangle; each machine is off by its own share, and
    each job by a skewed one; one spool in thirty is taken for another, and one reading in fifty is misread.
    """
    rng = random.Random(seed)  # noqa: S311 - no secret
    off = [rng.uniform(-0.01, 0.05) for _ in range(8)]
    drift = learn([_stretch(rng, off) for _ in range(160)])
    found: list[Seen] = []
    for _ in range(nights):
        for machine, bias in enumerate(off):
            found += _night(rng, machine, bias, drift)
    return found


def _job(rng: random.Random, bias: float, grams: float) -> float:
    return grams * (1 + bias + 0.012 * (rng.expovariate(1) - 1)) + rng.uniform(0.2, 2.0)


def _history(rng: random.Random, bias: float, most_g: float) -> tuple[list[int], float]:
    """Give what was metered, job by job, and what truly went."""
    told: list[int] = []
    true = 0.0
    while sum(told) < most_g * 1000 and len(told) < 30:
        grams = rng.lognormvariate(3.6, 0.7)
        told.append(round(grams * 1000))
        true += _job(rng, bias, grams)
    return told, true


def _drawn(machine: int, told: list[int], changes: int = 1) -> Drawn:
    return Drawn({machine: sum(told)}, sum(one * one for one in told), len(told), changes)


def _stretch(rng: random.Random, off: list[float]) -> Stretch:
    machine = rng.randrange(len(off))
    told, true = _history(rng, off[machine], rng.uniform(100, 800))
    slip = rng.choice([-1, 1]) * rng.uniform(20, 80) if rng.random() < 1 / 30 else 0.0
    read = true + slip + rng.uniform(-1, 1)
    return Stretch(_drawn(machine, told), round(read * 1000), 1000.0)


def _night(rng: random.Random, machine: int, bias: float, drift: Any) -> Iterator[Seen]:  # noqa: ANN401 - as learned
    weighed = rng.random() < 0.5
    known = rng.uniform(250, 900)
    told, true = _history(rng, bias, rng.uniform(0, known - 150))
    error = rng.triangular(-14, 14, 0) if weighed else known * rng.uniform(-0.015, 0.015)
    if rng.random() < 1 / 50:
        error += rng.choice([-1, 1]) * rng.uniform(20, 60)
    left = known + error - true - (rng.choice([-1, 1]) * rng.uniform(20, 80) if rng.random() < 1 / 30 else 0.0)
    if left <= 0:
        return
    needs = rng.uniform(0.3, 1.15) * max(5.0, known - sum(told) / 1000)
    coming = _drawn(machine, [round(needs * 1000)], changes=0)
    untold = drift.untold(_drawn(machine, told).and_then(coming))
    sd = math.hypot(untold.sd, 6_040.0 if weighed else 0.008 * known * 1000)
    after = Estimate(known * 1000 - sum(told) - coming.metered_mg - untold.mean, sd, irregular=True)
    yield Seen(chance(after), left < _job(rng, bias, needs))


# what it comes to


def figures(seen: list[Seen]) -> dict[str, Any]:
    """Give how the chances hold: of the feeds called safe, how many stopped, beside how many were said to."""
    said = np.array([one.chance for one in seen])
    lasted = np.array([not one.stopped for one in seen])
    safe = said >= SURE
    bins = []
    for low, high in itertools.pairwise(_EDGES):
        inside = (said >= low) & (said < high if high < 1 else said <= high)
        if inside.any():
            bins.append(
                {
                    "said": round(float(said[inside].mean()), 4),
                    "lasted": round(float(lasted[inside].mean()), 4),
                    "feeds": int(inside.sum()),
                }
            )
    return {
        "feeds": len(seen),
        "stopped": int((~lasted).sum()),
        "called safe": int(safe.sum()),
        "of those stopped": int((safe & ~lasted).sum()),
        "of those stopped, share": round(float((~lasted[safe]).mean()), 5) if safe.any() else None,
        "share that was said to": round(float((1 - said[safe]).mean()), 5) if safe.any() else None,
        "the stated chance": round(1 - SURE, 4),
        "stops that were called unsafe": round(float((~safe & ~lasted).sum() / max(1, (~lasted).sum())), 3),
        "Brier score": round(float(((said - lasted) ** 2).mean()), 5),
        "bins": bins,
    }


def drawing(found: dict[str, dict[str, Any]]) -> str:
    """Give the calibration figure: what was said, beside how many lasted; a point's size is how many feeds it is of."""
    parts = [
        '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 440 440" font-family="sans-serif" font-size="13">',
        '<rect width="440" height="440" fill="#fff"/><path d="M50 390V30M50 390H410" stroke="#333" fill="none"/>',
        '<path d="M50 390L410 30" stroke="#999" stroke-dasharray="4 4"/>',
        '<text x="230" y="425" text-anchor="middle">chance to last, as said</text>',
        '<text transform="translate(18 210) rotate(-90)" text-anchor="middle">share that lasted</text>',
    ]
    for (name, one), colour in zip(found.items(), ("#3b2f9b", "#b3541e"), strict=False):
        for point in one["bins"]:
            x, y = 50 + 360 * point["said"], 390 - 360 * point["lasted"]
            size = 2 + 2 * math.log10(point["feeds"])
            parts.append(f'<circle cx="{x:.1f}" cy="{y:.1f}" r="{size:.1f}" fill="{colour}" opacity=".8"/>')
        parts.append(f'<text x="70" y="{50 + 20 * (colour > "#4")}" fill="{colour}">{name}</text>')
    return "\n".join([*parts, "</svg>"])


def main() -> None:
    """Ask, count and print."""
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--nights", type=int, default=1000)
    asked.add_argument("--simulated", type=int, default=1000)
    asked.add_argument("--seed", type=int, default=11)
    asked.add_argument("--svg", type=Path)
    asked.add_argument("--json", action="store_true")
    given = asked.parse_args()
    seen, evenings = demo_nights(given.nights, given.seed)
    found = {
        f"the demo's truth, {evenings} evenings": figures(seen),
        f"another world, {given.simulated} evenings": figures(simulated_nights(given.simulated, given.seed)),
    }
    if given.svg:
        given.svg.write_text(drawing(found), encoding="utf-8")
    if given.json:
        print(json.dumps(found, indent=2))
        return
    for name, one in found.items():
        print(f"\n{name}")
        for key, value in one.items():
            if key != "bins":
                print(f"  {key}: {value}")
        for row in one["bins"]:
            print(f"    said {row['said']:.3f}, lasted {row['lasted']:.3f}, of {row['feeds']} feeds")


if __name__ == "__main__":
    main()
