"""The demo: a workshop whose days are lived until yesterday, through the services that a person uses."""

import json
from collections.abc import Iterator
from contextlib import closing
from dataclasses import replace
from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path
from shutil import copytree
from typing import Any

import pytest
from sqlalchemy import Column, Table, func, select
from sqlalchemy.orm import Session
from sqlmodel import SQLModel, col

from spoolkeep.domain.codes import CodeKind, RetailCode, read_code
from spoolkeep.domain.errors import BadInput, Conflict, NotFound
from spoolkeep.domain.words import Kind, OrderState, Role
from spoolkeep.services import (
    boards,
    joblist,
    leadtimes,
    money,
    offers,
    orderbook,
    people,
    spools,
    stations,
    stock,
    stops,
    tokens,
)
from spoolkeep.services.demo import AS_IT_WAS, BUILT, WENT_ON, demo_folder, owner_of, prepare
from spoolkeep.services.demo.build import bring_on
from spoolkeep.services.demo.crew import Crew
from spoolkeep.services.demo.described import WEEKDAYS, Described, read_described
from spoolkeep.services.demo.living import not_begun
from spoolkeep.services.demo.truth import Truth, load
from spoolkeep.services.instance import Instance
from spoolkeep.services.shop import code_text, load_shop
from spoolkeep.store.engine import Store, open_store
from spoolkeep.store.proof import differences
from spoolkeep.store.seeds import FIRST_ACTOR
from spoolkeep.store.tables import (
    Act,
    Actor,
    Balance,
    Delivery,
    Job,
    Loading,
    Movement,
    Order,
    Person,
    Spool,
    Station,
    Token,
    Visit,
    Workshop,
)
from spoolkeep.store.upgrade import upgrade
from tests.workshop import by

TODAY = date(2026, 11, 25)
NOW = datetime.combine(TODAY, time(9), tzinfo=UTC)
DAYS = 70
RANDOM = {("token", "secret_hash")}
"""What differs between two demos of the same day: a secret that could be reckoned from the day would be none."""


def told(days: int = DAYS) -> Described:
    """Give the demo as its files describe it, with a short history."""
    return read_described(demo_folder()).with_history(days)


def lived(store: Store, folder: Path, days: int, until: date = TODAY - timedelta(days=1)) -> Truth:
    """Give the truth of a demo that was lived until a day."""
    described = told(days)
    truth = load(folder) or not_begun(described, today=TODAY)
    bring_on(store, described, truth, until=until, keep_in=folder)
    return truth


def new_store(folder: Path, name: str) -> Store:
    """Give an empty store in a file."""
    store = open_store(f"sqlite:///{folder / name}")
    upgrade(store, now=NOW)
    return store


def everything(store: Store) -> dict[str, list[tuple[object, ...]]]:
    """Give every row of every table, but for what is random."""
    with store.read() as session:
        return {
            name: sorted((tuple(row) for row in session.execute(select(*_told(table)))), key=repr)
            for name, table in SQLModel.metadata.tables.items()
        }


def _told(table: Table) -> list[Column[Any]]:
    return [one for one in table.columns if (table.name, one.name) not in RANDOM]


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Store, Truth]]:
    """Give the demo, built once."""
    folder = tmp_path_factory.mktemp("demo")
    with closing(new_store(folder, "demo.sqlite")) as store:
        yield store, lived(store, folder, DAYS)


def test_the_books_of_the_demo_have_no_fault(demo: tuple[Store, Truth]) -> None:
    with demo[0].read() as session:
        assert list(differences(session)) == []


def test_the_books_refuse_nothing_that_the_demo_s_people_do(demo: tuple[Store, Truth]) -> None:
    assert demo[1].refused == []


def test_the_demo_is_lived_on_either_database(store: Store, tmp_path: Path) -> None:
    lived(store, tmp_path, 12)
    with store.read() as session:
        assert list(differences(session)) == []
        assert session.scalars(select(Job)).first() is not None


def test_two_demos_of_the_same_day_are_equal(tmp_path: Path) -> None:
    with closing(new_store(tmp_path, "one")) as one, closing(new_store(tmp_path, "two")) as two:
        assert lived(one, tmp_path / "a", 25) == lived(two, tmp_path / "b", 25)
        assert everything(one) == everything(two)


def test_a_demo_lived_in_two_sittings_is_the_one_lived_in_one(tmp_path: Path) -> None:
    with closing(new_store(tmp_path, "one")) as one, closing(new_store(tmp_path, "two")) as two:
        lived(one, tmp_path / "a", 25)
        lived(two, tmp_path / "b", 25, until=TODAY - timedelta(days=12))
        assert load(tmp_path / "a") == lived(two, tmp_path / "b", 25)
        assert everything(one) == everything(two)


