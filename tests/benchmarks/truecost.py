"""Who sells the best kilogram: by true cost with bounds, against the cheapest kilogram and against bare failure rates.

Run it: python tests/benchmarks/truecost.py [--shops 500] [--seed 1]

Worlds of another make than the model. Each supplier's chance of failing is logit-normal, and each lot's of it again;
larger jobs fail more often; jobs are lognormal in size; a failed job stops anywhere; prices, freight and spools differ.
A workshop has bought from each supplier for as many jobs as chance has it, from one to a hundred and fifty. What is
best is reckoned from the world's own lots, on forty thousand jobs. A choice is right where no other truly costs less;
its regret is what it truly costs more than the best, in per cent.
"""

import argparse
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from spoolkeep.domain.failing import MOST, Floats, Learned, Seller
from spoolkeep.domain.truecost import (
    Cost,
    Losing,
    Lost,
    Parts,
    Rates,
    beside,
    losing,
    parts,
    ranked,
    unknown_losing,
)

RATES = Rates(hour_minor=2500, change_seconds=180, carry_ppm_a_year=200_000, space_minor_a_month=20)
EARNS_MINOR, GRAMS_PER_HOUR = 300.0, 25.0
"""Source: common practice, no source."""
LIES_DAYS = 45.0
SUPPLIER_SD, LOT_SD = 0.8, 0.7
"""In log odds. Source: our own choice."""
TRUE_JOBS, JOBS_PER_LOT = 40_000, 12
Rng = np.random.Generator


@dataclass(frozen=True)
class Sold:
    """What one supplier sells, as the world has it."""

    price_minor: float
    freight_minor: float
    spool_mg: int
    log_odds: float


@dataclass(frozen=True)
class Printed:
    """Jobs of one supplier's plastic: by job, what it drew, what of it was good, whether it failed, and its lot."""

    drawn_g: Floats
    good_g: Floats
    failed: Floats
    lot: Floats

    @property
    def lots(self) -> list[tuple[int, int]]:
        """Give (failed, jobs) by lot."""
        return [(int(self.failed[self.lot == one].sum()), int((self.lot == one).sum())) for one in np.unique(self.lot)]


def world(rng: Rng) -> list[Sold]:
    """Give two to four suppliers of one material."""
    usual = rng.normal(-3.0, 0.4)
    return [
        Sold(
            price_minor=float(rng.uniform(1400, 2000)),
            freight_minor=float(rng.choice([0.0, 40.0, 80.0, 150.0])),
            spool_mg=int(rng.choice([750_000, 1_000_000, 1_000_000, 2_500_000])),
            log_odds=float(usual + rng.normal(0, SUPPLIER_SD)),
        )
        for _ in range(rng.integers(2, 5))
    ]


def printed(rng: Rng, sold: Sold, jobs: int) -> Printed:
    """Print so many jobs, each lot of a supplier with a chance of its own."""
    lot = np.arange(jobs) // JOBS_PER_LOT
    chance = 1 / (1 + np.exp(-(sold.log_odds + rng.normal(0, LOT_SD, lot.max() + 1 if jobs else 0))))
    size = rng.lognormal(4.5, 0.7, jobs)
    share = np.sqrt(size / np.exp(4.5))
    failed = rng.random(jobs) < 1 - (1 - chance[lot]) ** share
    drawn = np.where(failed, rng.random(jobs), 1.0) * size
    return Printed(drawn, np.where(failed, 0.0, size), failed.astype(np.float64), lot.astype(np.float64))


def true_cost(rng: Rng, sold: Sold) -> float:
    """Give what a good kilogram truly costs: everything that many jobs cost, over what came off good."""
    ran = printed(rng, sold, TRUE_JOBS)
    lost_hours = float(ran.drawn_g[ran.failed > 0].sum()) / GRAMS_PER_HOUR
    plastic = _bought(sold) * float(ran.drawn_g.sum())
    return (plastic + lost_hours * EARNS_MINOR * 1000) / float(ran.good_g.sum())


def _bought(sold: Sold) -> float:
    return sum(_parts(sold))


def _parts(sold: Sold) -> Parts:
    price, freight = sold.price_minor, sold.freight_minor
    return parts(price_minor=price, freight_minor=freight, spool_mg=sold.spool_mg, lies_days=LIES_DAYS, rates=RATES)


