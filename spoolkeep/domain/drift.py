"""What motion files do not tell: grams for each start and each change, and each machine's and material's bias.

Learned from stretches between two known levels of a spool (a weighing, a count, a zero, its receipt): what went by the
levels, beside what was metered. Services ask it what is probably left. It must not know spools or people.

The model is a linear one with partial pooling: a machine and material's bias is the workshop's plus its own, and its
own shrinks to nothing where there are few data. How far they differ, and how far jobs scatter, is averaged over a grid
by how well each explains the data.
Source: Gelman and Hill, Data Analysis Using Regression and Multilevel/Hierarchical Models, ch. 12 and 13 (partial
pooling); Gelman et al., Bayesian Data Analysis, 3rd ed., ch. 5 and 14 (grids, conjugate normal regression); both from
memory. The priors are our own choice and stand beside their names.
"""

import itertools
import math
from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

_MG = 1000.0
"""Grams inside, so that the numbers are near one."""
_WORKSHOP_SD = 0.04
"""Prior: files are right to about four per cent in a workshop."""
_PER_START_G, _PER_START_SD = 0.3, 0.6
_PER_CHANGE_G, _PER_CHANGE_SD = 1.5, 2.0
"""Prior: a start costs some tenths of a gram, a change of the spool a gram or two, at most a few times that."""
_APART = (0.001, 0.004, 0.008, 0.015, 0.025, 0.04, 0.07)
"""How far machines and materials differ from the workshop, as shares."""
_SCATTER = (0.002, 0.006, 0.012, 0.025, 0.05, 0.1)
"""How far a job differs from its machine and material, as a share of its grams."""
_GRID = tuple(itertools.product(range(len(_APART)), range(len(_SCATTER))))
_NINETY = 1.645
_IRREGULAR, _WIDER, _ROUNDS = 0.08, 100.0, 6
"""One stretch in twelve is irregular, with ten times the spread: a spool was taken for another, a reading was off.

Such a one then counts for little. Source: Box and Tiao 1968, Biometrika 55, 119 to 129 (from memory); the figures are
our own choice.
"""
_LEAST_WEIGHT = 1e-6
Group = Hashable
Vector = NDArray[np.float64]


@dataclass(frozen=True)
class Drawn:
    """What was metered on a spool: milligrams by machine and material, the sum of their squares, starts and changes."""

    mg: Mapping[Any, int] = field(default_factory=dict)
    squares_mg2: int = 0
    """The sum of the squared milligrams of each job's draw: large jobs scatter more."""
    starts: int = 0
    changes: int = 0
    sd_mg: float = 0.0
    """How uncertain the metered grams are besides: of jobs that failed nobody knows when."""

    @property
    def metered_mg(self) -> int:
        """The sum over machines and materials."""
        return sum(self.mg.values())

    def and_then(self, more: "Drawn") -> "Drawn":
        """Give this and what is drawn after it together."""
        return Drawn(
            {group: self.mg.get(group, 0) + more.mg.get(group, 0) for group in {**self.mg, **more.mg}},
            self.squares_mg2 + more.squares_mg2,
            self.starts + more.starts,
            self.changes + more.changes,
            math.hypot(self.sd_mg, more.sd_mg),
        )


@dataclass(frozen=True)
class Stretch:
    """What was metered between two known levels of a spool, and what went by them."""

    drawn: Drawn
    gone_mg: int
    sd_mg: float
    """How uncertain the difference of the two levels is: of two readings of a scale, say."""


def _deviate(irregular: float) -> float:
    """Give within how many standard deviations ninety per cent lie, where such a part has ten times the spread.

    Source: the normal distribution; a bisection, as a mixture has no closed quantile.
    """
    low, high, wide = 0.0, 10.0, math.sqrt(2 * _WIDER)
    for _ in range(60):
        middle = (low + high) / 2
        inside = (1 - irregular) * math.erf(middle / math.sqrt(2)) + irregular * math.erf(middle / wide)
        low, high = (middle, high) if inside < 0.9 else (low, middle)  # noqa: PLR2004
    return high


@dataclass(frozen=True)
class Estimate:
    """A mean and its standard deviation."""

    mean: float
    sd: float
    irregular: bool = False
    """Whether it is of one spool, which may be an irregular one: its bounds are wider."""

    @property
    def ninety(self) -> tuple[float, float]:
        """Give the bounds between which it lies with ninety per cent."""
        deviate = _NINETY_OF_ONE if self.irregular else _NINETY
        return self.mean - deviate * self.sd, self.mean + deviate * self.sd

    def above(self, bound: float) -> float:
        """Give the chance that it is above a bound, 0 to 1."""
        if self.sd <= 0:
            return float(self.mean > bound)
        off = (self.mean - bound) / (self.sd * math.sqrt(2))
        odd = _IRREGULAR if self.irregular else 0.0
        return 0.5 + 0.5 * ((1 - odd) * math.erf(off) + odd * math.erf(off / math.sqrt(_WIDER)))


