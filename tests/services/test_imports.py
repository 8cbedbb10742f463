"""Imports: a sheet's rows are booked once, whole or not at all, and can be taken back whole."""

from collections.abc import Callable
from datetime import date, datetime, timedelta

import pytest
from sqlalchemy import func, select
from sqlmodel import col

from spoolkeep.domain.errors import BadInput, Conflict, NotFound
from spoolkeep.services import money
from spoolkeep.services.imports import COLUMNS, ImportReport, import_sheet, preview, sheet_kind
from spoolkeep.services.undoing import undo_act
from spoolkeep.store.acts import By
from spoolkeep.store.engine import Store
from spoolkeep.store.proof import differences
from spoolkeep.store.tables import Act, ImportRow, TakingsLine

Give = Callable[..., ImportReport]

TAKINGS = "day,channel,amount\n2026-03-01,Counter,120.50\n2026-03-02,Counter,80\n2026-03-02,Counter,80\n"


@pytest.fixture
def give(store: Store, now: datetime, by: Callable[[], By]) -> Give:
    """Give what imports a sheet's text or bytes with a new key."""

    def import_it(sheet: str, text: str | bytes, *, source: str = "", key: By | None = None) -> ImportReport:
        data = text.encode() if isinstance(text, str) else text
        with store.write() as session:
            return import_sheet(
                session=session, now=now, by=key or by(), sheet=sheet, source=source or f"{sheet}.csv", data=data
            )

    return import_it


def taken(store: Store) -> int:
    with store.read() as session:
        assert list(differences(session)) == []
        return int(session.scalars(select(func.coalesce(func.sum(col(TakingsLine.amount_minor)), 0))).one())


def acts(store: Store) -> int:
    with store.read() as session:
        return session.scalars(select(func.count(col(Act.id)))).one()


def test_a_sheet_is_booked_with_every_row(store: Store, give: Give) -> None:
    report = give("takings", TAKINGS)
    assert (report.rows, report.new, report.known, report.problems) == (3, 3, 0, ())
    assert taken(store) == 28_050


def test_the_same_file_twice_has_the_effect_of_once(store: Store, give: Give) -> None:
    give("takings", TAKINGS)
    before = acts(store)
    report = give("takings", TAKINGS)
    assert (report.new, report.known, report.act_id) == (0, 3, None)
    assert (taken(store), acts(store)) == (28_050, before)


def test_the_same_request_sent_twice_gets_the_same_answer(store: Store, give: Give, by: Callable[[], By]) -> None:
    key = by()
    first = give("takings", TAKINGS, key=key)
    assert give("takings", TAKINGS, key=key) == first
    assert taken(store) == 28_050


def test_the_same_key_with_another_file_is_refused(store: Store, give: Give, by: Callable[[], By]) -> None:
    key = by()
    give("takings", TAKINGS, key=key)
    with pytest.raises(Conflict, match="used before"):
        give("takings", "day,channel,amount\n2026-03-03,Counter,1\n", key=key)
    assert taken(store) == 28_050


def test_a_corrected_file_adds_only_what_is_new(store: Store, give: Give) -> None:
    give("takings", TAKINGS)
    report = give("takings", TAKINGS + "2026-03-02,Counter,80\n2026-03-03,Web,10\n")
    assert (report.new, report.known) == (2, 3)
    assert taken(store) == 37_050


def test_rows_that_vanished_are_listed_and_stay_in_the_books(store: Store, give: Give) -> None:
    give("takings", TAKINGS)
    report = give("takings", "day,channel,amount\n2026-03-02,Counter,80\n")
    assert [row.line for row in report.vanished] == [2, 4]
    assert taken(store) == 28_050


def test_rows_of_another_file_have_not_vanished(give: Give) -> None:
    give("takings", TAKINGS, source="february.csv")
    report = give("takings", "day,channel,amount\n2026-03-04,Counter,5\n", source="march.csv")
    assert report.vanished == ()


def test_two_files_may_number_their_rows_alike(store: Store, give: Give) -> None:
    give("takings", "id,day,channel,amount\n1,2026-03-01,Counter,12\n", source="larch.csv")
    report = give("takings", "id,day,channel,amount\n1,2026-03-02,Web,30\n", source="birch.csv")
    assert (report.new, report.problems, report.notes) == (1, (), ())
    assert taken(store) == 4200
    again = give("takings", "id,day,channel,amount\n1,2026-03-01,Counter,12\n", source="larch.csv")
    assert (again.new, again.known) == (0, 1)


