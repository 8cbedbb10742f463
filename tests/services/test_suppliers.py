"""A supplier's terms, what is off a basket, and its closed days: kept, refused and taken back; both databases."""

from datetime import date, timedelta

import pytest

from spoolkeep.domain.errors import BadInput, Conflict, NotFound
from spoolkeep.services import catalogue, foresight, itemcare, offers, orderplan, setup, suppliers, undoing
from spoolkeep.services.catalogue import SupplierEntry
from spoolkeep.services.shop import Settings, load_shop
from spoolkeep.services.suppliers import SupplierPage
from spoolkeep.store.engine import Store
from spoolkeep.store.tables import Article
from tests.workshop import TestWorkshop, by

DAY = timedelta(days=1)
TERMS = SupplierEntry(
    "Fen Road Plastics",
    address="6 Fen Road",
    lead_days=6,
    parcel_minor=790,
    free_freight_minor=15_000,
    mail="orders@fenroad.example",
    note="Ask for Ivo.",
    lead_spread_days=2,
    order_days=0b0001001,
    least_minor=5000,
)


@pytest.fixture
def shop(store: Store, now: object) -> TestWorkshop:
    return TestWorkshop(store, now)  # type: ignore[arg-type] # the moment of every test


def added(shop: TestWorkshop, name: str = "North Quay") -> int:
    entry = SupplierEntry(name)
    return shop.do(lambda s: catalogue.add_supplier(session=s, now=shop.now, by=by(), entry=entry)).row_id


def described(shop: TestWorkshop, number: int, entry: SupplierEntry) -> int:
    return shop.do(
        lambda s: suppliers.describe(session=s, now=shop.now, by=by(), supplier_id=number, entry=entry)
    ).act_id


def cheaper(shop: TestWorkshop, number: int, from_spools: int, off_ppm: int) -> int:
    return shop.do(
        lambda s: suppliers.add_break(
            session=s, now=shop.now, by=by(), supplier_id=number, from_spools=from_spools, off_ppm=off_ppm
        )
    ).row_id


def page(shop: TestWorkshop, number: int) -> SupplierPage:
    with shop.store.read() as session:
        return suppliers.view(session=session, now=shop.now, supplier_id=number)


def undo(shop: TestWorkshop, act: int) -> None:
    shop.do(lambda s: undoing.undo_act(session=s, now=shop.now, by=by(), act_id=act))


def test_terms_are_kept_and_taken_back_whole(shop: TestWorkshop) -> None:
    number = added(shop)
    before = page(shop, number).entry
    act = described(shop, number, TERMS)
    assert page(shop, number).entry == TERMS
    undo(shop, act)
    assert page(shop, number).entry == before


def test_a_supplier_may_keep_its_own_name_and_take_no_other_s(shop: TestWorkshop) -> None:
    number, _ = added(shop), added(shop, "Mill Bank")
    described(shop, number, SupplierEntry("north quay"))
    assert page(shop, number).entry.name == "north quay"
    with pytest.raises(Conflict):
        described(shop, number, SupplierEntry("MILL bank"))


@pytest.mark.parametrize(
    "wrong",
    [
        {"name": " "},
        {"lead_days": -1},
        {"lead_days": 366},
        {"lead_spread_days": -1},
        {"lead_spread_days": 10**9},
        {"order_days": 0},
        {"order_days": 128},
        {"parcel_minor": -1},
        {"free_freight_minor": -1},
        {"least_minor": -1},
        {"mail": "no address"},
        {"note": "x" * 2001},
    ],
)
def test_terms_that_no_supplier_can_have_are_refused(shop: TestWorkshop, wrong: dict[str, object]) -> None:
    number = added(shop)
    with pytest.raises(BadInput):
        described(shop, number, SupplierEntry(**{**vars(TERMS), **wrong}))
    entry = SupplierEntry(**{**vars(TERMS), **wrong})
    with pytest.raises(BadInput):
        shop.do(lambda s: catalogue.add_supplier(session=s, now=shop.now, by=by(), entry=entry))


def test_a_larger_basket_gets_more_off(shop: TestWorkshop) -> None:
    number = added(shop)
    ten = cheaper(shop, number, 10, 50_000)
    cheaper(shop, number, 20, 80_000)
    assert [(one.from_spools, one.off_per_cent) for one in page(shop, number).breaks] == [(10, 5.0), (20, 8.0)]
    for from_spools, off_ppm in ((5, 50_000), (5, 60_000), (15, 90_000), (30, 80_000), (30, 10_000)):
        with pytest.raises(BadInput, match="a larger basket gets more"):
            cheaper(shop, number, from_spools, off_ppm)
    with pytest.raises(Conflict):
        cheaper(shop, number, 10, 60_000)
    shop.do(lambda s: suppliers.retire_break(session=s, now=shop.now, by=by(), break_id=ten))
    cheaper(shop, number, 10, 60_000)
    with shop.store.read() as session:
        assert offers.baskets(session) == {number: ((10, 60_000), (20, 80_000))}


