"""Is it worth it: what a cheaper price, or free freight, saves in a month, after everything that it costs.

The page of that name calls it. Amounts are minor units, exact until a page rounds them. It must not know a clock.
"""

from dataclasses import dataclass
from fractions import Fraction

from spoolkeep.domain.errors import BadInput
from spoolkeep.domain.split import whole_parts
from spoolkeep.domain.truecost import MG_PER_KG, PPM, Rates

MONTHS_PER_YEAR = 12
MINUTES_PER_HOUR = 60


@dataclass(frozen=True)
class Worth:
    """What something saves in a month, and what that costs, in minor units a month."""

    saves: Fraction
    """On the plastic, or on freight; below 0 where it is dearer."""
    cash: Fraction
    """What cash tied up by larger orders costs more; below 0 where less is tied up."""
    room: Fraction
    """The room of what lies longer."""
    time: Fraction
    """The person's minutes."""
    breaks_even: Fraction | None
    """The minutes at which nothing is left, each time; None where a person's time is entered as free."""

    @property
    def net(self) -> Fraction:
        """Give what is left in a month."""
        return self.saves - self.cash - self.room - self.time

    @property
    def minor(self) -> tuple[int, ...]:
        """Give in whole minor units what it saves, less cash, room and time, and what is left: they add up."""
        left = round(self.net)
        return (*whole_parts(left, [self.saves, -self.cash, -self.room, -self.time]), left)

    @property
    def is_worth_it(self) -> bool:
        """Tell whether anything is left."""
        return self.net > 0


@dataclass(frozen=True)
class Ceiling:
    """The most that plastic could ever save: what it costs."""

    month_minor: Fraction
    """The plastic that is used in a month, at what it costs now."""
    takings_share: Fraction | None
    """The cost of plastic drawn over takings of the same days; None where there are no takings."""


@dataclass(frozen=True)
class CheaperPrice:
    """A price that is offered beside the one of now."""

    month_mg: Fraction
    """What is used in a month."""
    now_minor: Fraction
    """What a kilogram costs now."""
    offered_minor: Fraction
    """What a kilogram would cost."""
    usual_mg: int
    """What is bought at once now."""
    at_once_mg: int
    """What has to be bought at once at that price."""
    spool_mg: int
    minutes: Fraction
    """What it takes a person, in all."""
    months: int
    """For how many months that holds."""

    @property
    def lasts_months(self) -> Fraction | None:
        """Give for how many months what is bought at once lasts, as it is used now; None where nothing is used."""
        return self.at_once_mg / self.month_mg if self.month_mg else None

    @property
    def fades_before_months(self) -> Fraction | None:
        """Give the months before which it must not fade: dropped earlier, the rest cost more than its price spared.

        Used at the dearer price, what is used until then would have cost as much as all of it at this one. None where
        nothing is used, or the price spares nothing.
        """
        if self.lasts_months is None or not 0 <= self.offered_minor < self.now_minor:
            return None
        return self.lasts_months * self.offered_minor / self.now_minor


def cheaper_price(offer: CheaperPrice, rates: Rates) -> Worth:
    """Give what a cheaper price saves in a month.

    What is bought at once lies, on average over its time, by half; so cash and room are those of half an order, less
    those of half an order of now. Minutes are shared by the months for which the price holds.
    Errors: BadInput on a figure that cannot be.
    Source: the cycle stock Q/2 of order-quantity theory (Snyder and Shen, 2nd ed., section 3.2, from memory).
    """
    if offer.months < 1:
        raise BadInput("bad_months", "The price must hold for at least 1 month. Enter 1 where it is for one order.")
    _check(offer.minutes, offer.offered_minor, offer.at_once_mg, offer.spool_mg)
    saves = offer.month_mg / MG_PER_KG * (offer.now_minor - offer.offered_minor)
    before, after = (Fraction(mg, 2 * MG_PER_KG) for mg in (offer.usual_mg, offer.at_once_mg))
    cash = (after * offer.offered_minor - before * offer.now_minor) * _carry_a_month(rates)
    room = Fraction(offer.at_once_mg - offer.usual_mg, 2 * offer.spool_mg) * rates.space_minor_a_month
    time = _time(offer.minutes, rates) / offer.months
    return Worth(saves, cash, room, time, _even((saves - cash - room) * offer.months, rates))


@dataclass(frozen=True)
class FreeFreight:
    """A basket that is filled up until its freight is free."""

    parcels: Fraction
    """Parcels that come in a month now."""
    basket_minor: Fraction
    """What is in a parcel now."""
    freight_minor: Fraction
    """What a parcel costs now."""
    add_minor: Fraction
    """What must be added to each."""
    spool_minor: Fraction
    """What a spool costs."""
    minutes: Fraction
    """What filling it up takes a person, each time."""


def free_freight(offer: FreeFreight, rates: Rates) -> Worth:
    """Give what filling each parcel up to free freight saves in a month.

    As much plastic as before comes in fewer and larger parcels: parcels * basket / (basket + added). None of them pays
    freight any more; half of what was added lies, on average, beside what lay before; the minutes are spent on each.
    Errors: BadInput on a figure that cannot be.
    Source: as `cheaper_price`.
    """
    _check(offer.minutes, offer.add_minor, offer.freight_minor, offer.spool_minor)
    if offer.basket_minor <= 0 or offer.parcels <= 0:
        raise BadInput("no_basket", "Enter what is usually in a parcel, and how many come in a month, both above 0.")
    if offer.spool_minor <= 0:
        raise BadInput("no_spool_price", "Enter what a spool costs, above 0.")
    after = offer.parcels * offer.basket_minor / (offer.basket_minor + offer.add_minor)
    saves = offer.parcels * offer.freight_minor
    cash = offer.add_minor / 2 * _carry_a_month(rates)
    room = offer.add_minor / offer.spool_minor / 2 * rates.space_minor_a_month
    return Worth(saves, cash, room, after * _time(offer.minutes, rates), _even((saves - cash - room) / after, rates))


def _check(minutes: Fraction, *amounts: Fraction | int) -> None:
    if minutes < 0:
        raise BadInput("below_no_time", "Minutes are 0 or more. Enter how long it takes.")
    if min(amounts) < 0:
        raise BadInput("below_nothing", "Amounts and spools are 0 or more. Correct the one below nothing.")


def _carry_a_month(rates: Rates) -> Fraction:
    return Fraction(rates.carry_ppm_a_year, PPM * MONTHS_PER_YEAR)


def _time(minutes: Fraction, rates: Rates) -> Fraction:
    return minutes * rates.hour_minor / MINUTES_PER_HOUR


def _even(left: Fraction, rates: Rates) -> Fraction | None:
    """Give for how many minutes so much pays; none where nothing is left before any."""
    return max(Fraction(0), left) * MINUTES_PER_HOUR / rates.hour_minor if rates.hour_minor > 0 else None
