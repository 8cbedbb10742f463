"""Imports of what a workshop has and prints: spools come in with what is left, jobs draw from the right spool."""

from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta

import pytest
from sqlalchemy import func, select
from sqlmodel import col

from spoolkeep.domain.errors import Conflict
from spoolkeep.services import history, joblist, spools, stock
from spoolkeep.services.imports import ImportReport, import_sheet
from spoolkeep.services.undoing import undo_act
from spoolkeep.store.acts import By
from spoolkeep.store.engine import Store
from spoolkeep.store.proof import differences
from spoolkeep.store.tables import (
    Article,
    Feed,
    Job,
    Loading,
    Offer,
    Place,
    PriceBreak,
    ProductPart,
    Spool,
    Supplier,
    Workshop,
)

Give = Callable[..., ImportReport]

SPOOLS = "material,colour,shade,left_g,received_g,counted_on,received_on,opened_on,cost"
FULL = f"{SPOOLS}\nPLA,Black,#222222,1000,1000,2026-02-01,2026-02-01,,20\n"


@pytest.fixture
def give(store: Store, now: datetime, by: Callable[[], By]) -> Give:
    """Give what imports a sheet's text with a new key, and proves the books after it."""

    def import_it(sheet: str, text: str, *, source: str = "") -> ImportReport:
        with store.write() as session:
            report = import_sheet(
                session=session, now=now, by=by(), sheet=sheet, source=source or f"{sheet}.csv", data=text.encode()
            )
        with store.read() as session:
            assert list(differences(session)) == []
        return report

    return import_it


def left_g(store: Store, *codes: str) -> list[float]:
    with store.read() as session:
        return [spools.view(session=session, spool_code=code).left_mg / 1000 for code in codes]


def waiting(store: Store) -> list[tuple[float, str | None]]:
    with store.read() as session:
        found = joblist.open_draws(session=session)
    return [(one.mg / 1000, one.item.name if one.item else None) for one in found]


def test_a_spool_comes_in_with_its_cost_and_what_was_used_before_is_no_draw(store: Store, give: Give) -> None:
    report = give("spools", f"{SPOOLS}\nPLA,Black,#222222,250,1000,,2026-02-01,2026-02-02,20.00\n")
    assert len(report.codes) == 1
    with store.read() as session:
        spool = spools.view(session=session, spool_code=report.codes[0])
        past = history.read(session, {spool.item.article_id: 1}, today=date(2026, 3, 4), closed=())
    # value: cost x left / received = 20.00 x 250 / 1000
    assert (spool.left_mg, spool.received_mg, spool.value_minor) == (250_000, 1_000_000, 500)
    assert not past.grams.any()


def test_late_jobs_before_the_count_take_nothing_off_again(store: Store, give: Give) -> None:
    (code,) = give("spools", f"{SPOOLS}\nPLA,Black,#222222,250,1000,2026-03-03,2026-02-01,2026-02-02,20\n").codes
    give("jobs", "ended_at,title,grams,material,colour\n2026-02-20 10:00,Vase,300,PLA,Black\n")
    assert left_g(store, code) == [250]
    give("jobs", "ended_at,title,grams,material,colour\n2026-03-03 10:00,Vase,40,PLA,Black\n", source="b.csv")
    assert left_g(store, code) == [210]


def test_items_places_and_suppliers_are_made_where_they_are_new(store: Store, give: Give) -> None:
    text = (
        "material,colour,finish,shade,left_g,supplier,place\n"
        "PLA,Dusk,silk,#4a3f8c/#e79a6b,1000,Reed Goods,Shelf A\npla,dusk,,,500,reed goods,shelf a\n"
    )
    assert give("spools", text).problems == ()
    with store.read() as session:
        for model in (Article, Supplier, Place):
            assert session.scalars(select(func.count(col(model.id)))).one() == 1


