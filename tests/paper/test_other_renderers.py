"""The labels' PDF under other renderers than the one of the other tests, and an independent encoder's module count."""

import io
import subprocess
from datetime import date
from pathlib import Path

import pytest
import zxingcpp
from PIL import Image

from spoolkeep.domain.codes import Code, CodeKind
from spoolkeep.domain.formats import Formats
from spoolkeep.paper.barcode import modules_of
from spoolkeep.paper.labels import PlainLabel, press_labels
from spoolkeep.paper.stocks import stock_named
from tests.tools import tool

CODES = [Code(CodeKind.SPOOL, serial) for serial in (1, 4217, 999_999)]


@pytest.fixture
def pdf(tmp_path: Path) -> Path:
    labels = [PlainLabel(code, "Larch", "feed 1") for code in CODES]
    formats = Formats("en_GB", "EUR", "UTC")
    data = press_labels(labels, stock_named("50x25"), dpi=203, printed_on=date(2026, 3, 4), formats=formats)
    path = tmp_path / "labels.pdf"
    path.write_bytes(data)
    return path


def _read(folder: Path) -> list[str]:
    pages = sorted(folder.glob("page*.png"))
    return [zxingcpp.read_barcodes(Image.open(page))[0].text for page in pages]


def test_poppler_renders_labels_that_read_back(pdf: Path, tmp_path: Path) -> None:
    subprocess.run([tool("pdftoppm"), "-r", "203", "-png", pdf, tmp_path / "page"], check=True, capture_output=True)
    assert _read(tmp_path) == [code.text for code in CODES]


def test_ghostscript_renders_labels_that_read_back(pdf: Path, tmp_path: Path) -> None:
    out = f"-sOutputFile={tmp_path}/page%d.png"
    subprocess.run(
        [tool("gs"), "-q", "-sDEVICE=pngmono", "-r203", out, pdf], check=True, capture_output=True, input=b""
    )
    assert _read(tmp_path) == [code.text for code in CODES]


@pytest.mark.parametrize("kind", list(CodeKind))
def test_an_independent_encoder_needs_as_many_modules(kind: CodeKind) -> None:
    """Zint's own Code 128, drawn without borders at one module a pixel."""
    code = Code(kind, 4217)
    drawn = subprocess.run(
        [tool("zint"), "-b", "CODE128", "--direct", "--filetype=png", "--notext", "--scale=0.5", "-d", code.text],
        check=True,
        capture_output=True,
    ).stdout
    width = Image.open(io.BytesIO(drawn)).width
    assert width == len(modules_of(code.text)) == 101
