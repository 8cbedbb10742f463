"""The JSON doors: scans and stock, for scripts at the machines, and the document that describes all doors.

The app factory registers it. Keys carry their units; amounts are integers; times are ISO 8601.
"""

import re
from datetime import date, datetime
from http import HTTPStatus
from typing import Annotated, Any

from flask import Blueprint
from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field
from pydantic_core import PydanticCustomError

from spoolkeep.domain.errors import Refusal
from spoolkeep.services import bench, figures
from spoolkeep.services.bench import ScanAnswer
from spoolkeep.store.acts import MAX_KEY
from spoolkeep.web import doors
from spoolkeep.web.openapi import OWN_CODE, JsonEndpoints

pages = Blueprint("api", __name__, url_prefix="/api")
endpoints = JsonEndpoints(
    pages,
    title="Spoolkeep",
    says="For scripts at the machines. Keys carry their units, amounts are integers, times are ISO 8601. "
    "What is sent twice with the same key is booked once and answered alike.",
)

FIRST_YEAR = 2000
_MOMENT = re.compile(r"(\d{4})-\d\d-\d\d[Tt]\d\d:\d\d:\d\d(?:\.\d+)?([Zz]|[+-]\d\d:\d\d)?", re.ASCII)
"""Source: RFC 3339, section 5.6, the offset left open so that a time without one is told so."""
_LINE = r"^[^\x00-\x1f\x7f-\x9f]*[^\s\x00-\x1f\x7f-\x9f][^\x00-\x1f\x7f-\x9f]*$"


def _line(text: str) -> str:
    """Give a line of text. PostgreSQL cannot keep NUL, and no label can show the other control characters."""
    if not re.search(_LINE, text):
        words = "It is blank, or holds a character that cannot be shown, such as a line end"
        raise PydanticCustomError(f"{OWN_CODE}bad_text", words)
    return text


def _moment(given: object) -> object:
    """Give what says a moment as JSON does. Pydantic alone would read "5" as five seconds after 1970 began."""
    if given is None:
        return None
    found = _MOMENT.fullmatch(given) if isinstance(given, str) else None
    if found is None:
        raise PydanticCustomError(f"{OWN_CODE}not_a_time", "Write a time like 2026-03-04T15:30:00+00:00")
    if found[2] is None:
        raise PydanticCustomError(f"{OWN_CODE}naive_time", "It must say its offset, like 2026-03-04T15:30:00+00:00")
    if int(found[1]) < FIRST_YEAR:
        raise PydanticCustomError(f"{OWN_CODE}out_of_range", f"No job can have ended before {FIRST_YEAR}")
    return given


def whole(given: object) -> object:
    """Give a whole number as one, however it is written: JSON knows only numbers, and some programs write 42500.0."""
    return int(given) if isinstance(given, float) and given.is_integer() else given


Line = Annotated[str, AfterValidator(_line), Field(json_schema_extra={"pattern": _LINE})]
Code = Annotated[str, Field(min_length=1, json_schema_extra={"format": "label-code"})]
Moment = Annotated[datetime, BeforeValidator(_moment)]
Whole = Annotated[int, BeforeValidator(whole)]


class Model(BaseModel):
    """What is sent or answered: nothing that is not declared."""

    model_config = ConfigDict(extra="forbid", use_attribute_docstrings=True)


class Keyed(Model):
    """What is sent to be booked once."""

    key: Line = Field(min_length=1, max_length=MAX_KEY)
    """New for each new act. The same request with the same key is booked once."""


class ScanBody(Keyed):
    """A scan as a script sends it."""

    code: Code = Field(max_length=200)
    """What was scanned: the code of a spool, a feed, a place, a job ticket or a card, or a maker's EAN or UPC."""


class StockDaysAnswer(Model):
    """Days at three chances that it has ended by then: 10, 50 and 90 per cent; null where no end is in sight."""

    p10: float | None
    p50: float | None
    p90: float | None


class ItemAnswer(Model):
    """One item's stock."""

    item: str
    material: str
    colour: str
    left_mg: int
    aside_mg: int
    """What of it is set aside: it lasts nobody a day."""
    committed_mg: int
    on_order_mg: int
    spools: int
    """How many spools have something left or ask for the scale."""
    rests_mg: int
    """What of it lies on spools with too little for a usual job: it lasts nobody a day."""
    drawn_mg_a_day: int
    """What is expected over the coming four weeks."""
    days_of_stock: StockDaysAnswer
    """How long what is here lasts."""
    days_with_ordered: StockDaysAnswer
    """The same with what is on order, from the days on which it is promised."""
    run_out_on: date | None
    """In the middle of all cases, of what is here."""
    chance_short: float
    """That it ends before an order placed today could arrive."""
    order_by: date | None
    """The last day on which to order it, as the plan has it; of what nobody sells it may have passed."""
    order_from: str | None
    """From whom the plan orders it; null where it weighs no offer of it: none, one in another currency, or no draw."""
    lead_days: int
    """What a delivery takes, in the middle."""
    ask_for_weighing: int
    """How many of its spools ask for a weighing."""


class StockAnswer(Model):
    """Stock by item, those that end first at the top."""

    as_of: date
    """The shop day."""
    items: list[ItemAnswer]


@endpoints.declare(
    "post",
    "/scans",
    body=ScanBody,
    answers=ScanAnswer,
    refusals=(HTTPStatus.NOT_FOUND, HTTPStatus.CONFLICT),
)
def scan(body: ScanBody) -> ScanAnswer:
    """Take a scan.

    Two scans make a pair, in either order: a spool, and the feed or the place where it now is.
    """
    try:
        with doors.writing() as session:
            by = doors.by_station(session, body.key)
            return bench.scan(session=session, now=doors.now(), by=by, text=body.code)
    except Refusal:
        with doors.writing() as session:
            bench.after_refusal(session=session, now=doors.now(), by=doors.by_key(body.key))
        raise


@endpoints.declare("get", "/stock", answers=StockAnswer)
def stock() -> StockAnswer:
    """Give days of stock by item."""
    with doors.reading() as session:
        return StockAnswer.model_validate(figures.runout(session=session, now=doors.now()))


@endpoints.declare("get", "/openapi.json", answers=dict[str, Any])
def document() -> dict[str, Any]:
    """Give this document."""
    return endpoints.document()
