"""Mending what was entered: items, names, what is retired, what was entered twice, a spool under the wrong item."""

from collections.abc import Sequence
from datetime import datetime, timedelta

import pytest
from sqlalchemy import select
from sqlmodel import col

from spoolkeep.domain.errors import Conflict, NotFound
from spoolkeep.domain.words import Finish, PlaceKind
from spoolkeep.services import (
    asides,
    catalogue,
    choices,
    finding,
    itemcare,
    joblist,
    mending,
    merging,
    moving,
    orderplan,
    search,
    spools,
    stock,
    suppliers,
    undoing,
)
from spoolkeep.services.catalogue import ProductEntry, SupplierEntry
from spoolkeep.services.imports import import_sheet, preview
from spoolkeep.services.jobs import FeedGrams
from spoolkeep.services.mending import ItemEntry
from spoolkeep.store.engine import Store
from spoolkeep.store.proof import differences
from spoolkeep.store.tables import Article, KeptOn, Loading, Offer, ProductPart, Spool, Substitute
from tests.workshop import TestWorkshop, by

WHITE = ("#f4f2ea",)


@pytest.fixture
def shop(store: Store, now: datetime) -> TestWorkshop:
    """Give a small workshop."""
    return TestWorkshop(store, now)


def _change(shop: TestWorkshop, article: int, colour: str, shades: Sequence[str] = WHITE, **more: int) -> int:
    entry = ItemEntry(colour, Finish.MATT, tuple(shades), more.get("diameter_um", 1750), more.get("density"))
    return shop.do(
        lambda s: mending.change_item(session=s, now=shop.now, by=by(), article_id=article, entry=entry)
    ).act_id


def _retire(shop: TestWorkshop, kind: str, number: int, *, retired: bool = True) -> int:
    return shop.do(
        lambda s: mending.retire(session=s, now=shop.now, by=by(), kind=kind, number=number, retired=retired)
    ).act_id


def _retire_item(shop: TestWorkshop, article: int, *, retired: bool = True) -> None:
    shop.do(lambda s: mending.retire_item(session=s, now=shop.now, by=by(), article_id=article, retired=retired))


def _rename(shop: TestWorkshop, kind: str, number: int, name: str) -> int:
    return shop.do(
        lambda s: mending.rename(session=s, now=shop.now, by=by(), kind=kind, number=number, name=name)
    ).act_id


def _merge(shop: TestWorkshop, article: int, into: int) -> int:
    return shop.do(
        lambda s: merging.merge_items(session=s, now=shop.now, by=by(), article_id=article, into_id=into)
    ).act_id


def _move(shop: TestWorkshop, code: str, article: int) -> int:
    return shop.do(
        lambda s: moving.move_spool(session=s, now=shop.now, by=by(), spool_code=code, article_id=article)
    ).act_id


def _accept(shop: TestWorkshop, article: int, instead: int) -> None:
    shop.do(
        lambda s: itemcare.accept(
            session=s, now=shop.now, by=by(), article_id=article, instead_id=instead, accepted=True
        )
    )


def _undo(shop: TestWorkshop, act_id: int) -> int:
    return shop.do(lambda s: undoing.undo_act(session=s, now=shop.now, by=by(), act_id=act_id)).act_id


def _name(shop: TestWorkshop, article: int) -> str:
    with shop.store.read() as session:
        return finding.item(session, article).name


def _hits(shop: TestWorkshop, text: str) -> list[tuple[str, str, str]]:
    with shop.store.read() as session:
        return [(one.kind, one.name, one.note) for one in search.found(session=session, text=text)]


def test_an_item_gets_another_colour_name_and_shade_and_undo_gives_both_back(shop: TestWorkshop) -> None:
    white = shop.articles[1]
    other = shop.item("PETG", "Chalk white")
    act = _change(shop, white, "Bone", ["#eee8d5"])
    with shop.store.read() as session:
        items = finding.items(session)
    assert items[white].name == "PLA Bone"
    assert items[white].srgb == ("#eee8d5",)
    assert items[other].srgb == WHITE, "the same colour of another material keeps its shade"
    _change(shop, other, "Chalk white", ["#ffffff"])
    with shop.store.read() as session:
        assert finding.item(session, other).srgb == ("#ffffff",)
    _undo(shop, act)
    assert _name(shop, white) == "PLA Chalk white"