_NINETY_OF_ONE = _deviate(_IRREGULAR)


_Point = tuple[int, int]
"""Which of how far apart, and which of how scattered: a point of the grid."""


@dataclass(frozen=True)
class _Fit:
    """The posterior of the effects at one point of the grid, and its weight. The inverse is the covariance's."""

    weight: float
    mean: Vector
    inverse: NDArray[np.float64]
    point: _Point

    @property
    def apart(self) -> float:
        """How far machines and materials differ from the workshop."""
        return _APART[self.point[0]]

    @property
    def scatter(self) -> float:
        """How far a job differs from its machine and material."""
        return _SCATTER[self.point[1]]

    @cached_property
    def covariance(self) -> NDArray[np.float64]:
        """The covariance of the effects."""
        return np.linalg.inv(self.inverse).astype(np.float64)


@dataclass(frozen=True)
class Drift:
    """What was learned."""

    groups: tuple[Group, ...]
    stretches: int
    _fits: tuple[_Fit, ...]

    def untold(self, drawn: Drawn) -> Estimate:
        """Give the milligrams that went besides what was metered."""
        known_mg = {3 + self._place[group]: mg for group, mg in drawn.mg.items() if group in self._place}
        unknown_g = (drawn.metered_mg - sum(known_mg.values())) / _MG
        square_g2 = drawn.squares_mg2 / _MG**2
        effects = [0, 1, 2, *known_mg]
        row = np.array([drawn.metered_mg / _MG, drawn.starts, drawn.changes, *(mg / _MG for mg in known_mg.values())])
        parts = []
        for fit in self._fits:
            spread = float(row @ fit.covariance[np.ix_(effects, effects)] @ row)
            spread += (fit.apart * unknown_g) ** 2 + fit.scatter**2 * square_g2 + (drawn.sd_mg / _MG) ** 2
            parts.append((fit.weight, float(row @ fit.mean[effects]), spread))
        return replace(_mixed(parts, scale=_MG), irregular=True)

    @cached_property
    def _place(self) -> dict[Group, int]:
        return {group: number for number, group in enumerate(self.groups)}

    def bias(self, group: Group) -> Estimate:
        """Give by what share more than metered a machine and material draws."""
        row = np.zeros(3 + len(self.groups))
        row[0] = 1.0
        own = self._place.get(group)
        if own is not None:
            row[3 + own] = 1.0
        extra = 0.0 if own is not None else 1.0
        parts = [(fit, float(row @ fit.covariance @ row) + extra * fit.apart**2) for fit in self._fits]
        return _mixed([(fit.weight, float(row @ fit.mean), spread) for fit, spread in parts])

    def per_start_mg(self) -> Estimate:
        """Give the milligrams that a start costs besides."""
        return self._one(1)

    def per_change_mg(self) -> Estimate:
        """Give the milligrams that a change of the spool costs besides."""
        return self._one(2)

    def _one(self, at: int) -> Estimate:
        parts = [(fit.weight, float(fit.mean[at]), float(fit.covariance[at, at])) for fit in self._fits]
        return _mixed(parts, scale=_MG)


def learn(stretches: Sequence[Stretch]) -> Drift:
    """Learn from stretches; from none, what the priors say. Time grows with their number and the groups' cube."""
    groups = tuple(dict.fromkeys(group for one in stretches for group in one.drawn.mg))
    rows = np.array([_row(one.drawn, groups) for one in stretches]).reshape(len(stretches), 3 + len(groups))
    extra = np.array([(one.gone_mg - one.drawn.metered_mg) / _MG for one in stretches])
    known = np.array([(one.sd_mg**2 + one.drawn.sd_mg**2) / _MG**2 for one in stretches])
    squares = np.array([one.drawn.squares_mg2 / _MG**2 for one in stretches])
    fits = _fits(rows, extra, known, squares, points=_GRID)
    for _ in range(_ROUNDS):
        off, spread = _residuals(rows, extra, fits, squares)
        regular = _regular(off, np.maximum(known + spread, 1e-6))
        variance = (known + spread) / (regular + (1 - regular) / _WIDER) - spread
        fits = _fits(rows, extra, variance, squares, points=_near(fits))
    return Drift(groups, len(stretches), fits)


