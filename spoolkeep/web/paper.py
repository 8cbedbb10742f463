"""Files that a page hands out: PDFs to print and CSVs to keep, with safe names.

The blueprints use it.
"""

from flask import Response, request

from spoolkeep.domain.errors import BadInput
from spoolkeep.services import labels
from spoolkeep.web import forms

STOCKS = (
    ("a4-3x8", "A4 sheet, 3 by 8 labels of 70 by 37 mm"),
    ("a4-3x7", "A4 sheet, 3 by 7 labels of 63.5 by 38.1 mm"),
    ("letter-3x10", "Letter sheet, 3 by 10 labels of 66.7 by 25.4 mm"),
    ("letter-2x10", "Letter sheet, 2 by 10 labels of 101.6 by 25.4 mm"),
    ("50x25", "Roll, 50 by 25 mm"),
    ("50x30", "Roll, 50 by 30 mm"),
    ("100x50", "Roll, 100 by 50 mm"),
)
DOTS = (203, 300, 600)


def pdf(data: bytes, name: str) -> Response:
    """Give a PDF that the browser shows."""
    return _file(data, "application/pdf", f'inline; filename="{name}.pdf"')


def csv(data: bytes, name: str) -> Response:
    """Give a CSV that the browser saves."""
    return _file(data, "text/csv; charset=utf-8", f'attachment; filename="{name}.csv"')


def pressed(gathered: labels.Gathered) -> bytes:
    """Give the PDF of labels on the stock, at the dots and from the position in the address. Errors: BadInput.

    Call it once the books are closed: pressing takes seconds, and a reader that stays open holds others up.
    """
    return labels.press(
        gathered,
        stock=request.args.get("stock", "a4-3x8"),
        dpi=number_asked("dpi", 203, "Dots"),
        start=number_asked("start", 1, "Start position"),
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