def test_another_density_leaves_every_gram_and_says_which_plans_were_metered(shop: TestWorkshop) -> None:
    black = shop.articles[0]
    code = shop.deliver(1)[0]
    job = shop.plan("Hook", FeedGrams(30_000, article_id=black))
    _change(shop, black, "Slate black", ["#23262b"], density=1300)
    with shop.store.read() as session:
        assert finding.item(session, black).density_mg_per_cm3 == 1300
        assert spools.view(session=session, spool_code=code).left_mg == 1_000_000
        assert joblist.one(session=session, job_id=job).needs_mg == 30_000
        assert mending.item_view(session=session, article_id=black).metered_jobs == 0, "that one was typed"


def test_an_item_cannot_become_one_that_is_there(shop: TestWorkshop) -> None:
    with pytest.raises(Conflict, match="merge this one into it"):
        _change(shop, shop.articles[1], "slate  Black")


def test_a_sheet_with_a_former_name_finds_the_item(shop: TestWorkshop) -> None:
    white = shop.articles[1]
    _change(shop, white, "Bone")
    sheet = b"material,colour,finish,left_g\nPLA,Chalk White,,800\nPLA,bone,,700\n"
    shop.do(lambda s: import_sheet(session=s, now=shop.now, by=by(), sheet="spools", data=sheet, source="shelf.csv"))
    with shop.store.read() as session:
        assert set(session.scalars(select(col(Spool.article_id)))) == {white}
    assert ("item", "PLA Bone", "matt, was PLA Chalk white") in _hits(shop, "chalk")


def test_three_spellings_of_one_colour_end_in_one_item(shop: TestWorkshop) -> None:
    black = shop.articles[0]
    second, third = shop.item("PLA", "Slate blak", "#23262b"), shop.item("PLA", "Black slate", "#23262b")
    _merge(shop, third, second)
    _merge(shop, second, black)
    with shop.store.read() as session:
        assert {session.get_one(Article, one).now_id for one in (second, third)} == {black}
    sheet = b"material,colour,finish,left_g\nPLA,Slate Blak,,800\nPLA,Black slate,matt,700\nPLA,slate black,,9\n"
    shop.do(lambda s: import_sheet(session=s, now=shop.now, by=by(), sheet="spools", data=sheet, source="shelf.csv"))
    with shop.store.read() as session:
        assert set(session.scalars(select(col(Spool.article_id)))) == {black}
        assert {number for number, _ in choices.articles(session=session)} == set(shop.articles)
    assert ("item", "PLA Slate black", "matt, was PLA Slate blak") in _hits(shop, "blak")


def test_a_retired_item_leaves_lists_plans_and_orders_and_its_spools_stay(shop: TestWorkshop) -> None:
    black = shop.articles[0]
    shop.offered(SupplierEntry("North Quay", lead_days=3), 1900)
    shop.run_low()
    code = shop.deliver(1)[0]
    assert black in _shown(shop)
    _retire_item(shop, black)
    assert black not in _shown(shop)
    with shop.store.read() as session:
        assert spools.view(session=session, spool_code=code).left_mg == 1_000_000
        assert [(item.article_id, mg) for item, mg in stock.retired_left(session=session)] == [(black, 1_600_000)]
    with pytest.raises(Conflict, match="retired"):
        shop.item("PLA", "Slate black", "#23262b")
    _retire_item(shop, black, retired=False)
    assert black in _shown(shop)


def _shown(shop: TestWorkshop) -> set[int]:
    with shop.store.read() as session:
        listed = {number for number, _ in choices.articles(session=session)}
        rows = {one.item.article_id for one in stock.rows(session=session, now=shop.now)}
        planned = {one.item.article_id for one in orderplan.view(session=session, now=shop.now).items}
    assert listed == rows
    return listed | planned