def _near(fits: Sequence[_Fit]) -> tuple[_Point, ...]:
    """Give the points that counted and their neighbours: the others have no weight in the next round either."""
    steps = tuple(itertools.product((-1, 0, 1), repeat=2))
    near = {(fit.point[0] + apart, fit.point[1] + scatter) for fit in fits for apart, scatter in steps}
    return tuple(point for point in _GRID if point in near)


def _regular(off: Vector, variance: Vector) -> Vector:
    """Give how probably each stretch is a regular one, and not one where a spool was taken for another, say."""
    usual = (1 - _IRREGULAR) * np.exp(-0.5 * off**2 / variance)
    odd = _IRREGULAR / math.sqrt(_WIDER) * np.exp(-0.5 * off**2 / (_WIDER * variance))
    return usual / np.maximum(usual + odd, 1e-300)


def _fits(
    rows: NDArray[np.float64], extra: Vector, known: Vector, squares: Vector, *, points: Sequence[_Point]
) -> tuple[_Fit, ...]:
    """Give the posterior at each point of the grid that counts, with its weight."""
    found: list[tuple[float, _Fit]] = []
    for scatter in sorted({scatter for _, scatter in points}):
        told = _Told(rows, extra, known + _SCATTER[scatter] ** 2 * squares)
        found += [told.fit(point) for point in points if point[1] == scatter]
    most = max(score for score, _ in found)
    weights = [math.exp(score - most) for score, _ in found]
    whole = sum(weights)
    return tuple(
        replace(fit, weight=weight / whole)
        for weight, (_, fit) in zip(weights, found, strict=True)
        if weight / whole > _LEAST_WEIGHT
    )


def _residuals(
    rows: NDArray[np.float64], extra: Vector, fits: Sequence[_Fit], squares: Vector
) -> tuple[Vector, Vector]:
    """Give by how much each stretch is off, and how far jobs scatter in it: the grid's means."""
    mean = sum(fit.weight * fit.mean for fit in fits)
    scatter2 = sum(fit.weight * fit.scatter**2 for fit in fits)
    return extra - rows @ mean, scatter2 * squares


def _row(drawn: Drawn, groups: Sequence[Group]) -> Vector:
    """Give the effects' factors: the workshop's bias, a start's and a change's grams, each group's own bias."""
    grams = {group: mg / _MG for group, mg in drawn.mg.items()}
    return np.array([sum(grams.values()), drawn.starts, drawn.changes, *(grams.get(group, 0.0) for group in groups)])


class _Told:
    """What the stretches tell at one scatter, whatever the prior: a normal likelihood."""

    def __init__(self, rows: NDArray[np.float64], extra: Vector, variance: Vector) -> None:
        self.rows, self.extra = rows, extra
        self.precise = 1.0 / np.maximum(variance, 1e-6)
        weighted = rows * self.precise[:, None]
        self.squared, self.towards = rows.T @ weighted, weighted.T @ extra

    def fit(self, point: _Point) -> tuple[float, _Fit]:
        """Give the log of the marginal likelihood, and the posterior under a normal prior."""
        groups = self.rows.shape[1] - 3
        prior = np.array([0.0, _PER_START_G, _PER_CHANGE_G, *([0.0] * groups)])
        apart = [_APART[point[0]]] * groups
        spread = np.array([_WORKSHOP_SD, _PER_START_SD, _PER_CHANGE_SD, *apart]) ** 2
        inverse = self.squared + np.diag(1.0 / spread)
        mean: Vector = np.linalg.solve(inverse, prior / spread + self.towards)
        off, away = self.extra - self.rows @ mean, mean - prior
        log_inverse = 2.0 * float(np.log(np.diag(np.linalg.cholesky(inverse))).sum())
        fit = float(off @ (self.precise * off)) + float(away @ (away / spread))
        score = -0.5 * (fit + float(np.log(spread).sum()) + log_inverse - float(np.log(self.precise).sum()))
        return score, _Fit(0.0, mean, inverse, point)


def _mixed(parts: Sequence[tuple[float, float, float]], *, scale: float = 1.0) -> Estimate:
    """Give mean and spread of a mixture of (weight, mean, variance)."""
    mean = sum(weight * centre for weight, centre, _ in parts)
    variance = sum(weight * (spread + centre**2) for weight, centre, spread in parts) - mean**2
    return Estimate(mean * scale, math.sqrt(max(0.0, variance)) * scale)
