"""Pages as a printer with whole dots would see them, and what a reader makes of them."""

import numpy as np
import pypdfium2
import zxingcpp
from numpy.typing import NDArray

Picture = NDArray[np.uint8]


def pages_of(pdf: bytes, dpi: int) -> list[Picture]:
    """Give each page in shades of grey, one pixel a dot."""
    document = pypdfium2.PdfDocument(pdf)
    try:
        return [np.asarray(page.render(scale=dpi / 72).to_pil().convert("L")) for page in document]
    finally:
        document.close()


def words_of(pdf: bytes) -> list[str]:
    """Give the text of each page."""
    document = pypdfium2.PdfDocument(pdf)
    try:
        return [str(page.get_textpage().get_text_range()) for page in document]
    finally:
        document.close()


def codes_in(picture: Picture) -> list[str]:
    """Give what a reader finds in a picture, from the top left on."""
    # one bit, as a thermal printer has it
    black = np.where(picture < 128, 0, 255).astype(np.uint8)
    found = zxingcpp.read_barcodes(black, formats=zxingcpp.BarcodeFormats(zxingcpp.BarcodeFormat.Code128))
    return [one.text for one in sorted(found, key=lambda one: (one.position.top_left.y, one.position.top_left.x))]


def runs_in(row: Picture) -> list[tuple[int, int]]:
    """Give the start and width of each black run in a row of pixels."""
    ink = np.concatenate(([0], (row < 128).astype(np.int8), [0]))
    starts, ends = np.flatnonzero(np.diff(ink) == 1), np.flatnonzero(np.diff(ink) == -1)
    return [(int(start), int(end - start)) for start, end in zip(starts, ends, strict=True)]
