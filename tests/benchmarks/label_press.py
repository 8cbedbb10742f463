"""What labels cost: how many a second and how many bytes, beside python-barcode's image writer; and how true bars are.

Run it: python tests/benchmarks/label_press.py [--labels 240] [--rounds 3] [--no-bars]. Both presses draw the same codes
on the same pages, in turn, in one run; "cold" is a Python of its own that imports and presses once. Bars are measured
in dots under pdfium, and under ghostscript and poppler where they are installed, at 203, 300 and 600 dots an inch: the
largest difference between a bar or a space as it was rendered and as its code has it.
"""

import argparse
import io
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from datetime import date
from pathlib import Path

import numpy as np
from barcode.codex import Code128
from barcode.writer import ImageWriter
from PIL import Image
from reportlab.lib.utils import ImageReader
from reportlab.pdfgen.canvas import Canvas

sys.path.insert(0, str(Path(__file__).parents[2]))  # run as a script, the tests' folder is not on the path

from spoolkeep.domain.formats import Formats
from spoolkeep.domain.words import StockKind
from spoolkeep.paper.barcode import Symbol, modules_of
from spoolkeep.paper.layout import layout_of
from spoolkeep.paper.stocks import STOCKS, Grid, Stock, positions
from spoolkeep.services.labels import sample_labels
from tests.paper.pictures import Picture, pages_of, runs_in

DAY, FORMATS = date(2026, 3, 4), Formats("en_GB", "EUR", "UTC")
DOTS = (203, 300, 600)
COLD = (
    "import sys, time; began = time.perf_counter(); from datetime import date;"
    "from spoolkeep.services.labels import sample_labels; from spoolkeep.domain.formats import Formats;"
    "sample_labels(today=date(2026, 3, 4), formats=Formats('en_GB', 'EUR', 'UTC'), count=int(sys.argv[1]),"
    "stock=sys.argv[2], dpi=203); print(time.perf_counter() - began)"
)


def ours(stock: Stock, count: int, *, dpi: int = 203, square: bool = False) -> tuple[bytes, list[str]]:
    """Give our labels, and their codes."""
    return sample_labels(today=DAY, formats=FORMATS, count=count, stock=stock.name, dpi=dpi, square=square)


def theirs(stock: Stock, codes: list[str]) -> bytes:
    """Give the same codes by python-barcode's image writer at its default size, placed where our bars are."""
    grid, out = Grid(203), io.BytesIO()
    layout = layout_of(stock, grid, codes[0])
    canvas = Canvas(out, pagesize=[side * grid.points_a_dot for side in grid.page(stock)])
    on_page = 0
    for code, (page, position) in zip(codes, positions(stock, 1, len(codes)), strict=True):
        if page != on_page:
            canvas.showPage()
            on_page = page
        cell, bars = grid.cell(stock, position), layout.bars
        picture = Code128(code, writer=ImageWriter()).render()
        bottom = grid.page(stock)[1] - cell.top - cell.height + bars.bottom
        place = (cell.left + bars.left, bottom, bars.width, bars.height)
        canvas.drawImage(ImageReader(picture), *(side * grid.points_a_dot for side in place))
    canvas.save()
    return out.getvalue()


def seconds(press: Callable[[], object]) -> float:
    """Give how long it takes."""
    began = time.perf_counter()
    press()
    return time.perf_counter() - began


def compare(stock: Stock, count: int, rounds: int) -> None:
    """Print both presses' labels a second and bytes a label, and a cold Python's."""
    pdf, codes = ours(stock, count)
    warm, other = [], []
    for _ in range(rounds):
        warm.append(count / seconds(lambda: ours(stock, count)))
        other.append(count / seconds(lambda: theirs(stock, codes)))
    fast, slow = statistics.median(warm), statistics.median(other)
    words = [sys.executable, "-c", COLD, str(count), stock.name]
    cold = count / float(subprocess.run(words, capture_output=True, check=True, text=True).stdout)
    many, with_square = len(ours(stock, 2000)[0]) / 2000, len(ours(stock, count, square=True)[0]) / count
    print(
        f"{stock.name:<12}{fast:9.0f}{slow:9.0f}{fast / slow:8.1f}{cold:8.0f}{len(pdf) / count:9.0f}{many:9.0f}"
        f"{with_square:9.0f}{len(theirs(stock, codes)) / count:9.0f}"
    )


def renderers() -> dict[str, Callable[[bytes, int], Picture]]:
    """Give each renderer that is here: from a PDF and dots an inch to its first page."""
    found: dict[str, Callable[[bytes, int], Picture]] = {"pdfium": lambda pdf, dpi: pages_of(pdf, dpi)[0]}
    if shutil.which("gs"):
        found["ghostscript"] = lambda pdf, dpi: _run(
            pdf, ["gs", "-q", "-dNOPAUSE", "-dBATCH", "-sDEVICE=pnggray", "-dLastPage=1", f"-r{dpi}"], "-sOutputFile={}"
        )
    if shutil.which("pdftoppm"):
        found["poppler"] = lambda pdf, dpi: _run(
            pdf, ["pdftoppm", "-r", str(dpi), "-gray", "-singlefile", "-png"], "{}"
        )
    return found


def _run(pdf: bytes, command: list[str], out: str) -> Picture:
    with tempfile.TemporaryDirectory() as folder:
        page, picture = Path(folder) / "page.pdf", Path(folder) / "page.png"
        page.write_bytes(pdf)
        if out == "{}":
            words = [*command, str(page), str(picture.with_suffix(""))]
        else:
            words = [*command, out.format(picture), str(page)]
        subprocess.run(words, check=True, capture_output=True)
        return np.asarray(Image.open(picture).convert("L"))


def errors(stock: Stock, dpi: int, render: Callable[[bytes, int], Picture]) -> Iterator[float]:
    """Give how many dots each bar and space of a page differs from its code; a bar that is missing counts whole."""
    grid = Grid(dpi)
    pdf, codes = ours(stock, stock.labels_on_a_page, dpi=dpi)
    picture, layout = render(pdf, dpi), layout_of(stock, grid, codes[0])
    for position, code in enumerate(codes, start=1):
        cell, bars = grid.cell(stock, position), layout.bars
        row = picture[cell.top + cell.height - bars.bottom - bars.height // 2, cell.left : cell.left + cell.width]
        wanted = [(bars.left + at, width) for at, width in Symbol(modules_of(code), layout.x_dots).bars()]
        found = runs_in(row)
        if len(found) != len(wanted):
            yield float(bars.width)
            continue
        for (left, width), (at, wide) in zip(found, wanted, strict=True):
            yield float(max(abs(left - at), abs(width - wide)))


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--labels", type=int, default=240)
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--no-bars", action="store_true")
    asked = parser.parse_args()
    print(f"{asked.labels} labels at 203 dpi: labels a second and bytes a label; `many` is 2,000 labels")
    print(
        f"{'stock':<12}{'ours':>9}{'theirs':>9}{'ratio':>8}{'cold':>8}{'bytes':>9}{'many':>9}{'square':>9}{'theirs':>9}"
    )
    for stock in STOCKS:
        compare(stock, asked.labels, asked.rounds)
    if not asked.no_bars:
        for name, render in renderers().items():
            for dpi in DOTS:
                of_kind = {
                    kind: max(max(errors(stock, dpi, render)) for stock in STOCKS if stock.kind is kind)
                    for kind in StockKind
                }
                print(
                    f"{name} at {dpi} dpi: largest error in dots "
                    + str({str(k): round(v, 2) for k, v in of_kind.items()})
                )


if __name__ == "__main__":
    main()
