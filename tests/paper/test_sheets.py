"""The sheet that orders more: what it says on each page, and the same as rows."""

from dataclasses import replace
from datetime import date
from decimal import Decimal

import numpy as np
import pytest

from spoolkeep.domain.codes import Code, CodeKind
from spoolkeep.domain.errors import BadInput
from spoolkeep.domain.formats import Formats
from spoolkeep.paper.sheets import (
    ReorderLine,
    ReorderSheet,
    press_reorder_sheet,
    press_reorder_sheets,
    reorder_csv_rows,
)
from tests.paper.pictures import codes_in, pages_of, runs_in, words_of

FORMATS = Formats("en_GB", "GBP", "Europe/London")
LINE = ReorderLine("PLA Slate black, 1.75 mm", "N-100", 1_000_000, 4, 8, 1899, 8 * 1899)
SHEET = ReorderSheet(
    order_code=Code(CodeKind.ORDER, 31),
    reference=Code(CodeKind.ORDER, 31).text,
    supplier="Northmere Plastics",
    workshop="Tidewater Print Workshop",
    address="Unit 7, Old Ropewalk\nQuay Road",
    drawn_on=date(2026, 3, 4),
    needed_by=date(2026, 3, 13),
    lines=(LINE, replace(LINE, article="PETG Chalk white", spool_mg=2_300_000, total_minor=100_001)),
    notes="The ramp is on the left.",
    currency="GBP",
)
LONG = replace(
    SHEET, lines=tuple(replace(LINE, article=f"Article {at:03d}", total_minor=1000 + at) for at in range(90))
)


def words(sheet: ReorderSheet, formats: Formats = FORMATS) -> list[str]:
    pages = words_of(press_reorder_sheet(sheet, formats=formats))
    return [page.replace("\N{NO-BREAK SPACE}", " ") for page in pages]


def test_a_sheet_says_who_orders_what_from_whom_by_when() -> None:
    (page,) = words(SHEET)
    for part in (
        "R000 031 49", "4 Mar 2026", "13 Mar 2026", "Northmere Plastics", "Tidewater Print Workshop", "Quay Road",
        "PLA Slate black, 1.75 mm", "N-100", "1,000 g", "2,300 g", "£18.99", "The ramp is on the left.", "Page 1 of 1",
    ):  # fmt: skip
        assert part in page


def test_a_plan_has_no_reference_and_says_so_nowhere() -> None:
    (page,) = words(replace(SHEET, order_code=None, reference=""))
    assert "Planned on 4 Mar 2026" in page
    assert "reference" not in page
    assert "Our reference R000 031 49, 4 Mar 2026" in words(SHEET)[0]


def test_the_total_is_the_sum_of_the_lines() -> None:
    assert SHEET.total_minor == 8 * 1899 + 100_001
    assert "£1,151.93" in words(SHEET)[0]  # 151.92 + 1,000.01


def test_every_line_stands_on_some_page_under_the_tables_head_and_the_sum_once() -> None:
    pages = words(LONG)
    assert len(pages) > 1
    assert [text for text in (line.article for line in LONG.lines) if not any(text in page for page in pages)] == []
    for number, page in enumerate(pages, 1):
        assert f"Page {number} of {len(pages)}" in page
        assert "Your number" in page
    total = FORMATS.money(sum(1000 + at for at in range(90)))
    assert [total in page for page in pages] == [False] * (len(pages) - 1) + [True]


@pytest.mark.parametrize("count", range(20, 75))
def test_the_sum_never_stands_on_a_page_without_a_line(count: int) -> None:
    last = words(replace(LONG, lines=LONG.lines[:count], notes=""))[-1]
    assert f"Article {count - 1:03d}" in last
    assert "Total" in last


