"""How likely a job fails, by the material and by who sold the plastic, where few jobs tell of each.

The true cost of plastic rests on it. It must not know names, money or where the jobs are kept.
"""

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]

SHOP_CHANCE, SHOP_JOBS = 0.05, 20
"""What a workshop without jobs is taken to fail of, and for how many jobs that counts. Source: our own choice."""
MATERIAL_JOBS = 10
"""For how many jobs the whole shop counts beside a material's own. Source: our own choice."""
LOT_LIKENESS, LOT_WEIGHT = 0.02, 10
"""How alike jobs of one lot are before lots tell, and for how many lots that counts. Source: our own choice."""
LOW, HIGH = 0.05, 0.95
MOST = 0.95
"""A chance above this is not reckoned with: nobody goes on printing so. Source: our own choice."""


def _logistic(x: ArrayLike) -> Floats:
    return np.asarray(1 / (1 + np.exp(-np.asarray(x, np.float64))), np.float64)


CHANCES: Floats = _logistic(np.linspace(-8.0, math.log(MOST / (1 - MOST)), 240))
"""(240,): the chances of failing that are reckoned with, even in log odds."""
ODDS: Floats = CHANCES / (1 - CHANCES)
"""(240,): jobs that fail for each that comes off good."""
_MEANS: Floats = _logistic(np.linspace(math.log(0.002 / 0.998), math.log(0.6 / 0.4), 32))
_ALIKE: Floats = np.exp2(np.arange(2.0, 9.0))
"""For how many jobs the material counts beside a supplier's own: from suppliers that differ much to ones all alike.

Source: our own choice. Up to 1,024 in place of 256 made bounds too narrow where only two or three suppliers tell.
"""


class Seller(NamedTuple):
    """One material from one supplier; None where nobody knows who sold it."""

    material: str
    supplier: int | None


@dataclass(frozen=True)
class Chance:
    """What is known of the chance that a job fails."""

    weights: Floats
    """(240,): how much each of CHANCES is believed; they add up to 1."""
    jobs: int
    failed: int

    @property
    def mean(self) -> float:
        """Give the chance itself, as a share."""
        return float(self.weights @ CHANCES)

    @property
    def low(self) -> float:
        """Give the bound with five per cent below it."""
        return self.at(LOW)

    @property
    def high(self) -> float:
        """Give the bound with five per cent above it."""
        return self.at(HIGH)

    def at(self, share: float) -> float:
        """Give the chance below which the truth lies with this share, between the points of the grid by a line."""
        return float(np.interp(share, np.cumsum(self.weights) - self.weights / 2, CHANCES))


class Learned:
    """What a workshop's jobs tell of every seller, and of one from whom nothing was bought yet."""

    def __init__(self, lots: Mapping[Seller, Sequence[tuple[int, int]]]) -> None:
        """Learn from pairs (failed, jobs) of each lot, by seller."""
        self.likeness = likeness_of_lots(lots.values())
        self._told = {seller: _told(pairs, self.likeness) for seller, pairs in lots.items()}
        self._jobs = {
            seller: (sum(bad for bad, _ in pairs), sum(jobs for _, jobs in pairs)) for seller, pairs in lots.items()
        }
        failed, jobs = (sum(one[at] for one in self._jobs.values()) for at in (0, 1))
        self.shop = (failed + SHOP_CHANCE * SHOP_JOBS) / (jobs + SHOP_JOBS)
        self._believed = self._weigh()
        self._chances: dict[Seller, Chance] = {}

    def of(self, seller: Seller) -> Chance:
        """Give what is known of a seller; the same object whenever it is asked for."""
        if seller not in self._chances:
            failed, jobs = self._jobs.get(seller, (0, 0))
            weights = _chance(self._told.get(seller, (0.0, 0.0)), self._believed.get(seller.material, self._unseen))
            self._chances[seller] = Chance(weights, jobs, failed)
        return self._chances[seller]

    def _weigh(self) -> dict[str, Floats]:
        """Give by material how much each mean and each likeness of suppliers is believed, (means, alike)."""
        first = _log_beta_density(_MEANS, MATERIAL_JOBS * self.shop, MATERIAL_JOBS * (1 - self.shop))
        prior = np.repeat(np.exp(first - first.max())[:, None], len(_ALIKE), axis=1)
        prior /= prior[:, 0].sum()
        likely: dict[str, Floats] = {}
        for seller, told in self._told.items():
            before = likely.get(seller.material, np.log(np.maximum(prior, 1e-300)))
            likely[seller.material] = before + _log_likelihood(*told)
        tops = {material: one.max() for material, one in likely.items()}
        each = {material: np.exp(one - tops[material]) for material, one in likely.items()}
        alike = sum((np.log(one.sum(axis=0)) for one in each.values()), np.zeros(len(_ALIKE)))
        alike = np.exp(alike - alike.max())
        alike /= alike.sum()
        self._unseen: Floats = prior * alike
        return {material: one / one.sum(axis=0) * alike for material, one in each.items()}


