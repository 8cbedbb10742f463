"""Orders on hand by product and colour: told by sheet, form or program, told again, and what they ask of each item."""

from datetime import date, datetime

import pytest
from sqlalchemy import select
from sqlmodel import col

from spoolkeep.domain.errors import BadInput, Conflict, NotFound
from spoolkeep.domain.words import Finish
from spoolkeep.services import catalogue, onhand, undoing
from spoolkeep.services.asked import Wanted
from spoolkeep.services.imports import import_sheet, preview
from spoolkeep.services.onhand import Asked, OnHand, ToldAnswer
from spoolkeep.store.engine import Store
from spoolkeep.store.tables import ProductPart
from tests.workshop import TestWorkshop, by


@pytest.fixture
def shop(store: Store, now: datetime) -> TestWorkshop:
    """Give a shop that sells a trug of 80 g with a peg of 5 g, and its blue one as a product of its own."""
    shop = TestWorkshop(store, now)
    first, second = shop.articles
    shop.deliver(2)
    for name, parts in (("Trug", ((first, 80_000), (second, 5_000))), ("Trug, Night blue", ((second, 81_000),))):
        product(shop, name, parts)
    return shop


def product(shop: TestWorkshop, name: str, parts: tuple[tuple[int, int], ...]) -> None:
    entry = catalogue.ProductEntry(name, None, parts)
    shop.do(lambda s: catalogue.add_product(session=s, now=shop.now, by=by(), entry=entry))


def tell(shop: TestWorkshop, *wanted: Wanted) -> ToldAnswer:
    return shop.do(lambda s: onhand.tell(session=s, now=shop.now, by=by(), wanted=wanted))


def view(shop: TestWorkshop) -> tuple[list[OnHand], list[Asked]]:
    with shop.store.read() as session:
        return onhand.view(session=session, now=shop.now)


def asked(shop: TestWorkshop) -> dict[int, int]:
    return {one.item.article_id: one.mg for one in view(shop)[1]}


def test_an_order_asks_for_the_grams_of_its_product(shop: TestWorkshop) -> None:
    answer = tell(shop, Wanted("1042", "trug", pieces=3, sent=1, due_on=date(2026, 4, 1)))
    assert (answer.new, answer.changed) == (1, 0)
    ((line,), _) = view(shop)
    assert (line.order, line.product, line.item, line.pieces, line.mg) == ("1042", "Trug", None, 2, 170_000)
    assert asked(shop) == {shop.articles[0]: 160_000, shop.articles[1]: 10_000}


def test_a_colour_is_a_product_of_its_own_or_another_item_of_the_same_product(shop: TestWorkshop) -> None:
    red = shop.do(
        lambda s: catalogue.add_article(
            session=s, now=shop.now, by=by(), material="PLA", colour="Red", finish=Finish.MATT, srgb=["#c02020"]
        )
    ).row_id
    tell(shop, Wanted("1", "Trug", colour="night blue"), Wanted("2", "Trug", colour="red"))
    lines, _ = view(shop)
    assert [(one.product, one.item.colour if one.item else "") for one in lines] == [
        ("Trug, Night blue", ""),
        ("Trug", "Red"),
    ]
    assert asked(shop) == {shop.articles[1]: 81_000 + 5_000, red: 80_000}


def test_what_is_told_again_takes_the_earlier_one_s_place(shop: TestWorkshop) -> None:
    first = Wanted("1042", "Trug", pieces=3)
    tell(shop, first)
    assert tell(shop, first).changed == 0
    assert tell(shop, Wanted("1042", "Trug", pieces=3, sent=3)).changed == 1
    assert view(shop) == ([], [])
    assert tell(shop, first).changed == 1
    assert tell(shop, Wanted("1042", "Trug", pieces=3, called_off=True)).changed == 1
    assert view(shop)[0] == []


def test_what_is_missing_counts_what_jobs_have_not_claimed(shop: TestWorkshop) -> None:
    tell(shop, Wanted("1042", "Trug", pieces=30))
    first = next(one for one in view(shop)[1] if one.item.article_id == shop.articles[0])
    assert (first.mg, first.free_mg, first.short_mg) == (2_400_000, 2_000_000, 400_000)


