"""How items stand against what will be drawn: the chance that each has run out by each coming day.

The order plan calls it. Arrays in, arrays out; it must not know suppliers, money beyond what a day without costs, or a
clock.
"""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from spoolkeep.domain.demand import Outlook

Floats = npt.NDArray[np.float64]
Whole = npt.NDArray[np.intp]

ANCHORS = (1, 2, 3, 5, 7, 9, 12, 16, 20, 25, 30, 36, 42, 50, 60, 75, 90, 120)
"""Horizons that are forecast; mean and variance of the days between lie on the line between them."""
HORIZON = ANCHORS[-1]
_TAIL = (0.319381530, -0.356563782, 1.781477937, -1.821255978, 1.330274429)
_AT = 0.2316419
_NOTHING = 1e-9
ASKED_DAYS = 90


def normal_above(z: Floats) -> Floats:
    """Give the chance that a standard normal lies above `z`, to 7.5e-8.

    Source: Abramowitz and Stegun, Handbook of Mathematical Functions, 26.2.17.
    """
    t = 1.0 / (1.0 + _AT * np.abs(z))
    series = t * np.polynomial.polynomial.polyval(t, _TAIL)
    upper = series * np.exp(-z * z / 2.0) / np.sqrt(2.0 * np.pi)
    return np.asarray(np.where(z > 0, upper, 1.0 - upper))


def chance_above(mean: Floats, variance: Floats, held: Floats) -> Floats:
    """Give the chance that a gamma of this mean and variance is more than what is held; shapes as numpy spreads them.

    Source: Wilson and Hilferty, PNAS 17 (1931), 684-688.
    """
    m = np.maximum(mean, _NOTHING)
    c = np.clip(variance / (9.0 * m * m), 1e-12, 1e6)
    z = (np.cbrt(np.maximum(held, 0.0) / m) - (1.0 - c)) / np.sqrt(c)
    return np.asarray(np.where(mean > _NOTHING, normal_above(z), 0.0))


@dataclass(frozen=True)
class Pile:
    """How items stand. Arrays of (items, days + 1) tell of the days to come: column d of what is drawn in the first d.

    Grams in any unit, the same everywhere; money in minor units.
    """

    mean: Floats
    """What will be drawn by the end of each day, (items, days + 1)."""
    variance: Floats
    held: Floats
    """What is here and will have come by each day."""
    lost: Floats
    """What a day costs on which it has run out, (items,)."""
    risk: Floats
    """The chance, accepted, that it runs out before an order comes, (items,); 1 where what a stop costs decides."""

    @cached_property
    def middle(self) -> Floats:
        """Give what is as likely as not drawn by the end of each day: the median of `chance_above`."""
        shape = np.clip(self.variance / (9.0 * np.maximum(self.mean, _NOTHING) ** 2), 0.0, 1.0)
        return np.asarray(self.mean * (1.0 - shape) ** 3)

    @property
    def days(self) -> int:
        """Give the days that are told."""
        return int(self.mean.shape[1]) - 1

    def only(self, rows: npt.NDArray[np.intp]) -> "Pile":
        """Give the same of some items."""
        return Pile(*(getattr(self, name)[rows] for name in ("mean", "variance", "held", "lost", "risk")))

    def chances(self, added: Floats | None = None) -> Floats:
        """Give the chance that each item has run out by the end of each day, (items, days + 1).

        `added` is what is put to it at once, (items,).
        """
        held = self.held if added is None else self.held + added[:, None]
        return chance_above(self.mean, self.variance, held)

    def chances_on(self, days: npt.NDArray[np.intp], added: Floats) -> Floats:
        """Give the same on some days with several amounts put to it, `added` (items, amounts): (items, amounts, days).

        What lies beyond the days that are told is taken as the last of them.
        """
        at = np.minimum(days, self.days)
        held = self.held[:, at][:, None, :] + added[:, :, None]
        return chance_above(self.mean[:, at][:, None, :], self.variance[:, at][:, None, :], held)


def expected(outlook: Outlook, anchors: tuple[int, ...] = ANCHORS) -> tuple[Floats, Floats]:
    """Give mean and variance of what is drawn by the end of each day, (items, days + 1), in the history's unit.

    `anchors` are the horizons that are forecast, up to the outlook's own.
    """
    told = [outlook.told(days) for days in anchors]
    none = np.zeros((len(outlook.draw), 1))
    mean = np.concatenate([none, np.stack([one.mean for one in told], axis=1) * outlook.unit], axis=1)
    variance = np.concatenate([none, np.stack([one.variance for one in told], axis=1) * outlook.unit**2], axis=1)
    return _between(np.maximum.accumulate(mean, axis=1), anchors), _between(variance, anchors)


def _between(at_anchors: Floats, anchors: tuple[int, ...]) -> Floats:
    along = np.arange(anchors[-1] + 1)
    knots = np.array((0, *anchors))
    above = np.clip(np.searchsorted(knots, along), 1, len(anchors))
    part = (along - knots[above - 1]) / (knots[above] - knots[above - 1])
    return np.asarray(at_anchors[:, above - 1] * (1.0 - part) + at_anchors[:, above] * part)


def asked_share(history: Floats) -> Floats:
    """Give the share of days on which each item was asked for, of the last ninety, (items,). NaN says nothing."""
    recent = history[:, -ASKED_DAYS:]
    told = np.isfinite(recent)
    return np.asarray((np.where(told, recent, 0.0) > 0).sum(axis=1) / np.maximum(told.sum(axis=1), 1))