def likeness_of_lots(cells: Iterable[Sequence[tuple[int, int]]]) -> float:
    """Give how much more alike two jobs of one lot are than two of a seller: 0 where a lot says nothing of the next.

    From pairs (failed, jobs) by lot, of each seller; few lots lean on LOT_LIKENESS. A lot of one job tells nothing of
    it, nor does a seller of whose jobs none or all failed.
    Source: the analysis-of-variance estimator of the intraclass correlation of yes and no (Donner 1986, International
    Statistical Review 54, 67 to 82, from memory), pooled within sellers, each in units of its own variance.
    """
    between, within, lots, jobs, size = 0.0, 0.0, 0, 0, 0.0
    for pairs in cells:
        failed, of = np.asarray([pair for pair in pairs if pair[1] > 1], np.float64).reshape(-1, 2).T
        if len(of) > 1 and 0 < failed.sum() < of.sum():
            share = failed.sum() / of.sum()
            between += float((of * (failed / of - share) ** 2).sum() / share / (1 - share))
            within += float((failed * (1 - failed / of)).sum() / share / (1 - share))
            lots, jobs = lots + len(of) - 1, jobs + int(of.sum()) - len(of)
            size += float(of.sum() - (of**2).sum() / of.sum())
    if not (lots and jobs and between + within):
        return LOT_LIKENESS
    mean_between, mean_within, usual = between / lots, within / jobs, size / lots
    found = (mean_between - mean_within) / (mean_between + (usual - 1) * mean_within)
    return (lots * min(1.0, max(0.0, found)) + LOT_WEIGHT * LOT_LIKENESS) / (lots + LOT_WEIGHT)


def _told(pairs: Sequence[tuple[int, int]], likeness: float) -> tuple[float, float]:
    """Give how many jobs failed of how many, counting for as many as would scatter so had they no lots.

    Source: the design effect, 1 + (jobs - 1) * likeness (Kish 1965, Survey Sampling, from memory).
    """
    counted = [(bad / (1 + (jobs - 1) * likeness), jobs / (1 + (jobs - 1) * likeness)) for bad, jobs in pairs if jobs]
    return sum(bad for bad, _ in counted), sum(jobs for _, jobs in counted)


_log_gamma = np.vectorize(math.lgamma, otypes=[np.float64])


def _log_beta(a: Floats, b: Floats) -> Floats:
    found: Floats = _log_gamma(a) + _log_gamma(b) - _log_gamma(a + b)
    return found


def _log_beta_density(at: Floats, a: float, b: float) -> Floats:
    """Give the logarithm of a beta density by log odds, but for a constant."""
    found: Floats = a * np.log(at) + b * np.log1p(-at)
    return found


_A: Floats = _MEANS[:, None] * _ALIKE
_B: Floats = (1 - _MEANS[:, None]) * _ALIKE
_FIRST = _log_beta(_A, _B)


def _log_likelihood(failed: float, jobs: float) -> Floats:
    """Give the beta-binomial likelihood at every mean and likeness, (means, alike), but for a constant."""
    found: Floats = _log_beta(_A + failed, _B + jobs - failed) - _FIRST
    return found


def _chance(told: tuple[float, float], believed: Floats) -> Floats:
    """Give the weights of CHANCES: betas of every mean and likeness, as far as these are believed."""
    failed, jobs = told
    a, b = (_A + failed).ravel(), (_B + jobs - failed).ravel()
    logs = np.log(CHANCES)[:, None] * a + np.log1p(-CHANCES)[:, None] * b - _log_beta(a, b)
    weights: Floats = np.exp(logs) @ believed.ravel()
    return np.asarray(weights / weights.sum())