def test_what_an_undo_brings_back_never_takes_less_off_a_larger_basket(shop: TestWorkshop) -> None:
    number = added(shop)
    ten = cheaper(shop, number, 10, 50_000)
    gone = shop.do(lambda s: suppliers.retire_break(session=s, now=shop.now, by=by(), break_id=ten))
    cheaper(shop, number, 20, 30_000)
    shop.do(lambda s: undoing.undo_act(session=s, now=shop.now, by=by(), act_id=gone.act_id))
    with shop.store.read() as session:
        assert offers.baskets(session) == {number: ((10, 50_000), (20, 50_000))}
        assert orderplan.view(session=session, now=shop.now).suppliers == ()


@pytest.mark.parametrize(("from_spools", "off_ppm"), [(1, 1000), (-5, 1000), (10**12, 1000), (5, 0), (5, 10**6)])
def test_a_basket_price_that_cannot_be_is_refused(shop: TestWorkshop, from_spools: int, off_ppm: int) -> None:
    with pytest.raises(BadInput):
        cheaper(shop, added(shop), from_spools, off_ppm)


def test_a_supplier_s_closed_days_are_its_own(shop: TestWorkshop) -> None:
    number, today = added(shop), shop.now.date()
    first, last = today + 5 * DAY, today + 9 * DAY

    def opened(whose: int | None) -> None:
        shop.do(
            lambda s: foresight.open_again(
                session=s, now=shop.now, by=by(), from_day=first, until_day=last, supplier_id=whose
            )
        )

    closed = shop.do(
        lambda s: foresight.close(
            session=s, now=shop.now, by=by(), from_day=first, until_day=last, why="stocktaking", supplier_id=number
        )
    )
    assert closed.number == 5
    (one,) = page(shop, number).closings
    assert (one.from_day, one.until_day, one.why) == (today + 5 * DAY, today + 9 * DAY, "stocktaking")
    with shop.store.read() as session:
        assert foresight.closings(session, since=date.min) == []
    with pytest.raises(NotFound):
        opened(None)
    opened(number)
    assert page(shop, number).closings == ()


def test_nobody_s_days_are_closed(shop: TestWorkshop) -> None:
    day = shop.now.date()
    with pytest.raises(NotFound):
        shop.do(
            lambda s: foresight.close(
                session=s, now=shop.now, by=by(), from_day=day, until_day=day, why="", supplier_id=999
            )
        )


def settled(shop: TestWorkshop, **changed: object) -> Settings:
    with shop.store.read() as session:
        known = load_shop(session)
    names = Settings.__dataclass_fields__
    settings = Settings(**{**{name: getattr(known, name) for name in names}, "name": "Alder", **changed})
    shop.do(lambda s: setup.set_up(session=s, now=shop.now, by=by(), settings=settings))
    with shop.store.read() as session:
        return load_shop(session)


def test_what_an_order_is_weighed_by_is_kept(shop: TestWorkshop) -> None:
    told = {
        "order_seconds": 600,
        "idle_ppm": 400_000,
        "idle_busy_ppm": 900_000,
        "busy_months": 0b110000000000,
        "late_minor": 500,
        "budget_minor": 30_000,
        "shelf_spools": 120,
    }
    found = settled(shop, **told)
    assert {name: getattr(found, name) for name in told} == told


@pytest.mark.parametrize(
    "wrong",
    [
        {"order_seconds": -1},
        {"order_seconds": 10**6},
        {"idle_ppm": -1},
        {"idle_busy_ppm": 1_000_001},
        {"busy_months": 4096},
        {"busy_months": -1},
        {"late_minor": -1},
        {"late_minor": 2**40},
        {"budget_minor": 0},
        {"budget_minor": 2**31},
        {"shelf_spools": 0},
        {"shelf_spools": 10**9},
    ],
)
def test_settings_that_no_workshop_can_have_are_refused(shop: TestWorkshop, wrong: dict[str, object]) -> None:
    with pytest.raises(BadInput):
        settled(shop, **wrong)


def test_an_item_may_have_a_risk_of_its_own(shop: TestWorkshop) -> None:
    article = shop.articles[0]

    def risked(ppm: int | None) -> int:
        return shop.do(
            lambda s: itemcare.set_risk(session=s, now=shop.now, by=by(), article_id=article, risk_ppm=ppm)
        ).act_id

    act = risked(20_000)
    with shop.store.read() as session:
        assert itemcare.view(session=session, now=shop.now, article_id=article).risk_ppm == 20_000
    for wrong in (0, -5, 500_000, 10**12):
        with pytest.raises(BadInput):
            risked(wrong)
    undo(shop, act)
    with shop.store.read() as session:
        assert session.get_one(Article, article).risk_ppm is None