def test_a_new_colour_without_a_shade_is_reported(give: Give) -> None:
    (problem,) = give("spools", "material,colour,left_g\nPLA,Mist,1000\n").problems
    assert (problem.line, problem.column, problem.code) == (2, "colour", "no_shade")


def test_more_left_than_was_on_the_new_spool_is_reported(give: Give) -> None:
    (problem,) = give("spools", "material,colour,shade,left_g,received_g\nPLA,Mist,#fff,1001,1000\n").problems
    assert problem.code == "more_than_new"


def test_a_spool_on_a_feed_is_loaded_since_it_was_opened(store: Store, give: Give) -> None:
    give("machines", "name,feeds\nHeron,1\nMagpie,2\n")
    head = "material,colour,shade,left_g,counted_on,received_on,opened_on,machine,feed\n"
    row = "PLA,Black,#222222,1000,2026-02-01,2026-02-01,2026-02-10,"
    (code,) = give("spools", f"{head}{row}heron,\n").codes
    with store.read() as session:
        loading = session.scalars(select(Loading)).one()
        assert (loading.from_at, loading.until_at) == (datetime(2026, 2, 10, 4, 0, tzinfo=UTC), None)
        assert spools.view(session=session, spool_code=code).feed == "Heron"
    taken = give("spools", f"{head}PLA,Black,,900,,,,Heron,\nPLA,Black,,900,,,,Magpie,\n", source="b.csv")
    assert [(one.line, one.code) for one in taken.problems] == [(2, "feed_is_taken"), (3, "which_feed")]


def test_a_draw_goes_to_the_oldest_opened_spool_and_on_to_the_next(store: Store, give: Give) -> None:
    text = (
        f"{SPOOLS}\n"
        "PLA,Black,#222222,1000,1000,2026-02-01,2026-02-01,,20\n"
        "PLA,Black,,1000,1000,2026-02-02,2026-02-02,2026-02-05,20\n"
        "PLA,Black,,100,1000,2026-02-03,2026-02-03,2026-02-04,20\n"
    )
    codes = give("spools", text).codes
    jobs = "ended_at,title,grams,material,colour\n2026-02-10 10:00,Vase,150,PLA,Black\n"
    give("jobs", jobs + "2026-02-11 10:00,Vase,1000,PLA,Black\n")
    # opened 4 Feb: 100 g, then opened 5 Feb: 50 + 950 g, then the unopened one: 50 g
    assert left_g(store, *codes) == [950, 0, 0]
    with store.read() as session:
        assert spools.view(session=session, spool_code=codes[0]).opened_on == date(2026, 2, 11)


def test_a_draw_leaves_what_later_draws_in_the_books_took(store: Store, give: Give) -> None:
    opened = FULL.replace("2026-02-01,,20", "2026-02-01,2026-02-05,20")
    text = f"{opened}PLA,Black,,1000,1000,2026-02-02,2026-02-02,,20\n"
    codes = give("spools", text).codes
    head = "ended_at,title,grams,spool,material,colour\n"
    give("jobs", f"{head}2026-02-20 10:00,Late,900,{codes[0]},,\n")
    give("jobs", f"{head}2026-02-10 10:00,Early,300,,PLA,Black\n", source="b.csv")
    assert left_g(store, *codes) == [0, 800]


def test_when_all_spools_of_an_item_are_empty_the_last_gives_more_than_it_has(store: Store, give: Give) -> None:
    (code,) = give("spools", FULL).codes
    report = give("jobs", "ended_at,title,grams,material,colour\n2026-02-10 10:00,Big,1200,PLA,Black\n")
    assert report.notes == ("1 spools gave more than was left on them. It was booked; weigh them.",)
    with store.read() as session:
        spool = spools.view(session=session, spool_code=code)
    assert (spool.left_mg, spool.doubtful) == (0, True)


