"""Files that wish us ill are read or refused in a sentence, in little memory and time, and never break anything."""

import io
import tracemalloc
from collections.abc import Callable, Iterable
from contextlib import suppress

import pytest

from spoolkeep.domain.errors import BadInput, Refusal
from spoolkeep.domain.motionfile import runs_in
from spoolkeep.domain.sheets import Record, read_sheet, records_of, rewritten
from spoolkeep.services.imports import workbook
from spoolkeep.services.imports.workbook import as_text_sheet
from spoolkeep.services.photos import codes_in
from spoolkeep.web import patience
from tests import hostile_files
from tests.hostile_files import altered, of_sheet

pytestmark = [
    pytest.mark.filterwarnings("ignore::UserWarning:openpyxl"),
    pytest.mark.filterwarnings("ignore::UserWarning:PIL"),
]
MEGA = 1 << 20
MOST_HELD = 40 * MEGA


def _sheet(data: bytes) -> object:
    head, *rows = records_of(data) or [Record(1, ())]
    names = list(enumerate(head.cells))
    return read_sheet(rewritten(names, rows, header_line=head.line), needs=(), knows=("day", "amount", "channel"))


READERS: dict[str, Callable[[bytes], object]] = {
    "workbooks": as_text_sheet,
    "sheets": _sheet,
    "motion files": lambda data: list(runs_in(io.BytesIO(data), timed=True)),
    "pictures": codes_in,
}
FILES = [(kind, name, data) for kind, make in hostile_files.KINDS.items() for name, data in make()]


@pytest.mark.parametrize(("kind", "name", "data"), FILES, ids=[f"{kind}: {name}" for kind, name, _ in FILES])
def test_a_file_that_wishes_us_ill_is_read_or_refused_in_a_sentence(kind: str, name: str, data: bytes) -> None:
    """Source: OWASP ASVS 5.0.0, V1.5.1, V5.2.1, V5.2.2, V5.2.3."""
    said = ["Read."]
    try:
        READERS[kind](data)
    except Refusal as refusal:
        said.append(refusal.words)
    assert said[-1].endswith("."), name


HEAVY = {"laughs", "quadratic", "zeros", "gzip bomb", "zeros in gzip", "no end in gzip", "binary with a huge block"}
HEAVY |= {"tools that are none", "PNG with a packed text", "PNG that holds more than it says", "overlapping"}


@pytest.mark.parametrize(("kind", "name", "data"), [one for one in FILES if one[1] in HEAVY])
def test_what_grows_when_it_is_unpacked_is_not_held_whole(kind: str, name: str, data: bytes) -> None:
    """Source: OWASP ASVS 5.0.0, V5.2.3 and V15.2.2."""
    tracemalloc.start()
    with suppress(Refusal):
        READERS[kind](data)
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert peak < MOST_HELD, f"{name} took {peak // MEGA} MB"


REFUSED = {
    "workbooks": {"laughs", "laughs in UTF-16", "quadratic", "from outside", "a type in the strings", "lying sizes"}
    | {"a type in the styles", "the last row", "the last column", "locked", "overlapping", "many parts", "lzma"},
    "sheets": {"only NULs", "a million columns", "lines without end", "quotes without end"},
    "motion files": {
        "digits",
        "a long pause",
        "flows without end",
        "package with more parts than any",
        "package that overlaps",
        "no line end",
    },
    "pictures": {"PNG of 65,535 by 65,535", "PNG thin", "JPEG of many scans", "TIFF called JPEG", "SVG", "PostScript"},
}


@pytest.mark.parametrize(("kind", "data"), [(kind, data) for kind, name, data in FILES if name in REFUSED[kind]])
def test_what_no_program_writes_is_refused(kind: str, data: bytes) -> None:
    with pytest.raises(BadInput):
        READERS[kind](data)


def test_every_file_of_the_list_above_is_there() -> None:
    assert all(names <= {name for kind, name, _ in FILES if kind == of} for of, names in REFUSED.items())


def test_a_workbook_that_unpacks_to_too_much_is_refused_before_it_is_built() -> None:
    large = altered({"xl/media/a.bin": b"\0" * (workbook.MOST_UNPACKED + 1)})
    assert len(large) < MEGA
    with pytest.raises(BadInput, match="unpacks to more than 100 MB"):
        as_text_sheet(large)
    with pytest.raises(BadInput, match="marks"):
        as_text_sheet(of_sheet("<row/>" * (workbook.MOST_MARKS + 1)))


def test_a_usual_large_workbook_is_read() -> None:
    rows: Iterable[tuple[object, ...]] = (("2026-03-01", at, "Web", None) for at in range(1_000))
    text = as_text_sheet(hostile_files.workbook(("day", "amount", "channel"), *rows)).decode().splitlines()
    assert text[0] == "day,amount,channel"
    assert len(text) == 1_001


def test_a_file_is_read_for_so_long_and_no_longer() -> None:
    seconds = iter(range(0, 10**6, 100))
    stream = patience.within_time(io.BytesIO(b"M83\n" + b"G1 X1 E5\n" * 200_000), lambda: next(seconds))
    with pytest.raises(BadInput, match="takes too long"):
        list(runs_in(stream))


def test_a_file_that_is_watched_is_read_as_any() -> None:
    for name, data in hostile_files.motion_files():
        if name in {"gzip bomb", "package of bombs", "package with paths", "arcs"}:
            plain, watched = (list(runs_in(one)) for one in (io.BytesIO(data), patience.within_time(io.BytesIO(data))))
            assert plain == watched, name