def test_a_merge_carries_offers_products_and_substitutes_and_adds_grams_in_one_product(shop: TestWorkshop) -> None:
    black, white = shop.articles
    twin = shop.item("PLA", "Slate blak", "#23262b")
    offer = shop.offered(SupplierEntry("North Quay"), 1900)
    entry = ProductEntry("Trug", 900, ((black, 40_000), (twin, 2_000)))
    shop.do(lambda s: catalogue.add_product(session=s, now=shop.now, by=by(), entry=entry))
    for first, instead in ((black, white), (twin, white), (black, twin)):
        _accept(shop, first, instead)
    with shop.store.read() as session:
        ahead = merging.items_ahead(session=session, article_id=black, into_id=twin)
    assert ("offer", 1) in ahead.counts
    act = _merge(shop, black, twin)
    with shop.store.read() as session:
        assert session.get_one(Offer, offer).article_id == twin
        parts = session.scalars(select(ProductPart).where(col(ProductPart.live))).all()
        assert [(one.article_id, one.mg) for one in parts] == [(twin, 42_000)]
        pairs = session.scalars(select(Substitute).where(col(Substitute.live))).all()
        assert [(one.article_id, one.instead_id) for one in pairs] == [(twin, white)]
    _undo(shop, act)
    with shop.store.read() as session:
        parts = session.scalars(select(ProductPart).where(col(ProductPart.live))).all()
        assert sorted((one.article_id, one.mg) for one in parts) == [(black, 40_000), (twin, 2_000)]


def test_a_merge_is_not_undone_or_done_again_over_what_came_since(shop: TestWorkshop) -> None:
    black, white = shop.articles
    code = shop.deliver(1)[0]
    merge = _merge(shop, black, white)
    with pytest.raises(Conflict, match="is now PLA Chalk white"):
        shop.deliver(1)
    later = _move(shop, code, shop.item("PETG", "Moss", "#335533"))
    with pytest.raises(Conflict, match=f"Act {later} "):
        _undo(shop, merge)
    _undo(shop, later)
    undo = _undo(shop, merge)
    shop.deliver(1)
    with pytest.raises(Conflict, match="delivery"):
        _undo(shop, undo)
    with shop.store.read() as session:
        assert list(differences(session)) == []


def test_what_an_older_act_brings_back_is_not_brought_to_a_merged_item(shop: TestWorkshop) -> None:
    black, white = shop.articles
    code = shop.deliver(1, article=1)[0]
    moved = _move(shop, code, black)
    third = shop.item("PETG", "Moss", "#335533")
    merge = _merge(shop, white, third)
    with pytest.raises(Conflict, match=f"Act {merge} "):
        _undo(shop, moved)


def test_an_old_link_of_a_merged_supplier_leads_to_the_other_one(shop: TestWorkshop) -> None:
    offer = shop.offered(SupplierEntry("North Quay"), 1900)
    entry = SupplierEntry("North Key")
    second = shop.do(lambda s: catalogue.add_supplier(session=s, now=shop.now, by=by(), entry=entry))
    with shop.store.read() as session:
        north = session.get_one(Offer, offer).supplier_id
    act = shop.do(
        lambda s: merging.merge_suppliers(session=s, now=shop.now, by=by(), supplier_id=north, into_id=second.row_id)
    ).act_id
    with shop.store.read() as session:
        assert session.get_one(Offer, offer).supplier_id == second.row_id
        assert finding.supplier_now(session, north) == second.row_id
        assert [one.name for one in choices.supplier_list(session=session)] == ["North Key"]
        with pytest.raises(Conflict, match="is now North Key"):
            suppliers.view(session=session, now=shop.now, supplier_id=north)
    _undo(shop, act)
    with shop.store.read() as session:
        assert session.get_one(Offer, offer).supplier_id == north