@pytest.mark.parametrize(
    ("wanted", "words"),
    [
        (Wanted("1", "Vase"), "no product “Vase”"),
        (Wanted("1", "Trug", colour="Teal"), "no item PLA Teal"),
        (Wanted("1", "Trug", pieces=0), "1 to"),
        (Wanted(" ", "Trug"), "order's number"),
    ],
)
def test_what_cannot_be_is_refused_with_what_to_do(shop: TestWorkshop, wanted: Wanted, words: str) -> None:
    with pytest.raises((BadInput, NotFound), match=words):
        tell(shop, wanted)
    assert view(shop)[0] == []


def test_a_line_goes_out_or_is_called_off_and_undo_brings_it_back(shop: TestWorkshop) -> None:
    tell(shop, Wanted("1", "Trug"), Wanted("2", "Trug"))
    first, second = (one.number for one in view(shop)[0])
    out = shop.do(lambda s: onhand.close(session=s, now=shop.now, by=by(), number=first, called_off=False))
    shop.do(lambda s: onhand.close(session=s, now=shop.now, by=by(), number=second, called_off=True))
    assert view(shop)[0] == []
    shop.do(lambda s: undoing.undo_act(session=s, now=shop.now, by=by(), act_id=out.act_id))
    assert [one.order for one in view(shop)[0]] == ["1"]


def sheet(shop: TestWorkshop, text: str) -> tuple[int, int, list[str]]:
    """Bring in a sheet of orders; give its new and known rows and the words of its problems."""
    report = shop.do(
        lambda s: import_sheet(session=s, now=shop.now, by=by(), sheet="orders", source="shop.csv", data=text.encode())
    )
    return report.new, report.known, [one.words for one in report.problems]


HEAD = "order,product,colour,pieces,sent,due,called_off\n"


def test_a_shop_s_list_sent_again_tells_what_changed(shop: TestWorkshop) -> None:
    before = HEAD + "1042,Trug,,3,,2026-04-01,\n1042,Trug,Night blue,1,,,\n1043,Trug,,1,,,\n"
    assert sheet(shop, before) == (3, 0, [])
    assert sheet(shop, before) == (0, 3, [])
    after = before.replace("1042,Trug,,3,,", "1042,Trug,,3,2,")
    assert sheet(shop, after) == (1, 2, [])
    assert [(one.order, one.pieces) for one in view(shop)[0]] == [("1042", 1), ("1042", 1), ("1043", 1)]
    assert sheet(shop, before) == (1, 2, []), "what it said first may be said again"
    assert view(shop)[0][0].pieces == 3


def test_bad_rows_are_named_with_their_line_and_nothing_is_told(shop: TestWorkshop) -> None:
    _, _, problems = sheet(shop, HEAD + "1,Trug,,2,,,\n2,Vase,,1,,,\n3,Trug,,0,,,\n1,Trug,,9,,,\n")
    assert len(problems) == 4, "the same words twice are two problems: the id's, and the line's"
    assert view(shop)[0] == []


def test_a_row_that_vanished_is_listed_and_stays_on_hand(shop: TestWorkshop) -> None:
    sheet(shop, HEAD + "1,Trug,,2,,,\n2,Trug,,1,,,\n")
    with shop.store.read() as session:
        data = (HEAD + "1,Trug,,2,,,\n").encode()
        report = preview(session=session, now=shop.now, sheet="orders", source="shop.csv", data=data)
    assert [one.key for one in report.vanished] == ["id:2, Trug"]
    assert len(view(shop)[0]) == 2


def test_a_line_is_known_again_though_another_part_is_the_main_one_since(shop: TestWorkshop) -> None:
    tell(shop, Wanted("7", "Trug", colour="chalk white", pieces=5))
    with shop.store.write() as session:
        parts = session.scalars(select(ProductPart).where(col(ProductPart.product_id) == 1)).all()
        for part, mg in zip(parts, (5_000, 80_000), strict=True):
            part.mg = mg
    assert tell(shop, Wanted("7", "Trug", colour="Chalk white", pieces=5, sent=5)).new == 0
    assert view(shop)[0] == []


def test_one_line_twice_in_one_telling_is_refused(shop: TestWorkshop) -> None:
    with pytest.raises(Conflict, match="twice"):
        tell(shop, Wanted("7", "Trug", pieces=1), Wanted("7", "trug", pieces=3))
    _, _, problems = sheet(shop, HEAD + "7,Trug,Night blue,1,,,\n7,trug,night  blue,3,,,\n")
    assert len(problems) == 1
    assert "Add them up" in problems[0]
    tell(shop, Wanted("7", "Trug", pieces=1), Wanted("7", "Trug", colour="slate black", pieces=3))
    assert sum(one.pieces for one in view(shop)[0]) == 4
