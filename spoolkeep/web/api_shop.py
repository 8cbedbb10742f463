"""The JSON doors of the shelf and the shop: weighings, and orders on hand.

The app factory registers it with the others.
"""

from datetime import date
from http import HTTPStatus
from typing import Annotated

from pydantic import BeforeValidator, Field

from spoolkeep.domain.formats import CURRENCIES
from spoolkeep.domain.words import TakingsKind
from spoolkeep.services import onhand, spools, takings
from spoolkeep.services.asked import Wanted
from spoolkeep.services.notices import webhook
from spoolkeep.services.onhand import MOST_PIECES, ToldAnswer
from spoolkeep.services.spools import MOST_GROSS_MG, SpoolAnswer
from spoolkeep.services.takings import MOST_MINOR, MOST_RATE_PPM, Taken, TakingsAnswer
from spoolkeep.web import doors
from spoolkeep.web.api import Keyed, Line, Model, Moment, Whole, whole
from spoolkeep.web.api_jobs import endpoints, pages

__all__ = ["endpoints", "pages"]

_LOST = (HTTPStatus.NOT_FOUND, HTTPStatus.CONFLICT)
_MOST_LINES = 500
_SpoolCode = Annotated[str, Field(min_length=1, max_length=40, json_schema_extra={"format": "spool-code"})]
_Rate = Annotated[int, Field(ge=1, le=MOST_RATE_PPM, strict=True), BeforeValidator(whole)]
_Pieces = Annotated[int, Field(ge=1, le=MOST_PIECES, strict=True), BeforeValidator(whole)]
_Name = Annotated[Line, Field(min_length=1, max_length=80)]


class WeighingBody(Keyed):
    """A reading of a scale."""

    spool: _SpoolCode
    """The spool's label code: S, six digits, two check digits."""
    gross_mg: Whole = Field(ge=0, le=MOST_GROSS_MG, strict=True)
    """What the scale shows, the reel with its plastic."""
    weighed_at: Moment | None = None
    """When, not ahead of now; now where it is left out."""


class OrderLineBody(Model):
    """One line of a customer's order."""

    order: _Name
    """Its number in your shop."""
    product: _Name
    colour: _Name | None = None
    """Where the product's name does not say it."""
    pieces: Whole = Field(default=1, ge=1, le=MOST_PIECES, strict=True)
    sent: Whole = Field(default=0, ge=0, le=MOST_PIECES, strict=True)
    """How many of them went out."""
    due_on: date | None = None
    called_off: bool = False


class OrdersBody(Keyed):
    """Orders on hand."""

    lines: list[OrderLineBody] = Field(min_length=1, max_length=_MOST_LINES)
    """A line that was told before is told anew: order, product and colour say which it is."""


class TakenBody(Model):
    """What came in, went back or was kept as a fee, on one day by one channel."""

    channel: _Name
    """Where it was sold; made where it is new."""
    amount_minor: Whole = Field(ge=1, le=MOST_MINOR, strict=True)
    """In minor units of its currency, net of recoverable tax. Refunds and fees are above 0 too."""
    kind: TakingsKind = TakingsKind.SALE
    day: Annotated[date, Field(json_schema_extra={"format": "past-day"})] | None = None
    """The shop day, from 2000 until today; today where it is left out."""
    currency: Annotated[str, Field(min_length=3, json_schema_extra={"enum": CURRENCIES})] | None = None
    """By ISO 4217; the workshop's own where it is left out."""
    rate_ppm: _Rate | None = None
    """Of another currency: how many millionths of one own unit one unit of it was worth. Without it it is refused."""
    product: _Name | None = None
    pieces: _Pieces | None = None
    """How many of the product; it counts only beside one."""


class TakingsBody(Keyed):
    """Takings."""

    lines: list[TakenBody] = Field(min_length=1, max_length=_MOST_LINES)


endpoints.sends(
    "notice",
    webhook.Told,
    "A notice, to the webhooks that an owner entered.\n"
    f"{webhook.MARK_HEADER} is its mark, {webhook.TIME_HEADER} the seconds since 1970, {webhook.SIGNATURE_HEADER} the "
    "HMAC-SHA256 of seconds, line end, mark, line end and body, by the key that was shown once.",
)


@endpoints.declare("post", "/takings", body=TakingsBody, answers=TakingsAnswer, refusals=_LOST)
def take(body: TakingsBody) -> TakingsAnswer:
    """Enter takings, all lines or none; what is told late of a closed month falls in the open one."""
    by = doors.by_key(body.key)
    told = [
        Taken(
            channel=one.channel,
            amount_minor=one.amount_minor,
            shop_day=one.day,
            kind=one.kind,
            currency=one.currency or "",
            rate_ppm=one.rate_ppm,
            product=one.product or "",
            pieces=one.pieces if one.product else None,
        )
        for one in body.lines
    ]
    with doors.writing() as session:
        return takings.enter(session=session, now=doors.now(), by=by, taken=told)


@endpoints.declare("post", "/weighings", body=WeighingBody, answers=SpoolAnswer, refusals=_LOST)
def weighing(body: WeighingBody) -> SpoolAnswer:
    """Take a reading of a scale: what is left on the spool is settled by it.

    A reading that cannot be, such as one lighter than the empty reel, is booked and questioned.
    """
    by = doors.by_key(body.key)
    with doors.writing() as session:
        return spools.weigh(
            session=session,
            now=doors.now(),
            by=by,
            spool_code=body.spool,
            gross_mg=body.gross_mg,
            at=body.weighed_at,
        )


@endpoints.declare("post", "/orders-on-hand", body=OrdersBody, answers=ToldAnswer, refusals=_LOST)
def orders_on_hand(body: OrdersBody) -> ToldAnswer:
    """Tell of orders on hand, so that sales are known before they are printed."""
    by = doors.by_key(body.key)
    told = [
        Wanted(
            order=one.order,
            product=one.product,
            colour=one.colour or "",
            pieces=one.pieces,
            sent=one.sent,
            due_on=one.due_on,
            called_off=one.called_off,
        )
        for one in body.lines
    ]
    with doors.writing() as session:
        return onhand.tell(session=session, now=doors.now(), by=by, wanted=told)
