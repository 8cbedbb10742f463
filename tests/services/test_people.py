"""People come with a role and go without a trace of their name, while what they booked stays in the books."""

from collections.abc import Iterator
from datetime import datetime, timedelta
from pathlib import Path

import pytest
from sqlalchemy import MetaData, func, inspect, select
from sqlmodel import col

from spoolkeep.domain.errors import BadInput, Conflict, NotFound
from spoolkeep.domain.words import LinkKind, Role
from spoolkeep.services import acts, bench, deliveries, links, people, signing, stations, tokens, visits
from spoolkeep.services.deliveries import Arrived
from spoolkeep.store.acts import By
from spoolkeep.store.engine import Store
from spoolkeep.store.proof import differences
from spoolkeep.store.seeds import FIRST_ACTOR
from spoolkeep.store.tables import Act
from tests.workshop import TestWorkshop, somebody

NAME = "Thessaly Quorvane"
DAY = timedelta(days=1)


@pytest.fixture
def ada(store: Store, now: datetime) -> int:
    return somebody(store, now, "Ada")


@pytest.fixture
def ben(store: Store, now: datetime, ada: int) -> int:
    del ada
    return somebody(store, now, "Ben", Role.OPERATOR)


def _add(store: Store, now: datetime, name: str, role: Role = Role.OPERATOR) -> int:
    with store.write() as session:
        return people.add(session=session, now=now, by_id=None, name=name, role=role)


def _let_in(store: Store, at: datetime, actor_id: int) -> str:
    with store.write() as session:
        return tokens.for_browser(session, at, actor_id=actor_id, label="computer")


def _asks(store: Store, at: datetime, secret: str) -> tokens.Caller | None:
    with store.read() as session:
        return tokens.caller_of(session=session, now=at, secret=secret, kinds=("browser", "station", "api"))


def _names(store: Store, now: datetime) -> list[str]:
    with store.read() as session:
        return [one.name for one in people.listing(session=session, now=now)]


# ------------------------------------------------------------------ coming


@pytest.mark.parametrize("again", ["Ada", "ada", "  ADA ", "Ada\n"])
def test_no_two_people_have_one_name(store: Store, now: datetime, ada: int, again: str) -> None:
    del ada
    with pytest.raises(Conflict) as refused:
        _add(store, now, again)
    assert refused.value.code == "name_taken"


def test_accents_are_the_same_however_they_are_encoded(store: Store, now: datetime) -> None:
    """Source: The Unicode Standard, section 3.13, D145."""
    _add(store, now, "Zo\u00eb")
    with pytest.raises(Conflict):
        _add(store, now, "Zoe\u0308")
    assert _add(store, now, "Zoe")


@pytest.mark.parametrize("name", ["", "   ", "x" * 81])
def test_a_person_has_a_name(store: Store, now: datetime, name: str) -> None:
    with pytest.raises(BadInput):
        _add(store, now, name)


def test_a_workshop_has_an_owner_once_somebody_with_a_password_owns_it(store: Store, now: datetime) -> None:
    with store.read() as session:
        assert not people.has_owner(session)
    ada = _add(store, now, "Ada", Role.OWNER)
    with store.read() as session:
        assert not people.has_owner(session)
    with store.write() as session:
        people.choose_password(session=session, now=now, actor_id=ada, password_hash="kept for Ada")
        assert people.has_owner(session)


def test_the_owner_in_the_terminal_is_given_a_new_password_and_every_device_is_signed_out(
    store: Store, now: datetime, ada: int
) -> None:
    secret = _let_in(store, now, ada)
    with store.write() as session:
        again = people.set_owner(session=session, now=now, name=" ada", password_hash="kept anew")
    assert again == ada
    assert _asks(store, now, secret) is None
    assert _names(store, now) == ["Ada"]


