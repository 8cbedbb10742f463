"""Sheets as workshops send them, and as we send them back."""

import csv
import re
import zipfile
from io import BytesIO, StringIO

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from spoolkeep.domain.errors import BadInput
from spoolkeep.domain.sheets import (
    Sheet,
    SheetRow,
    guarded,
    key_problems,
    read_sheet,
    row_digest,
    row_key,
    row_keys,
    unguarded,
    write_sheet,
)

NEEDS = ("material", "grams")
KNOWS = ("id", "note", "made_by")


def read(text: str, encoding: str = "utf-8") -> Sheet:
    """Give the sheet that a text is."""
    return read_sheet(text.encode(encoding), needs=NEEDS, knows=KNOWS)


def cells(sheet: Sheet) -> list[tuple[int, str, str]]:
    """Give each row's line, material and grams."""
    return [(row.line, row.cells["material"], row.cells["grams"]) for row in sheet.rows]


@pytest.mark.parametrize(
    ("delimiter", "text"),
    [
        (",", "material,grams\nPLA,12.5\n"),
        (";", 'material;grams;"a, b, c"\nPLA;12.5\n'),
        ("\t", "material\tgrams\r\nPLA\t12.5\r\n"),
        (",", '"material",grams\r\nPLA,12.5'),
    ],
)
def test_the_header_shows_the_delimiter(delimiter: str, text: str) -> None:
    sheet = read(text)
    assert (sheet.delimiter, cells(sheet)) == (delimiter, [(2, "PLA", "12.5")])


@pytest.mark.parametrize(
    ("encoding", "found"),
    [
        ("utf-8", "utf-8"),
        ("utf-8-sig", "utf-8-sig"),
        ("utf-16", "utf-16"),
        ("cp1252", "cp1252"),
    ],
)
def test_accents_survive_whatever_the_sheet_was_saved_as(encoding: str, found: str) -> None:
    sheet = read("material,grams,note\nPLA,1,grün 5 € “A”\n", encoding)
    assert (sheet.encoding, sheet.rows[0].cells["note"]) == (found, "grün 5 € “A”")


def test_a_big_endian_sheet_is_read_by_its_mark() -> None:
    assert read("\ufeffmaterial,grams\nPLA,1\n", "utf-16-be").encoding == "utf-16"


def test_column_names_are_compared_without_case_and_spaces() -> None:
    sheet = read(" Material , GRAMS,Made  by,Shelf\nPLA,1,a,b\n")
    assert sheet.columns == ("material", "grams", "made_by")
    assert sheet.unknown_columns == ("Shelf",)
    assert sheet.rows[0].cells == {"material": "PLA", "grams": "1", "id": "", "note": "", "made_by": "a"}


def test_a_row_has_the_number_of_the_line_on_which_it_starts() -> None:
    sheet = read('\n"material",grams,note\nPLA,1,"two\nlines"\n\nABS,2,x\n,,\nPA,3\n')
    assert cells(sheet) == [(3, "PLA", "1"), (6, "ABS", "2"), (8, "PA", "3")]
    assert sheet.rows[0].cells["note"] == "two\nlines"


def test_an_old_line_end_is_a_line_end() -> None:
    assert cells(read("material,grams\rPLA,1\rABS,2\r")) == [(2, "PLA", "1"), (3, "ABS", "2")]


def test_a_row_with_too_many_cells_is_reported_and_the_others_are_read() -> None:
    sheet = read("material,grams\nPLA,12,5\nABS,2,,\n")
    assert cells(sheet) == [(3, "ABS", "2")]
    assert [(problem.line, problem.column, problem.code) for problem in sheet.problems] == [(2, None, "too_many_cells")]


def test_empty_columns_at_the_right_are_ignored() -> None:
    assert read("material,grams,,\nPLA,1,,\n").columns == NEEDS