def test_the_same_row_in_two_files_is_two_rows_and_is_pointed_out(store: Store, give: Give) -> None:
    first = give("takings", TAKINGS, source="larch.csv")
    report = give("takings", "day,channel,amount\n2026-03-02,Counter,80\n2026-03-04,Web,1\n", source="birch.csv")
    assert (report.new, report.known) == (2, 0)
    assert taken(store) == 36_150
    advice = "If this is the same file under another name, import it as “larch.csv” instead."
    assert report.notes == (
        f"New rows that were imported before from “larch.csv” (act {first.act_id}), word for word: 1. {advice}",
        f"Rows that were imported before count twice now. If that is wrong, undo act {report.act_id}.",
    )


@pytest.mark.parametrize("head", ["", "id,"])
def test_a_file_that_was_renamed_is_noticed_before_it_is_booked(
    store: Store, give: Give, now: datetime, head: str
) -> None:
    rows = ("day,channel,amount", "2026-03-01,Counter,12", "2026-03-02,Counter,12")
    text = "\n".join((f"{at}," if head and at else head) + row for at, row in enumerate(rows))
    give("takings", text, source="till.csv")
    with store.read() as session:
        report = preview(session=session, now=now, sheet="takings", source="till (1).csv", data=text.encode())
    (note,) = report.notes
    assert note.startswith("New rows that were imported before from “till.csv”")
    assert "word for word: 2." in note
    assert give("takings", text, source="till.csv").notes == ()


def test_an_import_that_was_undone_is_not_pointed_out(
    store: Store, give: Give, now: datetime, by: Callable[[], By]
) -> None:
    first = give("takings", TAKINGS, source="larch.csv")
    with store.write() as session:
        undo_act(session=session, now=now, by=by(), act_id=first.act_id or 0)
    assert give("takings", TAKINGS, source="birch.csv").notes == ()


def test_every_bad_row_is_reported_with_its_line_and_column(give: Give) -> None:
    text = "day,channel,amount,kind\n2026-03-01,Counter,12\n2026-13-01,,x,gift\n2026-03-01,Counter,-5,\n,Counter,0,\n"
    report = give("takings", text)
    found = {(one.line, one.column, one.code) for one in report.problems}
    assert found == {
        (3, "day", "bad_date"),
        (3, "channel", "empty_cell"),
        (3, "amount", "not_a_number"),
        (3, "kind", "unknown_word"),
        (4, "amount", "negative_price"),
        (5, "day", "empty_cell"),
        (5, "amount", "not_positive"),
    }
    assert [one.line for one in report.problems] == sorted(one.line for one in report.problems)
    assert all(one.words.endswith(".") for one in report.problems)


def test_with_one_bad_row_nothing_is_booked(store: Store, give: Give) -> None:
    before = acts(store)
    report = give("takings", TAKINGS + "2026-03-03,Counter,nothing\n")
    assert [one.line for one in report.problems] == [5]
    assert (report.act_id, taken(store), acts(store)) == (None, 0, before)
    assert give("takings", TAKINGS).new == 3


def test_a_preview_books_nothing(store: Store, now: datetime) -> None:
    with store.read() as session:
        report = preview(session=session, now=now, sheet="takings", source="takings.csv", data=TAKINGS.encode())
    assert (report.new, report.act_id) == (3, None)
    assert taken(store) == 0


def test_undoing_an_import_takes_all_of_it_back_and_frees_its_rows(
    store: Store, give: Give, now: datetime, by: Callable[[], By]
) -> None:
    first = give("takings", TAKINGS)
    with store.write() as session:
        undo_act(session=session, now=now, by=by(), act_id=first.act_id or 0)
    assert taken(store) == 0
    again = give("takings", TAKINGS)
    assert again.new == 3
    assert taken(store) == 28_050


def test_an_undone_import_is_not_done_again_once_its_rows_are_in_the_books_anew(
    store: Store, give: Give, now: datetime, by: Callable[[], By]
) -> None:
    first = give("machines", "name,feeds\nHeron,1\n")
    with store.write() as session:
        undone = undo_act(session=session, now=now, by=by(), act_id=first.act_id or 0)
    assert give("machines", "name,feeds\nHeron,1\n").new == 1
    with pytest.raises(Conflict, match="made again"), store.write() as session:
        undo_act(session=session, now=now, by=by(), act_id=undone.act_id)