@pytest.mark.parametrize("name", ["Ben", "Adda"])
def test_where_the_workshop_is_owned_the_terminal_makes_no_further_owner(
    store: Store, now: datetime, ada: int, ben: int, name: str
) -> None:
    with store.write() as session, pytest.raises(Conflict, match="does not own this workshop"):
        people.set_owner(session=session, now=now, name=name, password_hash="kept anew")
    with store.read() as session:
        assert {one.actor_id: one.role for one in people.listing(session=session, now=now)} == {
            ada: Role.OWNER,
            ben: Role.OPERATOR,
        }
    with store.write() as session:
        people.give_role(session=session, now=now, by_id=ada, actor_id=ben, role=Role.OWNER)
    with store.read() as session, pytest.raises(BadInput, match="several owners"):
        people.only_owner(session)


def test_the_only_owner_need_not_be_named(store: Store, now: datetime) -> None:
    with store.read() as session, pytest.raises(BadInput, match="Nobody owns"):
        people.only_owner(session)
    somebody(store, now, "Ada")
    with store.read() as session:
        assert people.only_owner(session) == "Ada"


# ------------------------------------------------------------------ what a person may, from now on


def test_a_part_that_is_given_holds_at_the_next_request(store: Store, now: datetime, ada: int, ben: int) -> None:
    secret = _let_in(store, now, ben)
    for role in (Role.READER, Role.OWNER, Role.OPERATOR):
        with store.write() as session:
            people.give_role(session=session, now=now, by_id=ada, actor_id=ben, role=role)
        asks = _asks(store, now, secret)
        assert asks is not None
        assert asks.role is role


def test_the_last_owner_cannot_be_demoted_removed_or_shut_out(store: Store, now: datetime, ada: int, ben: int) -> None:
    _add(store, now, "Cy", Role.OWNER)  # who never chose a password
    with store.write() as session:
        for role in (Role.OPERATOR, Role.READER):
            with pytest.raises(Conflict) as refused:
                people.give_role(session=session, now=now, by_id=ada, actor_id=ada, role=role)
            assert refused.value.code == "last_owner"
        with pytest.raises(Conflict):
            people.remove_name(session=session, now=now, by_id=ben, actor_id=ada)
        with pytest.raises(Conflict):
            people.forget_password(session=session, now=now, by_id=ada, actor_id=ada)
        people.give_role(session=session, now=now, by_id=ada, actor_id=ada, role=Role.OWNER)
    assert _names(store, now) == ["Ada", "Ben", "Cy"]


def test_one_of_two_owners_may_go(store: Store, now: datetime, ada: int, ben: int) -> None:
    with store.write() as session:
        people.give_role(session=session, now=now, by_id=ada, actor_id=ben, role=Role.OWNER)
        people.remove_name(session=session, now=now, by_id=ben, actor_id=ada)
    assert _names(store, now) == ["Ben"]
    with store.write() as session, pytest.raises(Conflict):
        people.remove_name(session=session, now=now, by_id=ben, actor_id=ben)


@pytest.mark.parametrize("number", [0, -1, 999, FIRST_ACTOR])
def test_who_is_no_person_is_not_changed(store: Store, now: datetime, ada: int, number: int) -> None:
    """The first actor stands for the workshop itself, under which stations book; nobody signs in as it."""
    with store.write() as session:
        for change in (people.sign_out_everywhere, people.remove_name, people.forget_password):
            with pytest.raises(NotFound):
                change(session=session, now=now, by_id=ada, actor_id=number)
        with pytest.raises(NotFound):
            people.give_role(session=session, now=now, by_id=ada, actor_id=number, role=Role.OWNER)
        with pytest.raises(NotFound):
            people.choose_password(session=session, now=now, actor_id=number, password_hash="kept")


# ------------------------------------------------------------------ signing out


def test_sign_out_everywhere_ends_every_sign_in_of_that_person_only(
    store: Store, now: datetime, ada: int, ben: int
) -> None:
    bens = [_let_in(store, now, ben) for _ in range(3)]
    adas = _let_in(store, now, ada)
    with store.write() as session:
        station = stations.sign_in(session=session, now=now, label="Bench", by_id=ben)
        people.sign_out_everywhere(session=session, now=now, by_id=ada, actor_id=ben)
    assert [_asks(store, now, secret) for secret in bens] == [None] * 3
    assert _asks(store, now, adas)
    assert _asks(store, now, station.secret), "a station is nobody's own"


