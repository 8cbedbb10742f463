"""Each kind of value stands in a CSV so that it comes back exactly, and nothing is taken for something else."""

import csv
import io
from datetime import UTC, date, datetime, timedelta, timezone
from typing import Any

import hypothesis.strategies as st
import pytest
from hypothesis import given
from sqlalchemy import BigInteger, Boolean, Column, Date, Float, Integer, LargeBinary, String

from spoolkeep.store.carrying import LEFT_OUT, SECRET_COLUMNS, carried, left_out
from spoolkeep.store.cells import kind_of, reader_of, writer_of
from spoolkeep.store.columns import Moment

SECRET = ("secret", "password", "token", "cookie")
TEXTS = st.text(st.characters(exclude_categories=["Cs"]))
KINDS: dict[str, tuple[Column[Any], st.SearchStrategy[Any]]] = {
    "text": (
        Column("text", String()),
        TEXTS | st.sampled_from(["", "\\N", "\\", "=1+1", " a", "a\r\nb", "\r", "ä,“x”"]),
    ),
    "integer": (Column("integer", BigInteger()), st.integers(-(2**63), 2**63 - 1)),
    "small": (Column("small", Integer()), st.integers(-(2**31), 2**31 - 1)),
    "boolean": (Column("boolean", Boolean()), st.booleans()),
    "day": (Column("day", Date()), st.dates()),
    "moment": (Column("moment", Moment()), st.datetimes(timezones=st.just(UTC))),
    "bytes": (Column("bytes", LargeBinary()), st.binary()),
}
ROWS = st.fixed_dictionaries({name: st.none() | values for name, (_, values) in KINDS.items()})


@given(st.lists(ROWS, min_size=1))
def test_every_value_comes_back_exactly_through_a_file(rows: list[dict[str, Any]]) -> None:
    file = io.StringIO(newline="")
    out = csv.writer(file, lineterminator="\r\n")
    out.writerows([[writer_of(column)(row[name]) for name, (column, _) in KINDS.items()] for row in rows])
    file.seek(0)
    back = [
        {name: reader_of(column)(cell) for cell, (name, (column, _)) in zip(cells, KINDS.items(), strict=True)}
        for cells in csv.reader(file, strict=True)
    ]
    assert back == rows
    assert all(type(one[name]) is type(row[name]) for one, row in zip(back, rows, strict=True) for name in KINDS)


def test_nothing_and_an_empty_text_are_told_apart() -> None:
    write = writer_of(Column("note", String()))
    assert [write(None), write(""), write("\\N"), write("\\")] == ["\\N", "", "\\\\N", "\\\\"]


def test_a_moment_of_another_zone_is_the_same_moment_in_utc() -> None:
    read = reader_of(Column("at", Moment()))
    east = datetime(2026, 3, 4, 13, tzinfo=timezone(timedelta(hours=1)))
    assert read(east.isoformat()) == read("2026-03-04T12:00:00Z") == datetime(2026, 3, 4, 12, tzinfo=UTC)


@pytest.mark.parametrize(
    ("kind", "cell"),
    [
        ("integer", "1.0"),
        ("integer", "1,000"),
        ("integer", "²"),
        ("integer", str(2**63)),
        ("integer", "-"),
        ("boolean", "TRUE"),
        ("boolean", "1"),
        ("day", "04.03.2026"),
        ("moment", "2026-03-04 12:00:00"),
        ("moment", "noon"),
        ("bytes", "00"),
        ("bytes", "x0"),
        ("text", "\\n"),
    ],
)
def test_what_a_spreadsheet_made_of_a_cell_is_refused_and_not_guessed(kind: str, cell: str) -> None:
    with pytest.raises(ValueError, match=r"(is |begins )"):
        reader_of(KINDS[kind][0])(cell)


def test_a_kind_of_column_without_a_rule_is_noticed() -> None:
    with pytest.raises(TypeError, match="no rule says how"):
        kind_of(Column("share", Float()))


def test_every_table_is_carried_or_named_as_left_out() -> None:
    everything = {one.table.metadata for one in carried()}
    assert len(everything) == 1
    tables = set(everything.pop().tables)
    names = [one.table.name for one in carried()]
    assert set(LEFT_OUT) <= tables
    assert sorted([*names, *LEFT_OUT]) == sorted(tables)
    assert {"act", "movement", "line", "takings_line", "change", "spool", "workshop"} <= set(names)


def test_no_secret_is_carried_and_every_column_is_carried_or_named() -> None:
    columns = {f"{one.table.name}.{column.name}" for one in carried() for column in one.columns}
    assert {name for name in columns if any(word in name for word in SECRET)} == set()
    hashes = {name for name in columns if "hash" in name}
    assert hashes == {"act.request_hash"}, "what a request said, not who sent it"
    there = {f"{one.table.name}.{column.name}" for one in carried() for column in one.table.columns}
    assert there - columns == set(left_out()) - set(LEFT_OUT) >= set(SECRET_COLUMNS)


def test_what_is_left_out_with_a_table_may_be_nothing() -> None:
    """A column that points at a table that is left out comes back empty, so it must be one that may be."""
    for one in carried():
        for column in one.table.columns:
            assert column in set(one.columns) or column.nullable, column


def test_each_kind_of_column_has_its_rule() -> None:
    assert {kind_of(column) for one in carried() for column in one.columns} <= set(KINDS)


def test_days_are_written_with_four_digits_of_the_year() -> None:
    assert writer_of(Column("day", Date()))(date(1, 2, 3)) == "0001-02-03"