def test_a_moved_spool_stays_on_its_feed_and_set_aside_and_what_was_answered_is_asked_anew(shop: TestWorkshop) -> None:
    black, white = shop.articles
    code = shop.deliver(1, at=shop.now - timedelta(days=2))[0]
    with shop.store.write() as session:
        finding.spool_of(session, code).lot = "L7"
    shop.scan(code, shop.feeds[0])
    with shop.store.write() as session:
        loading = session.scalars(select(col(Loading.id))).one()
        session.add(KeptOn(loading_id=loading, answered="colour", why="to hand", at=shop.now))
    shop.do(lambda s: asides.set_lot_aside(session=s, now=shop.now, by=by(), spool_code=code, why="damp"))
    with shop.store.read() as session:
        notes = moving.view(session=session, spool_code=code, into_id=white).notes
    assert any("Larch feed 1" in one for one in notes)
    assert any("stays set aside" in one for one in notes)
    act = _move(shop, code, white)
    with shop.store.read() as session:
        view = spools.view(session=session, spool_code=code)
        assert (view.item.article_id, view.aside, view.left_mg) == (white, "damp", 1_000_000)
        assert not session.scalars(select(KeptOn)).one().live
        assert black not in {one.article_id for one in session.scalars(select(Spool))}
    _undo(shop, act)
    with shop.store.read() as session:
        assert session.scalars(select(KeptOn)).one().live
        assert finding.spool_of(session, code).article_id == black


def test_a_place_that_holds_spools_and_a_machine_at_work_are_not_retired(shop: TestWorkshop) -> None:
    code = shop.deliver(1)[0]
    shop.scan(code, shop.places[0])
    with shop.store.read() as session:
        shelf = choices.place_list(session=session)[0].number
    with pytest.raises(Conflict, match="1 spool is at Long shelf"):
        _retire(shop, "place", shelf)
    shop.scan(code, shop.feeds[0])
    with pytest.raises(Conflict, match="A spool is on Larch"):
        _retire(shop, "machine", shop.machine())
    drawer = shop.do(
        lambda s: catalogue.add_place(session=s, now=shop.now, by=by(), name="Drawer", kind=PlaceKind.DRAWER)
    ).row_id
    with shop.store.read() as session:
        label = next(one.code for one in choices.place_list(session=session) if one.number == drawer)
    shop.scan(code, label)
    _retire(shop, "place", shelf)
    with shop.store.read() as session:
        assert choices.places(session=session) == [(drawer, "Drawer")]
    with pytest.raises(NotFound):
        _retire(shop, "shelf", shelf)


def test_a_retired_machines_label_says_so(shop: TestWorkshop) -> None:
    code = shop.deliver(1)[0]
    act = _retire(shop, "machine", shop.machine())
    with pytest.raises(Conflict, match="Larch is retired"):
        shop.scan(code, shop.feeds[0])
    _undo(shop, act)
    assert shop.scan(shop.feeds[0]).words


def test_a_name_is_free_once_its_owner_is_retired_or_called_otherwise(shop: TestWorkshop) -> None:
    with shop.store.read() as session:
        shelf = choices.place_list(session=session)[0].number
    renamed = _rename(shop, "place", shelf, "Wall shelf")
    assert ("place", "Wall shelf", "shelf, was Long shelf") in _hits(shop, "long")
    _undo(shop, renamed)
    assert ("place", "Long shelf", "shelf") in _hits(shop, "long")
    _rename(shop, "place", shelf, "Wall shelf")
    shop.do(lambda s: catalogue.add_place(session=s, now=shop.now, by=by(), name="Long shelf", kind=PlaceKind.SHELF))
    _retire(shop, "place", shelf)
    other = shop.do(
        lambda s: catalogue.add_place(session=s, now=shop.now, by=by(), name="Wall shelf", kind=PlaceKind.SHELF)
    )
    with pytest.raises(Conflict, match="named “Wall shelf” already"):
        _retire(shop, "place", shelf, retired=False)
    assert other.row_id != shelf