def test_sign_out_everywhere_forgets_the_devices_on_which_a_person_is_known(
    store: Store, now: datetime, ada: int
) -> None:
    """A stolen device is a stranger's from then on, and its guesses count with the strangers'."""
    with store.write() as session:
        device = signing.admit(session=session, now=now, actor_id=ada, device_secret="", label="x").device_secret
        tried = signing.begin(session=session, now=now, name="Ada", address="192.0.2.1", device_secret=device)
        assert tried.known
        people.sign_out_everywhere(session=session, now=now, by_id=ada, actor_id=ada)
        tried = signing.begin(session=session, now=now, name="Ada", address="192.0.2.1", device_secret=device)
        assert not tried.known


def test_a_forgotten_password_is_replaced_by_a_link(store: Store, now: datetime, ada: int, ben: int) -> None:
    secret = _let_in(store, now, ben)
    with store.write() as session:
        link = people.forget_password(session=session, now=now, by_id=ada, actor_id=ben)
        assert links.look(session=session, now=now, secret=link).needs_password
        person = people.by_number(session, ben)
        assert person is not None
        assert person.password_hash is None
    assert _asks(store, now, secret) is None


def test_the_list_says_on_how_many_devices_each_is_signed_in(store: Store, now: datetime, ada: int, ben: int) -> None:
    del ada
    _let_in(store, now - 40 * DAY, ben)
    _let_in(store, now - DAY, ben)
    ended = _let_in(store, now, ben)
    with store.write() as session:
        asks = tokens.caller_of(session=session, now=now, secret=ended, kinds=("browser",))
        assert asks is not None
        signing.sign_out(session=session, now=now, token_id=asks.token_id, actor_id=ben)
    with store.read() as session:
        found = {one.name: one for one in people.listing(session=session, now=now)}
    assert (found["Ada"].devices, found["Ada"].seen_at) == (0, None)
    assert (found["Ben"].devices, found["Ben"].seen_at) == (1, now - DAY)


# ------------------------------------------------------------------ a name goes


@pytest.fixture
def shop(store: Store, now: datetime) -> TestWorkshop:
    return TestWorkshop(store, now)


@pytest.fixture
def gone(shop: TestWorkshop, ada: int) -> int:
    """Give the number of somebody who came, booked on a computer and at a station, guessed, and was removed."""
    now, store = shop.now, shop.store
    number = _add(store, now, NAME)
    with store.write() as session:
        secret = links.make(
            session=session, now=now, kind=LinkKind.PERSON, lasts=links.SENT_LASTS, actor_id=number, by_id=ada
        )
        link = links.use(session=session, now=now, secret=secret, address="192.0.2.44")
        signing.come_in(
            session=session, now=now, link=link, name="", password_hash="kept", device_secret="", label="computer"
        )
        signing.begin(session=session, now=now, name=NAME, address="192.0.2.44", device_secret="")
        made = stations.sign_in(session=session, now=now, label="Bench", by_id=number)
        stations.say_who(session=session, now=now, station_id=made.station_id, actor_id=number)
        arrived = Arrived(shop.articles[0], 1, 1_000_000, 1900, tare_mg=200_000)
        deliveries.book_delivery(session=session, now=now, by=By(number, "own"), arrived=[arrived])
        at_bench = By(FIRST_ACTOR, "shared", station_id=made.station_id, token_id=made.token_id, person_id=number)
        bench.scan(session=session, now=now, by=at_bench, text=shop.feeds[0])
        deliveries.book_delivery(
            session=session,
            now=now,
            by=By(FIRST_ACTOR, "shared-2", made.station_id, made.token_id, number),
            arrived=[arrived],
        )
        assert stations.who_is_at(session=session, now=now, station_id=made.station_id)
    assert NAME in set(_every_text(store))
    with store.write() as session:
        people.remove_name(session=session, now=now, by_id=ada, actor_id=number)
    return number