def test_a_draw_from_before_any_spool_came_is_open_and_knows_its_item(store: Store, give: Give) -> None:
    (code,) = give("spools", FULL).codes
    report = give("jobs", "ended_at,title,grams,material,colour\n2026-01-10 10:00,Old,30,PLA,Black\n")
    assert report.notes == ("1 draws have no spool yet. Name their spools on the Jobs page.",)
    assert waiting(store) == [(30, "PLA Black")]
    assert left_g(store, code) == [1000]


def test_a_draw_on_a_feed_is_of_the_spool_that_was_on_it_then(store: Store, give: Give) -> None:
    give("machines", "name,feeds\nMagpie,2\n")
    head = "material,colour,shade,left_g,counted_on,received_on,opened_on,machine,feed\n"
    (code,) = give("spools", f"{head}PLA,Black,#222222,1000,2026-02-01,2026-02-01,2026-02-10,Magpie,2\n").codes
    jobs = "ended_at,title,grams,machine,feed,material,colour\n"
    give("jobs", f"{jobs}2026-02-11 10:00,A,50,Magpie,2,,\n2026-02-09 10:00,B,20,Magpie,2,,\n")
    assert left_g(store, code) == [950]
    assert waiting(store) == [(20, None)]


def test_rows_that_share_a_job_are_one_job_of_several_colours(store: Store, give: Give) -> None:
    give("spools", f"{FULL}PLA,White,#ffffff,1000,1000,2026-02-01,2026-02-01,,20\n")
    head = "job,ended_at,title,grams,material,colour,outcome\n"
    rows = "17,2026-02-10 10:00,Boat,30,PLA,Black,failed\n17,2026-02-10 10:00,Boat,9,PLA,White,failed\n"
    give("jobs", head + rows)
    give("jobs", f"{head}{rows}17,2026-02-10 10:00,Boat,2,PLA,White,failed\n")
    with store.read() as session:
        (job,) = joblist.ended(session=session)
    assert (job.drawn_mg, job.outcome) == (41_000, "failed")
    (problem,) = give("jobs", f"{head}17,2026-02-10 11:00,Boat,1,PLA,Black,failed\n").problems
    assert (problem.column, problem.code) == ("ended_at", "rows_disagree")


def test_a_planned_job_commits_its_grams(store: Store, give: Give, now: datetime) -> None:
    give("spools", FULL)
    text = "title,ended_at,grams,material,colour,state,due_at\nVase,,120,PLA,Black,planned,2026-03-09 18:00\n"
    assert give("jobs", text).problems == ()
    with store.read() as session:
        (row,) = stock.rows(session=session, now=now)
    assert (row.left_mg, row.committed_mg) == (1_000_000, 120_000)


def test_every_bad_job_is_reported_with_its_line(store: Store, give: Give) -> None:
    (code,) = give("spools", FULL).codes
    wrong = code[:-1] + str((int(code[-1]) + 1) % 10)
    text = (
        "ended_at,title,grams,material,colour,spool,machine\n"
        "2026-03-05 10:00,Ahead,10,PLA,Black,,\n"
        "2026-02-05 10:00,Zero,0,PLA,Black,,\n"
        f"2026-02-05 10:00,Typo,10,,,{wrong},\n"
        "2026-02-05 10:00,Nothing,10,,,,\n"
        ",No end,10,PLA,Black,,\n"
        "2026-02-05 10:00,,10,PLA,Lilac,,Crane\n"
        "2026-02-05 10:00,Heavy,2000000,PLA,Black,,\n"
    )
    found = [(one.line, one.column, one.code) for one in give("jobs", text).problems]
    assert found == [
        (2, "ended_at", "in_the_future"),
        (3, "grams", "not_positive"),
        (4, "spool", "mistyped_code"),
        (5, "material", "no_item"),
        (6, "ended_at", "empty_cell"),
        (7, "machine", "no_such_machine"),
        (7, "title", "empty_cell"),
        (7, "colour", "no_such_item"),
        (8, "grams", "too_heavy"),
    ]
    with store.read() as session:
        assert session.scalars(select(func.count(col(Job.id)))).one() == 0


