"""A PDF that is begun: the same input gives the same bytes, dated by what the sheet says and not by a clock.

The presses draw on it. It must not know what.
"""

import io
from collections.abc import Sequence

from reportlab.pdfgen.canvas import Canvas

from spoolkeep.paper.letters import Face


def begun(out: io.BytesIO, size: Sequence[float], *, title: str, stamp: str, author: str = "") -> Canvas:
    """Give a canvas of a size in points; `stamp` is its moment in UTC, in the file's own form, like 20260304173000."""
    canvas = Canvas(out, pagesize=size, pageCompression=1, invariant=1, initialFontName=str(Face.TEXT))
    canvas.setDateFormatter(lambda *_: f"D:{stamp}Z")
    canvas.setTitle(title)
    if author:
        canvas.setAuthor(author)
    canvas.setCreator("Spoolkeep")
    return canvas