def _every_text(store: Store) -> Iterator[str]:
    """Give every value of every column of every table that the database itself names."""
    found = MetaData()
    found.reflect(store.engine)
    assert set(found.tables) == set(inspect(store.engine).get_table_names())
    with store.engine.connect() as connection:
        for table in found.sorted_tables:
            for row in connection.execute(select(table)):
                yield from (str(value) for value in row)


def test_a_removed_name_is_nowhere_in_the_database(shop: TestWorkshop, gone: int) -> None:
    del gone
    every = list(_every_text(shop.store))
    assert len(every) > 200
    for part in NAME.casefold().split():
        assert [text for text in every if part in text.casefold()] == []


def test_a_removed_name_is_not_in_the_file_either(sqlite_store: Store, now: datetime) -> None:
    """What SQLite leaves behind of a row that changed is written over, and so is its journal."""
    ada, number = somebody(sqlite_store, now, "Ada"), _add(sqlite_store, now, NAME)
    path = Path(str(sqlite_store.engine.url.database))
    assert NAME.encode() in path.read_bytes()
    with sqlite_store.write() as session:
        people.remove_name(session=session, now=now, by_id=ada, actor_id=number)
    sqlite_store.close()
    left = b"".join(one.read_bytes() for one in path.parent.iterdir() if one.name.startswith(path.name))
    assert NAME.encode() not in left


def test_what_a_removed_person_booked_stays_under_a_number(shop: TestWorkshop, gone: int) -> None:
    with shop.store.read() as session:
        latest = acts.recent(session=session, limit=2)
        assert [(one.actor, one.station) for one in latest] == [(f"actor {gone}", "Bench"), (f"actor {gone}", "")]
        own = session.scalars(select(func.count()).select_from(Act).where(col(Act.actor_id) == gone)).one()
    assert own == 1


def test_the_books_are_sound_after_a_name_was_removed(shop: TestWorkshop, gone: int) -> None:
    del gone
    with shop.store.read() as session:
        assert list(differences(session)) == []


def test_a_removed_person_is_nowhere_asked_and_nowhere_at_a_station(shop: TestWorkshop, gone: int, ada: int) -> None:
    with shop.store.read() as session:
        assert [one.actor_id for one in people.listing(session=session, now=shop.now)] == [ada]
        assert [one.actor_id for one in stations.hands(session=session)] == [ada]
        assert stations.who_is_at(session=session, now=shop.now, station_id=1) is None
        assert people.named(session, NAME) is None
        assert people.named(session, f"actor {gone}") is None


def test_where_a_removed_person_came_from_is_forgotten(shop: TestWorkshop, gone: int) -> None:
    with shop.store.read() as session:
        lines = visits.recent(session=session, limit=100)
    theirs = [line for line in lines if line.who == f"actor {gone}"]
    assert {line.kind for line in theirs} >= {"person added", "link used", "password chosen", "name removed"}
    assert {line.address for line in theirs} == {""}


def test_a_removed_person_comes_in_by_nothing(shop: TestWorkshop, ada: int) -> None:
    ben = somebody(shop.store, shop.now, NAME, Role.OPERATOR)
    secret = _let_in(shop.store, shop.now, ben)
    with shop.store.write() as session:
        people.remove_name(session=session, now=shop.now, by_id=ada, actor_id=ben)
    assert _asks(shop.store, shop.now, secret) is None
    with shop.store.write() as session:
        tried = signing.begin(session=session, now=shop.now, name=NAME, address="", device_secret="")
    assert (tried.actor_id, tried.password_hash) == (None, None)


def test_a_name_that_was_removed_can_be_somebody_elses(shop: TestWorkshop, gone: int) -> None:
    assert _add(shop.store, shop.now, NAME) != gone
