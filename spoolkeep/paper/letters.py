"""Letters on paper: three embedded faces, what they can draw, and the rule by which a long text fits.

Labels and sheets use it. It must not know what the words mean.
"""

import itertools
import unicodedata
from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum
from functools import lru_cache
from pathlib import Path

import barcode
import reportlab
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont
from reportlab.pdfgen.canvas import Canvas

ELLIPSIS = "…"
LEAST_SHRINK = 0.65
"""A text is made no smaller than this share of its size; then it loses its end."""
_NAMED = 20
_RIGHT_TO_LEFT = frozenset({"R", "AL"})


class Face(StrEnum):
    """The faces: the first two for words, the last for codes and for every letter that the others lack."""

    TEXT = "spoolkeep-text"
    STRONG = "spoolkeep-strong"
    CODE = "spoolkeep-code"


def _load(face: Face, folder: Path, name: str) -> frozenset[int]:
    font = TTFont(str(face), str(folder / "fonts" / name))
    pdfmetrics.registerFont(font)
    return frozenset(font.face.charToGlyph)


_REPORTLAB, _BARCODE = Path(reportlab.__file__).parent, Path(barcode.__file__).parent
_DRAWS = {
    Face.TEXT: _load(Face.TEXT, _REPORTLAB, "Vera.ttf"),
    Face.STRONG: _load(Face.STRONG, _REPORTLAB, "VeraBd.ttf"),
    Face.CODE: _load(Face.CODE, _BARCODE, "DejaVuSansMono.ttf"),
}


@dataclass(frozen=True)
class Line:
    """A text as it will be drawn: face, size and width in the canvas's own unit."""

    text: str
    face: Face
    size: float
    width: float


def unprintable(texts: Iterable[str]) -> tuple[str, ...]:
    """Give the letters that no shipped face draws, each once, in their order.

    Letters written from the right are among them: they would come out in the wrong order.
    """
    letters = itertools.chain.from_iterable(unicodedata.normalize("NFC", text) for text in texts)
    return tuple(dict.fromkeys(letter for letter in letters if _written(letter).startswith(" U+")))


def warning_of(texts: Iterable[str]) -> str | None:
    """Give a sentence that names the letters which cannot be drawn, or None where all can."""
    missing = unprintable(texts)
    if not missing:
        return None
    shown, more = " ".join(missing[:_NAMED]), " and others" if len(missing) > _NAMED else ""
    return f"Letters that our faces lack are printed as their Unicode numbers: {shown}{more}."


def printable(text: str) -> str:
    """Give the text in letters that can be drawn, on one line.

    A letter that no face has becomes its plainer form where Unicode knows one, else its number, like U+65E5.
    """
    return " ".join("".join(map(_written, unicodedata.normalize("NFC", text))).split())


@lru_cache(maxsize=4096)
def _written(letter: str) -> str:
    if letter.isspace():
        return " "
    if unicodedata.category(letter) == "Cf":
        return ""
    for form in (letter, unicodedata.normalize("NFKC", letter)):
        if all(ord(part) in _DRAWS[Face.CODE] for part in form) and not _is_right_to_left(form):
            return form
    return f" U+{ord(letter):04X} "


def _is_right_to_left(text: str) -> bool:
    return any(unicodedata.bidirectional(letter) in _RIGHT_TO_LEFT for letter in text)


def face_for(text: str, wanted: Face) -> Face:
    """Give the wanted face where it has all the letters, else the one that has most."""
    return wanted if all(ord(letter) in _DRAWS[wanted] for letter in text) else Face.CODE


def width_of(text: str, face: Face, size: float) -> float:
    """Give how wide a printable text is."""
    return float(pdfmetrics.stringWidth(text, str(face), size))


@lru_cache(maxsize=16384)
def fit(text: str, wanted: Face, size: float, *, width: float, least: float = LEAST_SHRINK) -> Line:
    """Give a line no wider than `width`: as it is, else smaller down to the share `least`, else its end becomes …."""
    plain = printable(text)
    face = face_for(plain, wanted)
    natural = width_of(plain, face, size)
    if natural <= width:
        return Line(plain, face, size, natural)
    smaller = size * max(least, width / natural)
    kept = _shortened(plain, face, smaller, width=width)
    return Line(kept, face, smaller, width_of(kept, face, smaller))


def _shortened(text: str, face: Face, size: float, *, width: float) -> str:
    slack = 1e-6
    if width_of(text, face, size) <= width + slack:
        return text
    for end in range(len(text) - 1, 0, -1):
        kept = text[:end].rstrip() + ELLIPSIS
        if width_of(kept, face, size) <= width:
            return kept
    return ""


def halved(text: str, wanted: Face, size: float, *, width: float) -> tuple[str, str]:
    """Give the printable text in two parts, broken at a blank; the second is empty where there is none.

    Where two lines of `width` hold it, its longer part is as short as can be; else the first is as full as can be.
    """
    words = printable(text).split()
    face = face_for("".join(words), wanted)
    splits = [(" ".join(words[:at]), " ".join(words[at:])) for at in range(1, len(words))]
    if not splits:
        return " ".join(words), ""
    best = min(splits, key=lambda parts: max(width_of(part, face, size) for part in parts))
    if max(width_of(part, face, size) for part in best) <= width:
        return best
    return max((parts for parts in splits if width_of(parts[0], face, size) <= width), default=best)


def broken(text: str, wanted: Face, size: float, *, width: float) -> list[str]:
    """Give the printable text in lines no wider than `width`: broken at blanks, and in a word only where it must be."""
    plain = printable(text)
    face = face_for(plain, wanted)
    lines: list[str] = []
    for word in plain.split():
        joined = f"{lines[-1]} {word}" if lines else word
        if lines and width_of(joined, face, size) <= width:
            lines[-1] = joined
            continue
        lines.extend(_pieces(word, face, size, width=width))
    return lines


def _pieces(word: str, face: Face, size: float, *, width: float) -> list[str]:
    pieces = [""]
    for letter in word:
        if pieces[-1] and width_of(pieces[-1] + letter, face, size) > width:
            pieces.append("")
        pieces[-1] += letter
    return pieces


def draw(canvas: Canvas, line: Line, x: float, y: float) -> None:
    """Draw a line from its left end, on its baseline."""
    if line.text:
        canvas.setFont(str(line.face), line.size)
        canvas.drawString(x, y, line.text)


def draw_right(canvas: Canvas, line: Line, x: float, y: float) -> None:
    """Draw a line up to its right end, on its baseline."""
    draw(canvas, line, x - line.width, y)