def test_days_that_were_booked_before_the_power_went_are_booked_once(tmp_path: Path) -> None:
    with closing(new_store(tmp_path, "one")) as one, closing(new_store(tmp_path, "two")) as two:
        lived(one, tmp_path / "a", 25)
        lived(two, tmp_path / "b", 25, until=TODAY - timedelta(days=15))
        earlier = (tmp_path / "b" / "truth.json").read_bytes()
        lived(two, tmp_path / "b", 25, until=TODAY - timedelta(days=8))
        (tmp_path / "b" / "truth.json").write_bytes(earlier)  # the file did not get there, the books did
        lived(two, tmp_path / "b", 25)
        assert everything(one) == everything(two)


def test_the_history_of_the_demo_ends_yesterday(demo: tuple[Store, Truth]) -> None:
    store, truth = demo
    with store.read() as session:
        clock = load_shop(session).clock
        last = session.scalars(select(col(Act.recorded_at)).order_by(col(Act.recorded_at).desc())).first()
    assert last is not None
    assert clock.day_of(last) == TODAY - timedelta(days=1) == truth.lived_through


def test_a_person_who_acts_in_the_demo_does_not_stop_its_days(tmp_path: Path) -> None:
    with closing(new_store(tmp_path, "one")) as store:
        lived(store, tmp_path, 30, until=TODAY - timedelta(days=10))
        with store.write() as session:
            on_feeds = session.scalars(select(Loading).where(col(Loading.until_at).is_(None))).all()
            for loading in on_feeds:
                code = code_text(CodeKind.SPOOL, session.get_one(Spool, loading.spool_id).serial)
                spools.give_up(session=session, now=NOW, by=by(), spool_code=code, kind=Kind.SCRAP)
        truth = lived(store, tmp_path, 30)
        assert truth.lived_through == TODAY - timedelta(days=1)
        with store.read() as session:
            assert list(differences(session)) == []


def test_the_truth_knows_every_spool_and_the_books_are_near_it(demo: tuple[Store, Truth]) -> None:
    store, truth = demo
    with store.read() as session:
        rows = session.execute(select(Spool, Balance).join(Balance, col(Balance.spool_id) == col(Spool.id)))
        booked = {code_text(CodeKind.SPOOL, spool.serial): one.left_mg for spool, one in rows}
    true = truth.left_at(datetime.combine(TODAY, time(4), tzinfo=UTC))
    assert {one.code for one in truth.spools} == set(booked)
    assert all(mg >= 0 for mg in true.values())
    wrong = [abs(booked[code] - mg) for code, mg in true.items()]
    assert max(wrong) > 1_000  # the books do not know all
    assert sum(wrong) < 0.1 * sum(true.values())


def test_more_is_truly_drawn_than_the_books_are_told(demo: tuple[Store, Truth]) -> None:
    store, truth = demo
    with store.read() as session:
        told_mg = -sum(session.scalars(select(col(Movement.asked_mg)).where(col(Movement.kind) == Kind.DRAW)))
    true_mg = sum(sum(day.values()) for day in truth.drawn_mg.values())
    assert 1.0 < true_mg / told_mg < 1.1


def test_customers_ask_most_for_one_item_and_on_some_weekdays(demo: tuple[Store, Truth]) -> None:
    asked: dict[str, int] = {}
    for day in demo[1].asked_mg.values():
        for item, mg in day.items():
            asked[item] = asked.get(item, 0) + mg
    assert max(asked, key=lambda item: asked[item]) in {"PLA Soot", "PLA Ember"}
    assert len(asked) > 20


def test_the_demo_has_something_on_every_page(demo: tuple[Store, Truth]) -> None:
    store, _ = demo
    with store.read() as session:
        feeds = [feed for machine in boards.board(session=session, now=NOW) for feed in machine.feeds]
        assert sum(feed.loaded is not None for feed in feeds) >= 5
        began = session.scalars(select(Act).where(col(Act.kind) == "start job")).first()
        assert began is not None
        assert joblist.ended(session=session)
        assert {one.state for one in orderbook.listed(session=session, now=NOW)} & {OrderState.IN, OrderState.PROMISED}
        assert len(stock.rows(session=session, now=NOW)) >= 26
        months = money.view(session=session).months
    drawn, takings = sum(one.drawn_minor for one in months), sum(one.takings_minor for one in months)
    # between 1 and 2 per cent of takings: common practice
    assert 0.01 < drawn / takings < 0.02