def test_a_move_is_not_done_again_where_the_one_before_it_was_taken_back(shop: TestWorkshop) -> None:
    third = shop.item("PLA", "Third", "#102030")
    (code,) = shop.deliver()
    first = _move(shop, code, shop.articles[1])
    second = _move(shop, code, third)
    taken_back = _undo(shop, second)
    _undo(shop, first)
    with pytest.raises(Conflict, match="stands in the way"):
        _undo(shop, taken_back)
    with shop.store.read() as session:
        assert list(differences(session)) == []
        assert finding.spool_of(session, code).article_id == shop.articles[0]


def test_a_merge_is_not_done_again_where_the_one_before_it_was_taken_back(shop: TestWorkshop) -> None:
    third = shop.item("PLA", "Third", "#102030")
    shop.deliver()
    first = _merge(shop, shop.articles[0], shop.articles[1])
    second = _merge(shop, shop.articles[1], third)
    taken_back = _undo(shop, second)
    _undo(shop, first)
    with pytest.raises(Conflict, match="stands in the way"):
        _undo(shop, taken_back)
    with shop.store.read() as session:
        assert list(differences(session)) == []


def test_a_retired_place_takes_no_spool_and_is_nobodys_home(shop: TestWorkshop) -> None:
    code, drawer = shop.deliver(1)[0], "Drawer"
    shop.scan(code, shop.places[0])
    shop.do(lambda s: catalogue.add_place(session=s, now=shop.now, by=by(), name=drawer, kind=PlaceKind.DRAWER))
    with shop.store.read() as session:
        listed = {one.name: one for one in choices.place_list(session=session)}
    shop.scan(code, listed[drawer].code)
    act = _retire(shop, "place", listed["Long shelf"].number)
    with pytest.raises(Conflict, match="Long shelf is retired"):
        shop.scan(code, shop.places[0])
    with shop.store.read() as session:
        assert finding.spool_of(session, code).home_id is None
    _undo(shop, act)
    with shop.store.read() as session:
        assert finding.spool_of(session, code).home_id == listed["Long shelf"].number


def test_a_name_that_came_back_is_no_former_one(shop: TestWorkshop) -> None:
    for colour in ("Mist", "Fog", "Mist"):
        _change(shop, shop.articles[0], colour)
    with shop.store.read() as session:
        former = mending.item_view(session=session, article_id=shop.articles[0]).former
    assert former == ("PLA Slate black", "PLA Fog")


def test_an_undo_puts_nothing_on_what_was_retired_since(shop: TestWorkshop) -> None:
    (code,), (other,) = shop.deliver(), shop.deliver()
    shop.scan(code, shop.places[0])
    shop.do(lambda s: catalogue.add_place(session=s, now=shop.now, by=by(), name="Drawer", kind=PlaceKind.DRAWER))
    with shop.store.read() as session:
        listed = {one.name: one for one in choices.place_list(session=session)}
    shop.scan(other, shop.feeds[0])
    moved = shop.scan(code, listed["Drawer"].code)
    off = shop.scan(other, listed["Drawer"].code)
    _retire(shop, "place", listed["Long shelf"].number)
    _retire(shop, "machine", shop.machine())
    for answer, name in ((moved, "retire place"), (off, "retire machine")):
        with pytest.raises(Conflict, match=f"{name}.* stands in the way"):
            _undo(shop, answer.act_id)


def test_a_sheet_puts_no_spool_on_what_is_retired(shop: TestWorkshop) -> None:
    with shop.store.read() as session:
        shelf = choices.place_list(session=session)[0].number
    _retire(shop, "place", shelf)
    _retire(shop, "machine", shop.machine())
    rows = "material,colour,left_g,place,machine,feed\nPLA,Slate black,100,Long shelf,,\nPLA,Slate black,100,,Larch,1\n"
    sheet = {"sheet": "spools", "source": "shelves.csv", "data": rows.encode()}
    with shop.store.read() as session:
        report = preview(session=session, now=shop.now, **sheet)  # type: ignore[arg-type] # as named
    assert [(one.line, one.code) for one in report.problems] == [(3, "machine_is_retired")]
