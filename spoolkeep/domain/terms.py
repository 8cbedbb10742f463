"""On what terms plastic is sold: price, spool, pack and breaks of an offer; parcel and basket of a supplier.

The order plan and whoever enters or shows an offer call it. It must not know items, rows or a clock.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from spoolkeep.domain.errors import BadInput

PPM = 1_000_000
MOST_SPOOLS = 500
"""Of one item in one order: more is a slip of the hand."""


def whole_spools(mg: int, *, spool_mg: int, pack: int = 1) -> int:
    """Give the fewest spools, in whole packs, that hold at least `mg`; 0 where nothing is needed.

    Errors: BadInput where the spool is empty or the pack is.
    """
    _check_sold(spool_mg, pack)
    return up_to(-(-max(0, mg) // spool_mg), pack)


def up_to(spools: int, pack: int) -> int:
    """Give a number of spools rounded up to whole packs."""
    return -(-spools // pack) * pack


def reached(steps: Sequence[tuple[int, int]], spools: int) -> tuple[int, int] | None:
    """Give the last of steps (from_spools, what holds from there on) that so many spools reach; None before the first.

    The steps stand from the smallest number up.
    """
    return next((step for step in reversed(steps) if spools >= step[0]), None)


def _check_sold(spool_mg: int, pack: int) -> None:
    if spool_mg < 1:
        raise BadInput("bad_spool_size", "A spool must hold more than 0 g. Correct the offer's spool size.")
    if pack < 1:
        raise BadInput("bad_pack", f"A pack of {pack} spools cannot be ordered. Enter 1 where spools are sold singly.")


@dataclass(frozen=True)
class OfferTerms:
    """At what price a supplier sells an item: minor units a spool, and from so many spools on, for all of them.

    `pack` is the number of spools sold together, `least_spools` the fewest that are sold at once.

    Errors: BadInput where the terms cannot be.
    """

    offer_id: int
    price_minor: int
    spool_mg: int
    pack: int = 1
    breaks: tuple[tuple[int, int], ...] = ()
    """Pairs (from_spools, price_minor), from the smallest number up."""
    least_spools: int = 1

    def __post_init__(self) -> None:
        _check_sold(self.spool_mg, self.pack)
        if self.least_spools < 1:
            raise BadInput("bad_least", "At least 1 spool is sold at once. Correct the offer's least number.")
        steps = ((1, self.price_minor), *self.breaks)
        if min(price for _, price in steps) < 0:
            raise BadInput("bad_price", "A price is 0 or more. Correct the offer.")
        for (before, dearer), (spools, price) in pairwise(steps):
            if spools <= before:
                words = f"The price from {spools} spools stands out of order. List breaks from few spools to many."
                raise BadInput("breaks_out_of_order", words)
            if price > dearer:
                words = f"From {spools} spools on, a spool costs more than before. Correct that break's price."
                raise BadInput("dearer_break", words)

    def price_at(self, spools: int) -> int:
        """Give the price of a spool, in minor units, when so many are bought at once."""
        step = reached(self.breaks, spools)
        return step[1] if step else self.price_minor

    @property
    def least_minor(self) -> int:
        """Give the price of a spool when very many are bought at once."""
        return self.breaks[-1][1] if self.breaks else self.price_minor

    @property
    def first_spools(self) -> int:
        """Give the fewest spools that can be bought: whole packs, from the least number on."""
        return up_to(max(self.least_spools, 1), self.pack)

    def bought(self, spools: int) -> int:
        """Give the spools that are bought where so many are asked for: whole packs, from the least number on, or 0."""
        return up_to(max(spools, self.first_spools), self.pack) if spools > 0 else 0


@dataclass(frozen=True)
class SellerTerms:
    """What a supplier asks beside the price of spools, in minor units.

    Errors: BadInput where the terms cannot be.
    """

    supplier_id: int
    parcel_minor: int = 0
    free_from_minor: int | None = None
    """From what an order's worth on its parcel is free; None where it never is."""
    least_minor: int = 0
    """The least worth of an order that it takes."""
    basket: tuple[tuple[int, int], ...] = ()
    """Pairs (from_spools, off_ppm), from the smallest number up: what it takes off all spools of an order."""

    def __post_init__(self) -> None:
        if min(self.parcel_minor, self.free_from_minor or 0, self.least_minor) < 0:
            raise BadInput("negative_price", "A parcel, free freight and the least order are 0 or more.")
        for (before, less), (spools, off) in pairwise(((1, 0), *self.basket)):
            if spools <= before:
                words = f"The discount from {spools} spools stands out of order. List them from few spools to many."
                raise BadInput("breaks_out_of_order", words)
            if not less <= off < PPM:
                words = f"From {spools} spools on, less is taken off than before, or all. Correct that discount."
                raise BadInput("dearer_break", words)

    def off_ppm(self, spools: int) -> int:
        """Give what is taken off the price of all spools, in millionths, when so many are bought at once."""
        step = self.reached(spools)
        return step[1] if step else 0

    def reached(self, spools: int) -> tuple[int, int] | None:
        """Give the basket's step that so many spools reach, (from_spools, off_ppm); None where they reach none."""
        return reached(self.basket, spools)

    @property
    def most_off_ppm(self) -> int:
        """Give what is taken off when very many spools are bought at once."""
        return self.basket[-1][1] if self.basket else 0

    def freight_minor(self, worth_minor: float) -> int:
        """Give what the parcel of an order of this worth costs."""
        is_free = self.free_from_minor is not None and worth_minor >= self.free_from_minor
        return 0 if is_free else self.parcel_minor


def less_off(price_minor: int, off_ppm: int) -> int:
    """Give a spool's price less a basket's discount, in whole minor units, a half rounded up."""
    return (price_minor * (PPM - off_ppm) + PPM // 2) // PPM


@dataclass(frozen=True)
class Bought:
    """Spools on one offer, as an order has them."""

    terms: OfferTerms
    spools: int


@dataclass(frozen=True)
class Bill:
    """What an order comes to, in minor units: the price of a spool of each line, goods, and the parcel."""

    prices_minor: tuple[int, ...]
    goods_minor: int
    freight_minor: int
    off_ppm: int

    @property
    def total_minor(self) -> int:
        """Give goods and parcel."""
        return self.goods_minor + self.freight_minor


def bill(lines: Sequence[Bought], seller: SellerTerms) -> Bill:
    """Give what an order to one supplier comes to: breaks first, then what the basket takes off, then the parcel.

    Source: an all-units discount (Snyder and Shen, Fundamentals of Supply Chain Theory, 2nd ed., section 3.4; from
    memory); that a basket's discount comes after a break's is our own choice.
    """
    off_ppm = seller.off_ppm(sum(line.spools for line in lines))
    prices = tuple(less_off(line.terms.price_at(line.spools), off_ppm) for line in lines)
    goods = sum(price * line.spools for price, line in zip(prices, lines, strict=True))
    return Bill(prices, goods, seller.freight_minor(goods) if goods else 0, off_ppm)