def test_nothing_is_drawn_off_the_page_or_in_its_foot() -> None:
    hard = replace(
        SHEET,
        lines=tuple(replace(LINE, article="word " * 60 + "x" * 200, their_number="9" * 80) for _ in range(25)),
        notes="note " * 900,
        address="\n".join(f"Line {at}" for at in range(40)),
        supplier="S" * 200,
        workshop="W" * 300,
        reference="R" * 200,
    )
    pdf = press_reorder_sheet(hard, formats=FORMATS)
    for picture in pages_of(pdf, 72):
        ink = picture < 200
        assert not ink[:, :48].any()  # 17 mm of margin on each side
        assert not ink[:, -48:].any()
        assert not ink[-28:].any()


def test_the_code_of_the_order_reads_back() -> None:
    page = pages_of(press_reorder_sheet(SHEET, formats=FORMATS), 300)[0]
    assert codes_in(page) == ["R00003149"]


def test_the_bars_of_the_orders_code_are_on_the_whole_dots_of_an_office_printer() -> None:
    page = pages_of(press_reorder_sheet(SHEET, formats=FORMATS), 600)[0]
    row = page[round(22 / 25.4 * 600)]
    bars = [(start, width) for start, width in runs_in(row) if start > len(row) // 2]
    # 101 modules of 9 dots
    assert sum(bars[-1]) - bars[0][0] == 101 * 9
    assert {width % 9 for _, width in bars} == {0}
    assert {(start - bars[0][0]) % 9 for start, _ in bars} == {0}


def test_a_sheet_without_an_order_has_no_code() -> None:
    page = pages_of(press_reorder_sheet(replace(SHEET, order_code=None), formats=FORMATS), 300)[0]
    assert codes_in(page) == []
    assert np.any(page < 128)


def test_the_same_sheet_is_the_same_bytes() -> None:
    assert press_reorder_sheet(SHEET, formats=FORMATS) == press_reorder_sheet(SHEET, formats=FORMATS)
    later = replace(SHEET, drawn_on=date(2026, 3, 5))
    assert press_reorder_sheet(later, formats=FORMATS) != press_reorder_sheet(SHEET, formats=FORMATS)
    assert b"D:20260304" in press_reorder_sheet(SHEET, formats=FORMATS)


def test_a_sheet_is_priced_in_the_suppliers_currency_and_told_in_the_workshops_locale() -> None:
    german = Formats("de_DE", "EUR", "Europe/Berlin")
    yen = replace(SHEET, currency="JPY")
    page = words(yen, german)[0]
    assert "1.899" in page
    assert "04.03.2026" in page
    assert "18,99" not in page


def test_markup_in_a_name_is_only_text() -> None:
    page = words(replace(SHEET, lines=(replace(LINE, article="<b>A & B</b>"),)))[0]
    assert "<b>A & B</b>" in page


def test_rows_for_a_spreadsheet_are_plain_values() -> None:
    header, *rows = reorder_csv_rows(SHEET)
    assert header[:8] == ["article", "their_number", "spool_g", "pack", "spools", "price", "total", "currency"]
    assert rows[0][:8] == ["PLA Slate black, 1.75 mm", "N-100", "1000", "4", "8", "18.99", "151.92", "GBP"]
    whither = "Tidewater Print Workshop, Unit 7, Old Ropewalk, Quay Road"
    assert header[8:] == ["order", "needed_by", "deliver_to"]
    assert {tuple(row[8:]) for row in rows} == {("R00003149", "2026-03-13", whither)}
    assert sum(Decimal(row[6]) for row in rows) == Decimal(SHEET.total_minor) / 100
    yen = reorder_csv_rows(replace(SHEET, currency="JPY"))
    assert yen[1][5:8] == ["1899", "15192", "JPY"]


def test_the_parcel_stands_under_the_lines_and_in_the_total() -> None:
    sheet = replace(SHEET, freight_minor=690, terms=("The parcel as you charge it: £6.90, free from £2,000.00.",))
    (page,) = words(sheet)
    for part in ("Goods", "£1,151.93", "Parcel", "£6.90", "£1,158.83", "Terms", "free from £2,000.00"):
        assert part in page
    rows = reorder_csv_rows(sheet)
    assert rows[-1][:8] == ["Parcel", "", "", "", "", "", "6.90", "GBP"]
    assert sum(Decimal(row[6]) for row in rows[1:]) == Decimal("1158.83")


def test_the_delivery_address_has_a_frame_of_its_own_beside_the_suppliers() -> None:
    """The address of a workshop with a long name stands whole."""
    sheet = replace(
        SHEET, supplier_address="12 Mill Lane\nNorthmere", workshop="Tidewater " + "and Sons " * 7 + "Print"
    )
    (page,) = words(sheet)
    told = " ".join(page.split())
    assert "Deliver to Tidewater and Sons" in told
    for part in ("Unit 7, Old Ropewalk", "Quay Road", "12 Mill Lane", "Northmere"):
        assert part in told
    picture = pages_of(press_reorder_sheet(sheet, formats=FORMATS), 72)[0]
    edge = picture[:, -54:-50].min(axis=1) < 160
    assert max(width for _, width in runs_in(np.where(edge, 0, 255).astype(np.uint8))) > 50, "the frame's right side"


@pytest.mark.parametrize("count", [1, 30, 75])
def test_long_names_and_numbers_stand_whole_on_one_page_and_on_several(count: int) -> None:
    name = "PETG Deep harbour green with a long name, carbon filled, matt, 2.85 mm"
    lines = tuple(
        replace(LINE, article=f"{name}, {at}", their_number=f"NM-PETG-HARBOUR-{at:06d}-REV-C", total_minor=10**11 + at)
        for at in range(count)
    )
    sheet = replace(SHEET, lines=lines, freight_minor=690, notes="Ring at the gate.")
    pdf = press_reorder_sheet(sheet, formats=FORMATS)
    pages = [" ".join(page.split()) for page in words(sheet)]
    assert len(pages) == {1: 1, 30: 3, 75: 6}[count]
    for number, page in enumerate(pages, 1):
        assert f"Page {number} of {len(pages)}" in page
    told = "".join("".join(pages).split())
    assert all(f"NM-PETG-HARBOUR-{at:06d}-REV-C" in told for at in range(count))
    assert "".join(FORMATS.money(sum(line.total_minor for line in lines) + 690).split()) in told
    assert codes_in(pages_of(pdf, 300)[0]) == ["R00003149"]


def test_several_orders_are_one_file_each_on_pages_of_its_own() -> None:
    other = replace(SHEET, order_code=Code(CodeKind.ORDER, 32), reference=Code(CodeKind.ORDER, 32).text, currency="EUR")
    pdf = press_reorder_sheets([SHEET, LONG, other], formats=FORMATS)
    pages = words_of(pdf)
    assert [page.count("Page 1 of") for page in pages if "Page 1 of" in page] == [1, 1, 1]
    assert "€1,151.93" in pages[-1]
    assert [codes_in(page) for page in pages_of(pdf, 300) if codes_in(page)] == [
        ["R00003149"], ["R00003149"], [other.reference],
    ]  # fmt: skip
    assert pdf == press_reorder_sheets([SHEET, LONG, other], formats=FORMATS)
    with pytest.raises(BadInput):
        press_reorder_sheets([], formats=FORMATS)


def test_half_a_gram_is_not_lost_in_the_rows() -> None:
    assert reorder_csv_rows(replace(SHEET, lines=(replace(LINE, spool_mg=750_500),)))[1][2] == "750.5"


def test_a_sheet_that_asks_for_nothing_is_refused() -> None:
    with pytest.raises(BadInput) as refused:
        press_reorder_sheet(replace(SHEET, lines=()), formats=FORMATS)
    assert refused.value.code == "nothing_to_order"


def test_a_currency_that_is_none_is_refused() -> None:
    with pytest.raises(BadInput) as refused:
        press_reorder_sheet(replace(SHEET, currency="XYZ1"), formats=FORMATS)
    assert refused.value.code == "bad_currency"