def test_machines_stand_still_where_nobody_orders(tmp_path: Path) -> None:
    as_written = told(30)
    careless = replace(
        as_written,
        habits=as_written.habits.model_copy(update={"forgets_to_order": 1.0}),
        products={name: one.model_copy(update={"a_day": 8 * one.a_day}) for name, one in as_written.products.items()},
    )
    truth = not_begun(careless, today=TODAY)
    with closing(new_store(tmp_path, "one")) as store:
        bring_on(store, careless, truth, until=TODAY - timedelta(days=1), keep_in=tmp_path)
        with store.read() as session:
            booked = stops.recent(session=session, limit=1000)
    assert truth.stops
    assert sorted(one.from_at for one in booked) == sorted(one.from_at for one in truth.stops)
    assert truth.refused == []


def test_deliveries_of_the_demo_come_late_or_in_part_at_times(demo: tuple[Store, Truth]) -> None:
    with demo[0].read() as session:
        rows = session.execute(
            select(col(Order.promised_for), col(Delivery.arrived_at)).join(
                Delivery, col(Delivery.order_id) == col(Order.id)
            )
        ).all()
    assert any(promised and arrived.date() > promised for promised, arrived in rows)


def test_the_demo_is_built_once_then_brought_on_and_anew_when_asked(tmp_path: Path) -> None:
    instance = Instance(tmp_path)
    seen: list[tuple[int, int]] = []
    assert prepare(instance, now=NOW, days=8, progress=lambda done, of: seen.append((done, of))) == BUILT
    assert seen == [(7, 8), (8, 8)]
    assert prepare(instance, now=NOW, days=8) == AS_IT_WAS
    assert prepare(instance, now=NOW + timedelta(days=3), days=8) == WENT_ON
    assert prepare(instance, now=NOW + timedelta(days=3), days=8, fresh=True) == BUILT


def test_other_files_describe_another_workshop(tmp_path: Path) -> None:
    folder = Path(copytree(demo_folder(), tmp_path / "files"))
    settings, machines = folder / "workshop.toml", folder / "machines.csv"
    settings.write_text(settings.read_text().replace("Quillmere Print Workshop", "Eddersley Casting Room"))
    machines.write_text("name,feeds,from_day\nOne and only,2,0\n")
    instance = Instance(tmp_path / "made")
    prepare(instance, now=NOW, days=5, folder=folder)
    with closing(instance.open()) as store, store.read() as session:
        assert load_shop(session).name == "Eddersley Casting Room"
        assert [one.name for one in boards.board(session=session, now=NOW)] == ["One and only"]


@pytest.mark.parametrize(
    ("file", "before", "after", "words"),
    [
        ("machines.csv", "Curlew,1", "Curlew,many", "machines.csv, line 3: feeds"),
        ("products.csv", "PLA Soot: 15", "PLA Sot: 15", "products.csv names “PLA Sot”"),
        ("offers.csv", "Millrace Polymer,PETG", "Millrace,PETG", "offers.csv names “Millrace”"),
        ("workshop.toml", "seed = 7", "sead = 7", "workshop.toml, simulation: seed"),
        ("workshop.toml", '"Trug, Moss"', '"Trug, Mos"', "workshop.toml names “Trug, Mos”, which products.csv"),
        ("workshop.toml", "every_days = 122", "every_days = 0", "workshop.toml, event: every_days"),
        ("workshop.toml", "[season]", "[season", "workshop.toml cannot be read"),
        ("workshop.toml", 'role = "operator"', 'role = "ruler"', "workshop.toml, person 2: role"),
        ("workshop.toml", 'role = "operator"', 'role = "owner"', "2 of them are the owner"),
        ("workshop.toml", 'role = "owner"', 'role = "operator"', "0 of them are the owner"),
        ("workshop.toml", 'role = "operator"', 'role = "reader"', "person 2: Tavin is a reader"),
        ("workshop.toml", 'bench = ["sat"]', 'bench = ["day"]', "workshop.toml, person 1: bench.0"),
        ("workshop.toml", '["thu", "fri"]', '["wed", "fri"]', "person 3: Tavin is at the bench on wed already"),
        ("workshop.toml", 'name = "Odwyn"', 'name = " tavin"', "person 3: there is a tavin already"),
        ("workshop.toml", 'name = "Pernel" ', 'name = "  " ', "workshop.toml, person 4: name"),
    ],
)
def test_a_slip_in_the_files_is_named_and_nothing_is_built(
    tmp_path: Path, file: str, before: str, after: str, words: str
) -> None:
    folder = Path(copytree(demo_folder(), tmp_path / "files"))
    (folder / file).write_text((folder / file).read_text().replace(before, after, 1))
    with pytest.raises(BadInput) as refused:
        prepare(Instance(tmp_path / "made"), now=NOW, days=3, folder=folder)
    assert words in refused.value.words
    assert not (tmp_path / "made").exists()


