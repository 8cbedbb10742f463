"""Files that a page hands out: PDFs to print and CSVs to keep, with safe names.

The blueprints use it.
"""

from dataclasses import dataclass

from flask import Response, request

from spoolkeep.domain.errors import BadInput
from spoolkeep.services import labels, stocks
from spoolkeep.store.engine import Session
from spoolkeep.web import forms

Words = tuple[str, str]
WORKBOOK = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"
"""Source: the IANA's registry of media types."""


@dataclass(frozen=True)
class LabelChoices:
    """What a person may choose from where labels are printed."""

    stocks: list[Words]
    usual: str


def choices(session: Session) -> LabelChoices:
    """Give the stocks and the one that is offered first."""
    return LabelChoices([(one.name, stocks.in_words(one)) for one in stocks.every(session)], stocks.usual(session))


def stock_asked() -> str:
    """Give the name of the stock in the address; empty for the usual one."""
    return request.args.get("stock", "")


def pdf(data: bytes, name: str) -> Response:
    """Give a PDF that the browser shows."""
    return _file(data, "application/pdf", f'inline; filename="{name}.pdf"')


def csv(data: bytes, name: str) -> Response:
    """Give a CSV that the browser saves."""
    return _file(data, "text/csv; charset=utf-8", f'attachment; filename="{name}.csv"')


def workbook(data: bytes, name: str) -> Response:
    """Give an XLSX that the browser saves."""
    return _file(data, WORKBOOK, f'attachment; filename="{name}.xlsx"')


def pressed(gathered: labels.Gathered) -> bytes:
    """Give the PDF of labels from the position in the address on, with what it asks for beside. Errors: BadInput.

    Call it once the books are closed: pressing takes a while, and a reader that stays open holds others up.
    """
    return labels.press(
        gathered,
        start=number_asked("start", 1, "Start position"),
        square="square" in request.args,
        pairs="pairs" in request.args,
    )


def number_asked(name: str, default: int, what: str) -> int:
    """Give a whole number in the address. Errors: BadInput."""
    given = request.args.get(name, "").strip() or str(default)
    if not given.isdecimal():
        raise BadInput("not_a_number", f"{what}: “{given}” is not a whole number. Write it like 1.")
    return forms.whole_from(given, what)


def _file(data: bytes, kind: str, disposition: str) -> Response:
    response = Response(data, content_type=kind)
    response.headers["Content-Disposition"] = disposition
    return response
