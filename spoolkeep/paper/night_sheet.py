"""The half sheet of Tonight: what to fetch and load before going home, in walking order, with a box to tick.

Services hand it over. It must not know the books; every word on it is a parameter.
"""

import io
from collections.abc import Sequence
from dataclasses import dataclass

from reportlab.lib.pagesizes import A5
from reportlab.lib.units import mm
from reportlab.pdfgen.canvas import Canvas

from spoolkeep.paper.document import begun
from spoolkeep.paper.letters import Face, broken, draw, draw_right, fit

_LEFT, _RIGHT = 12 * mm, A5[0] - 12 * mm
_TOP, _FLOOR = A5[1] - 12 * mm, 14 * mm
_WHOLE = _RIGHT - _LEFT
_BOX = 5 * mm
_TEXT_LEFT = _LEFT + _BOX + 3 * mm
_TITLE, _NAME, _BODY, _SMALL = 16.0, 10.5, 9.0, 7.5
_LEADING = 1.32
_MOST_LINES = 6


@dataclass(frozen=True)
class NightLine:
    """One thing to do: for which feed, what, and what else is worth knowing."""

    feed: str
    doing: str
    besides: tuple[str, ...] = ()


@dataclass(frozen=True)
class HalfSheet:
    """What to do before going home."""

    workshop: str
    title: str
    drawn_at: str
    summary: str
    lines: tuple[NightLine, ...]
    fine: str
    """What needs nothing."""
    caution: str
    stamp: str
    """The moment in the file's own dates, like 20260304173000."""


def half_sheet(sheet: HalfSheet) -> bytes:
    """Give the PDF on A5, half an A4 sheet; the same input gives the same bytes."""
    out = io.BytesIO()
    canvas = begun(out, A5, title=sheet.title, stamp=sheet.stamp, author=sheet.workshop)
    y = _head(canvas, sheet)
    for line in sheet.lines:
        y = _line(canvas, sheet, line, y)
    for text, size in ((sheet.fine, _BODY), (sheet.caution, _SMALL)):
        parts = broken(text, Face.TEXT, size, width=_WHOLE) if text else []
        y = _room(canvas, sheet, y, len(parts) * size * _LEADING + 3 * mm)
        y = _paragraph(canvas, parts, _LEFT, y - 3 * mm, size=size)
    canvas.showPage()
    canvas.save()
    return out.getvalue()


def _head(canvas: Canvas, sheet: HalfSheet) -> float:
    y = _TOP - _TITLE
    draw(canvas, fit(sheet.title, Face.STRONG, _TITLE, width=_WHOLE), _LEFT, y)
    y -= _SMALL * 1.8
    about = fit(f"{sheet.workshop}, {sheet.drawn_at}", Face.TEXT, _SMALL, width=_WHOLE)
    draw(canvas, about, _LEFT, y)
    parts = broken(sheet.summary, Face.STRONG, _NAME, width=_WHOLE)
    return _paragraph(canvas, parts, _LEFT, y - 3 * mm, size=_NAME, face=Face.STRONG)


def _line(canvas: Canvas, sheet: HalfSheet, line: NightLine, y: float) -> float:
    room = _RIGHT - _TEXT_LEFT
    doing = broken(line.doing, Face.TEXT, _BODY, width=room)[:_MOST_LINES]
    besides = [part for text in line.besides for part in broken(text, Face.TEXT, _SMALL, width=room)[:_MOST_LINES]]
    deep = _NAME * _LEADING + len(doing) * _BODY * _LEADING + len(besides) * _SMALL * _LEADING + 4 * mm
    y = _room(canvas, sheet, y, deep) - 3 * mm
    canvas.setStrokeGray(0)
    canvas.setLineWidth(0.9)
    canvas.rect(_LEFT, y - _BOX, _BOX, _BOX)
    draw(canvas, fit(line.feed, Face.STRONG, _NAME, width=room), _TEXT_LEFT, y - _NAME)
    y = _paragraph(canvas, doing, _TEXT_LEFT, y - _NAME * _LEADING, size=_BODY)
    y = _paragraph(canvas, besides, _TEXT_LEFT, y, size=_SMALL)
    canvas.setStrokeGray(0.7)
    canvas.setLineWidth(0.4)
    canvas.line(_LEFT, y - 1.5 * mm, _RIGHT, y - 1.5 * mm)
    return float(y - 1.5 * mm)


def _paragraph(
    canvas: Canvas, parts: Sequence[str], x: float, y: float, *, size: float, face: Face = Face.TEXT
) -> float:
    for part in parts:
        y -= size * _LEADING
        draw(canvas, fit(part, face, size, width=_RIGHT - x), x, y)
    return y


def _room(canvas: Canvas, sheet: HalfSheet, y: float, deep: float) -> float:
    """Give where to go on: on a new half where there is no room for so much."""
    if y - deep >= _FLOOR:
        return float(y)
    canvas.showPage()
    draw_right(canvas, fit(f"{sheet.title}, continued", Face.TEXT, _SMALL, width=_WHOLE), _RIGHT, _TOP - _SMALL)
    return float(_TOP - _SMALL * 2)