def test_the_demo_never_takes_the_place_of_a_real_workshop(tmp_path: Path, sqlite_template: bytes) -> None:
    from_before = open_store(f"sqlite:///{tmp_path / 'spoolkeep.sqlite'}")
    (tmp_path / "spoolkeep.sqlite").write_bytes(sqlite_template)
    with from_before.write() as session:
        session.get_one(Workshop, 1).ready_at = NOW
    from_before.close()
    with pytest.raises(Conflict, match="not the demo"):
        prepare(Instance(tmp_path), now=NOW, fresh=True)


def test_the_files_describe_a_workshop_that_is_large_enough_to_find_faults() -> None:
    found = read_described(demo_folder())
    items, machines = found.articles.values(), found.machines.values()
    assert len(machines) == 12
    assert sum(one.feeds == 4 for one in machines) >= 2
    assert any(one.holder for one in machines)
    assert len(items) == 30
    assert {one.material for one in items} == {"PLA", "PETG", "ASA", "TPU", "PA"}
    assert {"matt", "silk", "clear", "glow"} <= {one.finish for one in items}
    assert {one.shade.count("/") for one in items} == {0, 1, 2}
    assert len(found.suppliers) == 3
    assert any(one.refill for one in found.offers)
    assert any(one.price_breaks for one in found.offers)
    assert any(one.pack > 1 for one in found.offers)
    assert any(one.free_from for one in found.suppliers.values())
    assert any(one.from_day > 365 for one in items)
    assert any(one.drift_a_year < 0.5 for one in found.products.values())


def test_the_demo_s_suppliers_take_orders_on_their_day_and_close_and_take_off_as_described(
    demo: tuple[Store, Truth],
) -> None:
    with demo[0].read() as session:
        shop = load_shop(session)
        known = leadtimes.learned(session, shop=shop, today=TODAY)
        off = offers.baskets(session)
    for row in told().suppliers.values():
        found = known[demo[1].numbers.suppliers[row.name]]
        assert found.order_days == 1 << WEEKDAYS.index(row.order_day)
        assert len(found.closed) == row.closed_for
        assert off.get(found.supplier_id, ()) == row.basket_breaks
        assert found.came


def test_every_maker_s_code_in_the_files_checks_out() -> None:
    codes = [one.ean for one in read_described(demo_folder()).offers if one.ean]
    assert codes
    for code in codes:
        read = read_code(code)
        assert isinstance(read, RetailCode)
        # GS1 General Specifications: prefixes 200 to 299 are for use within a company, and no maker's
        assert code.startswith("2")


def names_in(session: Session) -> dict[int | None, str]:
    """Give everybody's name by number."""
    return {one.id: one.name or "" for one in session.scalars(select(Actor))}


ON_THE_FLOOR = {"scan", "job", "plan job", "start job", "end job", "weighing", "ran out", "stop"}
AT_THE_DESK = {"settings", "machine", "place", "item", "supplier", "offer", "product"} | {
    "draft order", "order sent", "order promised", "takings"
}  # fmt: skip


def test_acts_on_the_floor_carry_the_name_of_who_was_at_the_bench_that_day(demo: tuple[Store, Truth]) -> None:
    there = {day: one.name for one in told().people for day in one.bench}
    with demo[0].read() as session:
        names, clock = names_in(session), load_shop(session).clock
        acts = session.scalars(select(Act).where(col(Act.station_id).is_not(None))).all()
        (station,) = session.scalars(select(Station))
    assert {(one.actor_id, one.station_id, one.token_id) for one in acts} == {
        (FIRST_ACTOR, station.id, station.token_id)
    }
    days = [WEEKDAYS[clock.day_of(one.recorded_at).weekday()] for one in acts]
    assert [names[one.person_id] for one in acts] == [there[day] for day in days]
    assert set(days) == set(told().simulation.hours)
    missing = {*ON_THE_FLOOR, "delivery"} - {one.kind for one in acts}
    assert missing <= {"stop"}  # in these weeks no machine may have stood still for long
    assert not {one.kind for one in acts} & AT_THE_DESK