def test_undoing_an_import_of_jobs_gives_the_plastic_back(
    store: Store, give: Give, now: datetime, by: Callable[[], By]
) -> None:
    (code,) = give("spools", FULL).codes
    jobs = "ended_at,title,grams,material,colour\n2026-02-10 10:00,Vase,150,PLA,Black\n"
    first = give("jobs", jobs)
    with store.write() as session:
        undo_act(session=session, now=now, by=by(), act_id=first.act_id or 0)
    assert left_g(store, code) == [1000]
    with store.read() as session:
        assert spools.view(session=session, spool_code=code).opened_on is None
        assert list(differences(session)) == []
    assert give("jobs", jobs).new == 1
    assert left_g(store, code) == [850]


def test_an_import_of_spools_that_jobs_drew_on_is_not_undone(
    store: Store, give: Give, now: datetime, by: Callable[[], By]
) -> None:
    first = give("spools", FULL)
    second = give("jobs", "ended_at,title,grams,material,colour\n2026-02-10 10:00,Vase,150,PLA,Black\n")
    with store.write() as session, pytest.raises(Conflict, match=f"Act {second.act_id} "):
        undo_act(session=session, now=now, by=by(), act_id=first.act_id or 0)


def test_an_undone_import_is_done_again_by_undoing_the_undo(
    store: Store, give: Give, now: datetime, by: Callable[[], By]
) -> None:
    first = give("spools", FULL)
    with store.write() as session:
        undone = undo_act(session=session, now=now, by=by(), act_id=first.act_id or 0)
    with store.write() as session:
        undo_act(session=session, now=now, by=by(), act_id=undone.act_id)
    assert left_g(store, *first.codes) == [1000]
    assert give("spools", FULL).known == 1


def test_a_local_time_that_occurs_twice_is_the_first_one_and_is_reported(
    sqlite_store: Store, by: Callable[[], By]
) -> None:
    with sqlite_store.write() as session:
        session.get_one(Workshop, 1).zone = "Europe/Dublin"
    after = datetime(2025, 10, 27, 12, 0, tzinfo=UTC)
    with sqlite_store.write() as session:
        for sheet, text in (
            ("spools", "material,colour,shade,left_g\nPLA,Black,#222222,900\n"),
            ("jobs", "ended_at,title,grams,material,colour\n2025-10-26 01:30,Night,10,PLA,Black\n"),
        ):
            report = import_sheet(session=session, now=after, by=by(), sheet=sheet, source=sheet, data=text.encode())
        job = session.scalars(select(Job)).one()
    # clocks went back at 02:00 summer time (UTC+1) on 26 October 2025: the first 01:30 is 00:30 UTC
    assert job.ended_at == datetime(2025, 10, 26, 0, 30, tzinfo=UTC)
    assert any(note.startswith("Line 2: this local time occurs twice") for note in report.notes)


def test_the_sheets_of_a_new_workshop_fit_together(store: Store, give: Give) -> None:
    give("machines", "name,feeds\nHeron,\nMagpie,4\n")
    give("places", "name,kind\nShelf A,\nDry box 1,dry box\n")
    give("articles", "material,colour,finish,shade\nPLA,Black,matt,#222222\nPLA,Gold,silk,#b8902f\n")
    give("suppliers", "name,address,lead_days\nReed Goods,1 Reed Lane,4\n")
    offers = "supplier,material,colour,spool_g,price,pack,ean,breaks\n"
    give("offers", f"{offers}Reed Goods,PLA,Black,1000,16.90,2,6291041500213,6:15.90 12:14.90\n")
    give("products", "name,price,parts\nFrame,92.00,PLA Gold (silk): 44; PLA Black: 8.5\n")
    with store.read() as session:
        assert session.scalars(select(func.count(col(Feed.id)))).one() == 5
        assert session.scalars(select(Offer)).one().retail_code == "6291041500213"
        breaks = session.scalars(select(PriceBreak).order_by(col(PriceBreak.from_spools))).all()
        assert [(one.from_spools, one.price_minor) for one in breaks] == [(6, 1590), (12, 1490)]
        assert sorted(session.scalars(select(col(ProductPart.mg)))) == [8500, 44_000]