@pytest.mark.parametrize(
    ("data", "code"),
    [
        (b"", "empty_sheet"),
        (b"\xef\xbb\xbf\r\n  \r\n,,\r\n", "empty_sheet"),
        (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1", "not_a_text_sheet"),
        (b"%PDF-1.7\n", "not_a_text_sheet"),
        (b"material,grams\n\0,1\n", "not_a_text_sheet"),
        (b"\xff\xfe\x00", "not_a_text_sheet"),
        (b"material,\x81grams\n", "not_a_text_sheet"),
        (b"material,weight\nPLA,1\n", "missing_column"),
        (b"material,grams,Grams\nPLA,1,2\n", "column_twice"),
        (b"material,,grams\nPLA,1,2\n", "unnamed_column"),
        (b'material,grams\nPLA,"1\nABS,2\n', "bad_quotes"),
        (b'material,grams\n"PLA" ,1\n', "bad_quotes"),
        (b'"\'\t"\n', "empty_sheet"),
    ],
)
def test_a_file_that_is_no_sheet_is_refused_whole(data: bytes, code: str) -> None:
    with pytest.raises(BadInput) as refused:
        read_sheet(data, needs=NEEDS, knows=KNOWS)
    assert refused.value.code == code


def test_a_workbook_is_refused_with_the_way_out() -> None:
    made = BytesIO()
    with zipfile.ZipFile(made, "w") as workbook:
        workbook.writestr("[Content_Types].xml", "<Types/>")
    with pytest.raises(BadInput, match="save it as CSV"):
        read_sheet(made.getvalue(), needs=NEEDS, knows=KNOWS)


def test_a_missing_column_is_named_beside_those_that_are_there() -> None:
    with pytest.raises(BadInput, match=r"lacks the column “grams”\. Its first line has “material”, “weight”"):
        read("material,weight\nPLA,1\n")


def test_the_place_of_a_lost_quotation_mark_is_named() -> None:
    with pytest.raises(BadInput, match="From line 3 on"):
        read('material,grams\nPLA,1\nABS,"2\nPA,3\n')


def test_a_row_is_known_again_in_another_order_of_columns_and_with_an_empty_column_more() -> None:
    one = read("material,grams\nPLA, 1\n")
    other = read("note;grams;material\r\n;1;PLA \r\n", "utf-16")
    assert row_keys(one) == row_keys(other)


def test_two_equal_rows_are_two_events_and_stay_two() -> None:
    keys = row_keys(read("material,grams\nPLA,1\nABS,1\nPLA,1\n"))
    assert [key.split(":")[2] for key in keys] == ["1", "1", "2"]
    assert len(set(keys)) == 3


def test_a_corrected_file_changes_only_the_corrected_key() -> None:
    before = row_keys(read("material,grams\nPLA,1\nABS,1\n"))
    after = row_keys(read("material,grams\nPA,9\nPLA,1\nABS,2\n"))
    assert set(before) & set(after) == {before[0]}


def test_an_own_id_outlasts_a_correction() -> None:
    first, second = (read(f"id,material,grams\n 7 ,PLA,{grams}\n").rows[0].cells for grams in (1, 2))
    assert row_key(first) == row_key(second) == "id:7"
    assert row_digest(first) != row_digest(second)


def test_a_row_without_its_id_is_known_by_its_content() -> None:
    keys = row_keys(read("id,material,grams\n7,PLA,1\n,PLA,1\n,PLA,1\n"))
    assert [key.partition(":")[0] for key in keys] == ["id", "row", "row"]
    assert row_keys(read("material,grams\nPLA,1\nPLA,1\n")) == keys[1:]


def test_an_id_cannot_pass_for_a_content_key() -> None:
    content = row_key({"material": "PLA"})
    assert row_key({"id": content}) == f"id:{content}" != content


def test_an_id_that_comes_twice_is_reported_with_whether_its_content_agrees() -> None:
    sheet = read("id,material,grams\n7,PLA,1\n7,PLA,1\n8,ABS,1\n7,PLA,2\n")
    assert [(problem.line, problem.column, problem.code) for problem in key_problems(sheet)] == [
        (3, "id", "row_twice"),
        (5, "id", "id_twice"),
    ]


def test_content_that_could_be_cut_otherwise_has_another_digest() -> None:
    assert row_digest({"a": "b,c", "d": "e"}) != row_digest({"a": "b", "c,d": "e"})
    assert row_digest({"a": "1", "b": "2"}) != row_digest({"a": "2", "b": "1"})


@pytest.mark.parametrize(
    ("cell", "written"),
    [
        # OWASP, CSV Injection: cells that begin with = + - @ tab, carriage return or line feed
        ("=1+2", "'=1+2"),
        ("+1+2", "'+1+2"),
        ("-1+2", "'-1+2"),
        ("@SUM(A1)", "'@SUM(A1)"),
        ("\t=1", "'\t=1"),
        ("\r=1", "'\r=1"),
        ("\n=1", "'\n=1"),
        ('=1+2";=1+2', "'=1+2\";=1+2"),  # its first example
        ("=1+2'\" ;,=1+2", "'=1+2'\" ;,=1+2"),  # its second
        (" =1", "' =1"),
        ("＝1", "'＝1"),  # noqa: RUF001 - a wide form, which some spreadsheets run too; common practice
        ("-12.5", "-12.5"),
        ("-12,5", "-12,5"),
        ("+3", "+3"),
        ("-", "'-"),
        ("-1e5", "'-1e5"),
        ("PLA - grey", "PLA - grey"),
        ("'quoted'", "'quoted'"),
        ("", ""),
    ],
)
def test_a_cell_that_a_spreadsheet_would_run_is_written_as_text(cell: str, written: str) -> None:
    assert guarded(cell) == written
    assert unguarded(written) == cell


TRICKY = st.text(st.sampled_from("=+-@'\t\r\n ,;\"1a."), max_size=8)


@given(cell=st.one_of(TRICKY, st.text(max_size=8)))
@example("'=1")
@example("''-5")
def test_a_guard_is_taken_away_exactly(cell: str) -> None:
    assert unguarded(guarded(cell)) == cell


LETTERS = st.characters(codec="utf-8", exclude_characters="\0")
CELL = st.one_of(TRICKY, st.text(LETTERS, max_size=12))


@given(rows=st.lists(st.tuples(CELL, CELL, CELL), max_size=8))
def test_our_own_sheet_reads_back_as_it_was(rows: list[tuple[str, str, str]]) -> None:
    data = write_sheet(("material", "grams", "note"), rows)
    sheet = read_sheet(data, needs=NEEDS, knows=KNOWS)
    filled = [row for row in rows if any(cell.strip() for cell in row)]
    assert [(row.cells["material"], row.cells["grams"], row.cells["note"]) for row in sheet.rows] == filled
    assert (sheet.problems, sheet.encoding, sheet.delimiter) == ((), "utf-8-sig", ",")


@given(rows=st.lists(st.tuples(CELL, CELL), min_size=1, max_size=8))
def test_no_cell_that_we_write_begins_as_a_formula(rows: list[tuple[str, str]]) -> None:
    text = write_sheet(("material", "grams"), rows).decode("utf-8-sig")
    written = [cell for record in csv.reader(StringIO(text, newline="")) for cell in record]
    texts = [cell for cell in written if not re.fullmatch(r"[+-][0-9]+([.,][0-9]+)?", cell)]
    assert not {cell[:1] for cell in texts} & set("=+-@\t\r\n")


def test_our_sheets_are_marked_as_utf_8_and_end_their_lines_as_the_standard_says() -> None:
    # RFC 4180, section 2: CRLF, and quotes doubled inside quotes
    made = write_sheet(["colour", "grams"], [['5" blue', "-12.5"], ["a\0b", "=2*3"]])
    assert made == b'\xef\xbb\xbfcolour,grams\r\n"5"" blue",-12.5\r\nab,\'=2*3\r\n'


def test_a_row_is_its_line_and_its_cells() -> None:
    assert read("material,grams,id\nPLA,1,7\n").rows == (
        SheetRow(2, {"material": "PLA", "grams": "1", "id": "7", "note": "", "made_by": ""}),
    )