def learned_costs(sellers: Sequence[Sold], past: Sequence[Printed]) -> list[Cost]:
    """Give the true costs as Spoolkeep reckons them."""
    learned = Learned({Seller("plastic", at): ran.lots for at, ran in enumerate(past)})
    lose = _losing(past)
    known = [Seller("plastic", at) for at in range(len(sellers))]
    return [Cost(one, _parts(sold), lose, learned.of(one)) for one, sold in zip(known, sellers, strict=True)]


def _losing(past: Sequence[Printed]) -> Losing:
    failed, drawn, good = (
        np.concatenate([getattr(ran, name) for ran in past]) for name in ("failed", "drawn_g", "good_g")
    )
    wasted_mg = int(drawn[failed > 0].sum() * 1000)
    earned = wasted_mg / 1000 / GRAMS_PER_HOUR * EARNS_MINOR
    lost = Lost(int((failed == 0).sum()), int(good.sum() * 1000), 0, int(failed.sum()), wasted_mg, earned)
    return losing(lost, like=unknown_losing(EARNS_MINOR))


def bare_rates(costs: Sequence[Cost]) -> list[float]:
    """Give the cost of each by the bare share of its jobs that failed; all failed is as MOST."""
    shares = [min(cost.chance.failed / cost.chance.jobs, MOST) if cost.chance.jobs else 0.0 for cost in costs]
    pairs = zip(costs, shares, strict=True)
    return [
        cost.bought * (1 + share / (1 - share) * cost.losing.per_failure)
        + share / (1 - share) * cost.losing.hours_minor
        for cost, share in pairs
    ]


@dataclass(frozen=True)
class Tried:
    """What many workshops came to."""

    right: dict[str, float]
    """By way of choosing: the share of right choices."""
    regret: dict[str, float]
    """By way of choosing: what was paid beyond the best, on average, as a share of it."""
    worst: dict[str, float]
    """The same in the worst twentieth of workshops."""
    covered: float
    """How often the truth lay within the bounds of ninety per cent."""
    apart: float
    """How often the best and the next were told apart, and how often the best of these was truly better."""
    apart_right: float


def tried(shops: int, seed: int) -> Tried:
    """Let many workshops choose."""
    rng = np.random.default_rng(seed)
    regrets: dict[str, list[float]] = {"true cost": [], "cheapest kilogram": [], "bare rates": []}
    inside, apart = [], []
    for _ in range(shops):
        sellers = world(rng)
        past = [printed(rng, sold, int(np.exp(rng.uniform(0, np.log(150))))) for sold in sellers]
        costs = learned_costs(sellers, past)
        truth = [true_cost(rng, sold) for sold in sellers]
        places = ranked(costs)
        chosen = {
            "true cost": places[0],
            "cheapest kilogram": int(np.argmin([sold.price_minor for sold in sellers])),
            "bare rates": int(np.argmin(bare_rates(costs))),
        }
        for way, at in chosen.items():
            regrets[way].append(truth[at] / min(truth) - 1)
        inside += [cost.low <= real <= cost.high for cost, real in zip(costs, truth, strict=True)]
        if beside(costs[places[1]], costs[places[0]], carried=0).told_apart:
            apart.append(truth[places[0]] <= truth[places[1]])
    return Tried(
        right={way: float(np.mean(np.array(some) == 0)) for way, some in regrets.items()},
        regret={way: float(np.mean(some)) for way, some in regrets.items()},
        worst={way: float(np.quantile(some, 0.95)) for way, some in regrets.items()},
        covered=float(np.mean(inside)),
        apart=len(apart) / shops,
        apart_right=float(np.mean(apart)) if apart else 1.0,
    )


def main() -> None:
    """Print the shares of right choices, and what the wrong ones cost."""
    asked = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    asked.add_argument("--shops", type=int, default=500)
    asked.add_argument("--seed", type=int, default=1)
    given = asked.parse_args()
    found = tried(given.shops, given.seed)
    print(f"{'chosen by':20}{'right':>9}{'regret':>9}{'worst twentieth':>17}")
    for way, share in found.right.items():
        print(f"{way:20}{share:9.1%}{found.regret[way]:9.2%}{found.worst[way]:17.1%}")
    print(f"The truth lay within the bounds of 90 %: {found.covered:.1%}")
    print(f"Best and next told apart: {found.apart:.1%} of workshops; the best was better in {found.apart_right:.1%}")


if __name__ == "__main__":
    main()