def test_a_sheet_tells_a_supplier_s_terms(store: Store, give: Give) -> None:
    columns = "name,give_or_take,order_days,least,mail,note"
    give("suppliers", f"{columns}\nReed Goods,2,Monday thu,50,orders@reed.example,Ask for Ivo\nMill,,,,,\n")
    with store.read() as session:
        reed, mill = session.scalars(select(Supplier).order_by(col(Supplier.id))).all()
    assert (reed.lead_spread_days, reed.order_days, reed.least_minor) == (2, 0b0001001, 5000)
    assert (reed.mail, reed.note) == ("orders@reed.example", "Ask for Ivo")
    assert (mill.lead_spread_days, mill.order_days, mill.least_minor) == (None, 127, None)


@pytest.mark.parametrize(
    ("sheet", "text", "column", "code"),
    [
        ("machines", "name,feeds\nHeron,0\n", "feeds", "no_such_feeds"),
        ("machines", "name\nHeron\nHERON\n", "name", "name_is_taken"),
        ("places", "name,kind\nA,cellar\n", "kind", "unknown_word"),
        ("articles", "material,colour,shade\nWOOD,Oak,#aabbcc\n", "colour", "no_such_material"),
        ("articles", "material,colour,shade\nPLA,Oak,brown\n", "shade", "bad_colour"),
        ("articles", "material,colour,shade\nPLA,Oak,#aabbcc\nPLA,oak,\n", "colour", "item_is_there"),
        ("articles", "material,colour,shade,diameter_mm\nPLA,Oak,#aabbcc,9\n", "diameter_mm", "no_such_diameter"),
        ("suppliers", "name,lead_days\nReed,400\n", "lead_days", "no_such_lead"),
        ("suppliers", "name,give_or_take\nReed,-1\n", "give_or_take", "no_such_lead"),
        ("suppliers", "name,order_days\nReed,mon someday\n", "order_days", "no_such_weekday"),
        ("suppliers", "name,mail\nReed,nobody\n", "mail", "no_such_mail"),
        ("offers", "supplier,material,colour,spool_g,price\nNobody,PLA,Oak,1000,9\n", "supplier", "no_such_supplier"),
        ("products", "name,parts\nFrame,PLA Oak: 5\n", "parts", "no_such_item"),
        ("products", "name,parts\nFrame,PLA Oak\n", "parts", "bad_part"),
    ],
)
def test_what_cannot_be_is_reported_with_its_column(give: Give, sheet: str, text: str, column: str, code: str) -> None:
    (problem,) = give(sheet, text).problems
    assert (problem.column, problem.code) == (column, code)


def test_a_thousand_draws_are_split_the_same_way_every_time(store: Store, give: Give) -> None:
    rows = "".join(f"PLA,Black,#222222,500,500,2026-01-01,2026-01-0{1 + at % 3},,9\n" for at in range(30))
    codes = give("spools", f"{SPOOLS}\n{rows.replace('2026-01-01,2026-01-0', '2026-01-04,2026-01-0')}").codes
    start = datetime(2026, 1, 5)  # noqa: DTZ001 - the sheet's local time
    jobs = "".join(f"{start + timedelta(minutes=at):%Y-%m-%d %H:%M},J{at},13.7,PLA,Black\n" for at in range(1000))
    give("jobs", f"ended_at,title,grams,material,colour\n{jobs}")
    left = left_g(store, *codes)
    assert sum(left) == pytest.approx(30 * 500 - 1000 * 13.7)
    assert sorted(left)[:27] == [0] * 27
    with store.read() as session:
        first = session.scalars(select(Spool).order_by(col(Spool.received_on), col(Spool.serial))).first()
    assert first is not None
    assert first.opened_on == date(2026, 1, 4)