def test_acts_at_the_desk_are_the_owner_s(demo: tuple[Store, Truth]) -> None:
    store, truth = demo
    with store.read() as session:
        names = names_in(session)
        acts = session.scalars(select(Act).where(col(Act.station_id).is_(None))).all()
    assert {(names[one.actor_id], one.person_id) for one in acts} == {("Marlis", None)}
    assert {one.actor_id for one in acts} == {owner_of(store)} == {truth.numbers.people["Marlis"]}
    assert {one.kind for one in acts} >= AT_THE_DESK
    assert not {one.kind for one in acts} & ON_THE_FLOOR


def test_the_demo_s_people_come_in_once_and_its_station_stays_signed_in(demo: tuple[Store, Truth]) -> None:
    store, truth = demo
    with store.read() as session:
        there = people.listing(session=session, now=NOW)
        visits = session.scalars(select(Visit)).all()
        assert [one.label for one in tokens.standing(session=session, now=NOW, kind="station")] == ["Bench"]
        assert session.scalars(select(col(Token.used_at))).one() is not None
    assert {one.name: one.actor_id for one in there} == truth.numbers.people
    assert sorted(one.role for one in there) == [Role.OPERATOR, Role.OPERATOR, Role.OWNER, Role.READER]
    assert len(visits) == len(there) + 1


def without_people(_told: Described, _numbers: object, *, session: Session, now: datetime) -> Crew:
    """Let nobody in, as before there were people: every act was the first actor's."""
    station = session.scalars(select(Station)).first()
    if station is None:
        made = stations.sign_in(session=session, now=now, label="Bench 1")
        return Crew(FIRST_ACTOR, made.station_id, made.token_id, {})
    return Crew(FIRST_ACTOR, station.id, station.token_id or 0, {})


def built_before(folder: Path, monkeypatch: pytest.MonkeyPatch) -> Instance:
    """Give a demo as it was before there were people, brought forward: its station is signed out."""
    instance = Instance(folder)
    with monkeypatch.context() as before:
        before.setattr("spoolkeep.services.demo.build.let_in", without_people)
        prepare(instance, now=NOW, days=8)
    written = json.loads((folder / "truth.json").read_bytes())
    assert written["numbers"].pop("people") == {}
    (folder / "truth.json").write_text(json.dumps(written))
    with closing(instance.open()) as store, store.write() as session:
        session.scalars(select(Token)).one().revoked_at = NOW
    return instance


def test_a_demo_from_before_there_were_people_gets_them_where_no_day_is_missing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    instance = built_before(tmp_path, monkeypatch)
    assert prepare(instance, now=NOW, days=8) == AS_IT_WAS
    assert prepare(instance, now=NOW, days=8) == AS_IT_WAS
    truth = load(tmp_path)
    assert truth is not None
    with closing(instance.open()) as store:
        assert owner_of(store) == truth.numbers.people["Marlis"]
        with store.read() as session:
            there = people.listing(session=session, now=NOW)
            standing = tokens.standing(session=session, now=NOW, kind="station")
    assert [one.name for one in there] == [one.name for one in told().people]
    assert len(standing) == 1


def test_a_demo_from_before_there_were_people_goes_on_with_them(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    instance = built_before(tmp_path, monkeypatch)
    with closing(instance.open()) as store, store.read() as session:
        last = session.scalars(select(func.max(col(Act.id)))).one()
    assert prepare(instance, now=NOW + timedelta(days=6), days=8) == WENT_ON
    with closing(instance.open()) as store, store.read() as session:
        names = names_in(session)
        acts = session.scalars(select(Act).where(col(Act.id) > last)).all()
        assert list(differences(session)) == []
    assert {names[one.person_id or one.actor_id] for one in acts} == {"Marlis", "Tavin", "Odwyn"}


def test_the_demo_goes_on_without_the_name_of_one_who_was_removed(tmp_path: Path) -> None:
    instance = Instance(tmp_path)
    prepare(instance, now=NOW, days=8)
    with closing(instance.open()) as store, store.write() as session:
        gone = people.named(session, "Tavin")
        assert gone is not None
        number = gone[1].id
        people.remove_name(session=session, now=NOW, by_id=owner_of(store), actor_id=number)
        last = session.scalars(select(func.max(col(Act.id)))).one()
    assert prepare(instance, now=NOW + timedelta(days=7), days=8) == WENT_ON
    with closing(instance.open()) as store, store.read() as session:
        assert session.get(Person, number) is None
        since = session.scalars(
            select(col(Act.person_id)).where(col(Act.id) > last, col(Act.station_id).is_not(None))
        ).all()
    assert None in since
    assert number not in since


def test_nobody_owns_a_database_that_is_no_demo(store: Store) -> None:
    with pytest.raises(NotFound, match="Nobody owns this demo"):
        owner_of(store)