def test_a_row_with_its_own_id_and_other_figures_is_refused_until_its_import_is_undone(
    store: Store, give: Give, now: datetime, by: Callable[[], By]
) -> None:
    first = give("takings", "id,day,channel,amount\n7,2026-03-01,Counter,12\n")
    changed = "id,day,channel,amount\n7,2026-03-01,Counter,13\n"
    (problem,) = give("takings", changed).problems
    assert (problem.line, problem.column, problem.code) == (2, "id", "imported_otherwise")
    assert f"Undo act {first.act_id}" in problem.words
    with store.write() as session:
        undo_act(session=session, now=now, by=by(), act_id=first.act_id or 0)
    assert give("takings", changed).new == 1
    assert taken(store) == 1300


def test_two_rows_with_one_id_are_refused(give: Give) -> None:
    report = give("takings", "id,day,channel,amount\n7,2026-03-01,Counter,12\n7,2026-03-01,Counter,13\n")
    assert [(one.line, one.code) for one in report.problems] == [(3, "id_twice")]


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "cp1252"])
@pytest.mark.parametrize("delimiter", [",", ";", "\t"])
def test_other_encodings_and_delimiters_are_read(
    sqlite_store: Store, now: datetime, by: Callable[[], By], encoding: str, delimiter: str
) -> None:
    text = delimiter.join(("day", "channel", "amount")) + "\r\n" + delimiter.join(("2026-03-01", "Café", "12.5"))
    data = text.encode(encoding)
    with sqlite_store.write() as session:
        report = import_sheet(session=session, now=now, by=by(), sheet="takings", source="a.csv", data=data)
        assert report.problems == ()
        assert money.view(session=session).channels == ("Café",)


def test_a_comma_may_stand_before_the_decimals(store: Store, give: Give) -> None:
    give("takings", "day;channel;amount\n2026-03-01;Counter;12,50\n")
    assert taken(store) == 1250


def test_a_date_in_the_future_is_refused(give: Give, now: datetime) -> None:
    tomorrow = now.date() + timedelta(days=1)
    (problem,) = give("takings", f"day,channel,amount\n{tomorrow},Counter,12\n").problems
    assert (problem.column, problem.code) == ("day", "in_the_future")


def test_a_formula_in_a_cell_is_text_and_is_never_run(store: Store, give: Give) -> None:
    give("takings", "day,channel,amount\n2026-03-01,=1+1,12\n")
    with store.read() as session:
        assert money.view(session=session).channels == ("=1+1",)
    (problem,) = give("takings", "day,channel,amount\n2026-03-01,Counter,=6+6\n").problems
    assert problem.code == "not_a_number"


def test_columns_that_are_not_known_are_named(give: Give) -> None:
    report = give("takings", "day,channel,amount,till\n2026-03-01,Counter,12,3\n")
    assert report.notes == ("These columns are not known here and were left out: “till”.",)


def test_a_column_that_is_missing_is_named(give: Give) -> None:
    with pytest.raises(BadInput, match="amount"):
        give("takings", "day,channel\n2026-03-01,Counter\n")


def test_a_sheet_that_is_none_is_refused_with_those_that_there_are(give: Give) -> None:
    with pytest.raises(NotFound, match="machines, places"):
        give("weather", "day\n")


def test_refunds_and_fees_go_out(store: Store, give: Give) -> None:
    text = "day,channel,amount,kind\n2026-03-01,Web,100,\n2026-03-01,Web,30,refund\n2026-03-01,Web,5,fee\n"
    give("takings", text)
    assert taken(store) == 6500
    with store.read() as session:
        # fees are a cost of selling: material share leaves them out
        (month,) = money.view(session=session).months
    assert (month.month, month.takings_minor) == (date(2026, 3, 1), 7000)


def test_what_was_imported_is_kept_by_source_and_line(store: Store, give: Give) -> None:
    report = give("takings", TAKINGS, source="till.csv")
    with store.read() as session:
        rows = session.scalars(select(ImportRow).order_by(col(ImportRow.line))).all()
    assert [(row.source, row.line, row.act_id) for row in rows] == [("till.csv", at, report.act_id) for at in (2, 3, 4)]


def test_every_column_says_what_stands_in_it() -> None:
    for sheet, columns in COLUMNS.items():
        names = [column.name for column in columns]
        assert len(set(names)) == len(names)
        assert all(column.says for column in columns)
        assert any(column.needed for column in columns) or sheet_kind(sheet).one_of


def test_a_report_can_be_printed_as_json(give: Give) -> None:
    said = give("takings", TAKINGS + "2026-03-03,Counter,x\n").as_json()
    assert said["problems"][0]["line"] == 5
