"""A browser, a station and a program are known by a secret until it ends, lies unused too long or is revoked."""

from datetime import datetime, timedelta

import pytest
from sqlalchemy import func, select
from sqlmodel import col

from spoolkeep.domain.errors import BadInput, Conflict, NotFound
from spoolkeep.domain.words import Role, Scope
from spoolkeep.services import acts, bench, people, stations, tokens, visits
from spoolkeep.services.shop import load_shop
from spoolkeep.services.stations import NewStation
from spoolkeep.services.tokens import Caller
from spoolkeep.store.acts import By
from spoolkeep.store.engine import Store
from spoolkeep.store.seeds import FIRST_ACTOR
from spoolkeep.store.tables import Act, Actor, Token
from tests.workshop import TestWorkshop, somebody

DAY = timedelta(days=1)
SECOND = timedelta(seconds=1)
WEEKS = 12


@pytest.fixture
def shop(store: Store, now: datetime) -> TestWorkshop:
    return TestWorkshop(store, now)


@pytest.fixture
def ada(store: Store, now: datetime) -> int:
    return somebody(store, now, "Ada")


@pytest.fixture
def station(store: Store, now: datetime, ada: int) -> NewStation:
    with store.write() as session:
        return stations.sign_in(session=session, now=now, label="Phone by the door", by_id=ada)


def _asks(store: Store, at: datetime, secret: str, *kinds: str) -> Caller | None:
    with store.read() as session:
        return tokens.caller_of(session=session, now=at, secret=secret, kinds=kinds or ("browser", "station", "api"))


def _uses(store: Store, at: datetime, secret: str) -> Caller | None:
    """Give who asks, and note the use as the lock does."""
    caller = _asks(store, at, secret)
    if caller and caller.use_to_note:
        with store.write() as session:
            tokens.note_use(session=session, now=at, token_id=caller.token_id)
    return caller


def _let_in(store: Store, at: datetime, actor_id: int) -> str:
    with store.write() as session:
        return tokens.for_browser(session, at, actor_id=actor_id, label="computer")


def _program(store: Store, at: datetime, ada: int, label: str = "Larch script", *scopes: Scope) -> str:
    with store.write() as session:
        return tokens.for_program(
            session=session, now=at, by_id=ada, label=label, scopes=scopes or (Scope.REPORT, Scope.SCAN)
        )


# ------------------------------------------------------------------ what is kept of a secret


def test_a_secret_is_256_random_bits_and_only_its_hash_is_kept(store: Store, now: datetime, ada: int) -> None:
    """Source: OWASP ASVS 5.0.0, V7.2.3: at least 128 bits of a random source; the hash, FIPS 180-4's SHA-256."""
    secrets = {_let_in(store, now, ada) for _ in range(20)}
    assert len(secrets) == 20
    assert {len(secret) for secret in secrets} == {43}  # ceil(256 / 6) letters of base64: RFC 4648, section 5
    with store.read() as session:
        kept = set(session.scalars(select(col(Token.secret_hash)).where(col(Token.kind) == "browser")))
    assert kept == {tokens.digest(secret) for secret in secrets}
    assert {len(one) for one in kept} == {64}
    assert tokens.digest("abc") == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"  # FIPS 180-4


@pytest.mark.parametrize("secret", ["", "x", "\0", "\u00e9", "' OR 1=1 --", "x" * 10_000])
def test_a_secret_that_nobody_was_given_lets_nobody_in(store: Store, now: datetime, ada: int, secret: str) -> None:
    _let_in(store, now, ada)
    assert _asks(store, now, secret) is None


def test_the_hash_that_is_kept_lets_nobody_in(store: Store, now: datetime, ada: int) -> None:
    """Whoever reads a copy of the database has no way in by it."""
    assert _asks(store, now, tokens.digest(_let_in(store, now, ada))) is None


def test_a_secret_holds_only_where_its_kind_is_asked_for(
    store: Store, now: datetime, ada: int, station: NewStation
) -> None:
    by_kind = {"browser": _let_in(store, now, ada), "station": station.secret, "api": _program(store, now, ada)}
    for kind, secret in by_kind.items():
        assert [other for other in by_kind if _asks(store, now, secret, other)] == [kind]


# ------------------------------------------------------------------ browsers


def test_a_browser_is_signed_out_after_thirty_days_however_much_it_is_used(
    store: Store, now: datetime, ada: int
) -> None:
    """Source: NIST SP 800-63B-4, section 2.1.3: signing in again at least once in 30 days."""
    secret = _let_in(store, now, ada)
    signed_in = [_uses(store, now + DAY * day, secret) is not None for day in range(32)]
    assert signed_in == [True] * 30 + [False] * 2
    assert _asks(store, now + 30 * DAY - SECOND, secret)


def test_a_browser_is_signed_out_after_seven_idle_days(store: Store, now: datetime, ada: int) -> None:
    unused = _let_in(store, now, ada)
    assert _asks(store, now + 7 * DAY, unused)
    assert _asks(store, now + 7 * DAY + SECOND, unused) is None
    used = _let_in(store, now, ada)
    assert _uses(store, now + 6 * DAY, used)
    assert _asks(store, now + 13 * DAY, used)
    assert _asks(store, now + 13 * DAY + SECOND, used) is None


def test_what_ended_stays_ended_however_late_it_is_used_again(store: Store, now: datetime, ada: int) -> None:
    secret = _let_in(store, now, ada)
    for later in (8, 9, 31):
        assert _uses(store, now + DAY * later, secret) is None


def test_a_use_is_noted_once_an_hour(store: Store, now: datetime, ada: int) -> None:
    """A write at every page would hold the scans up."""
    secret = _let_in(store, now, ada)
    noted = []
    for minute in range(0, 200, 10):
        caller = _uses(store, now + timedelta(minutes=minute), secret)
        assert caller is not None
        noted.append(caller.use_to_note)
    assert sum(noted) == 2


def test_who_may_sign_in_no_longer_asks_no_longer(store: Store, now: datetime, ada: int) -> None:
    ben = somebody(store, now, "Ben", Role.OPERATOR)
    secret = _let_in(store, now, ben)
    with store.write() as session:
        people.remove_name(session=session, now=now, by_id=ada, actor_id=ben)
    assert _asks(store, now, secret) is None


# ------------------------------------------------------------------ stations


def test_a_station_in_use_is_signed_in_for_twelve_weeks_then_revoked_in_one_press(
    shop: TestWorkshop, station: NewStation, ada: int
) -> None:
    """Six days a week for a season: two scans each day. Its scans are in the books afterwards."""
    store, start = shop.store, shop.now
    code = shop.deliver()[0]
    scans = 0
    for day in range(7 * WEEKS):
        at = start + DAY * day
        if at.weekday() < 6:
            caller = _uses(store, at, station.secret)
            assert caller is not None, day
            for text in (code, shop.feeds[scans // 2 % 2]):
                _scan(shop, caller, at, text)
                scans += 1
    end = start + DAY * 7 * WEEKS
    with store.write() as session:
        assert tokens.revoke(session=session, now=end, by_id=ada, token_id=station.token_id) == "Phone by the door"
    assert _asks(store, end, station.secret) is None
    with store.read() as session:
        kept = session.scalars(select(func.count()).where(col(Act.station_id) == station.station_id)).one()
        latest = acts.recent(session=session, limit=200, station_id=station.station_id)
        standing = tokens.standing(session=session, now=end, kind="station")
    assert scans == kept == 2 * 6 * WEEKS
    assert len(latest) == scans // 2, "every second scan moved the spool"
    assert {one.station for one in latest} == {"Phone by the door"}
    assert standing == []


def _scan(shop: TestWorkshop, caller: Caller, at: datetime, text: str) -> None:
    by = By(caller.actor_id, f"{at:%j}-{text}", station_id=caller.station_id, token_id=caller.token_id)
    with shop.store.write() as session:
        bench.scan(session=session, now=at, by=by, text=text)


def test_a_station_that_lay_unused_for_a_hundred_days_is_out(store: Store, now: datetime, station: NewStation) -> None:
    assert tokens.STATION_IDLE_DAYS == 100
    assert _uses(store, now + DAY, station.secret)
    assert _asks(store, now + 101 * DAY, station.secret)
    assert _asks(store, now + 101 * DAY + SECOND, station.secret) is None
    with store.read() as session:
        assert tokens.standing(session=session, now=now + 102 * DAY, kind="station") == []


def test_a_station_books_as_the_workshop_and_has_no_role(store: Store, now: datetime, station: NewStation) -> None:
    caller = _asks(store, now, station.secret)
    assert caller is not None
    assert (caller.actor_id, caller.role, caller.scopes) == (FIRST_ACTOR, None, frozenset())
    assert (caller.station_id, caller.station) == (station.station_id, "Phone by the door")


@pytest.mark.parametrize("label", ["", " \n ", "x" * 81])
def test_a_station_has_a_label(store: Store, now: datetime, label: str) -> None:
    with store.write() as session, pytest.raises(BadInput):
        stations.sign_in(session=session, now=now, label=label)


def test_a_station_is_revoked_once(store: Store, now: datetime, station: NewStation, ada: int) -> None:
    with store.write() as session:
        tokens.revoke(session=session, now=now, by_id=ada, token_id=station.token_id)
        with pytest.raises(Conflict):
            tokens.revoke(session=session, now=now, by_id=ada, token_id=station.token_id)
        with pytest.raises(NotFound):
            tokens.revoke(session=session, now=now, by_id=ada, token_id=9_999)


def test_a_persons_own_sign_in_is_not_revoked_as_a_station(store: Store, now: datetime, ada: int) -> None:
    caller = _asks(store, now, _let_in(store, now, ada))
    assert caller is not None
    with store.write() as session, pytest.raises(NotFound):
        tokens.revoke(session=session, now=now, by_id=ada, token_id=caller.token_id)


def test_a_persons_browser_that_scans_has_a_place_of_its_own(store: Store, now: datetime, ada: int) -> None:
    """So that undo there takes back what was scanned there; it is in no list of stations."""
    secret = _let_in(store, now, ada)
    caller = _asks(store, now, secret)
    assert caller is not None
    with store.write() as session:
        first = stations.of_token(session=session, now=now, token_id=caller.token_id)
        assert stations.of_token(session=session, now=now, token_id=caller.token_id) == first
        assert tokens.standing(session=session, now=now, kind="station") == []
    again = _asks(store, now, secret)
    assert again is not None
    assert (again.station_id, again.kind, again.role) == (first, "browser", Role.OWNER)


# ------------------------------------------------------------------ who is at a station


def test_who_is_at_a_station_ends_with_the_shop_day(shop: TestWorkshop, station: NewStation, ada: int) -> None:
    """The shop day begins at four in the morning by the workshop's clock: DESIGN.md's night shift."""
    with shop.store.write() as session:
        workshop = load_shop(session)
        shop_day = workshop.clock.span_of(workshop.today(shop.now))
        stations.say_who(session=session, now=shop.now, station_id=station.station_id, actor_id=ada)
        for at, name in ((shop.now, "Ada"), (shop_day[1] - SECOND, "Ada"), (shop_day[1], None)):
            here = stations.who_is_at(session=session, now=at, station_id=station.station_id)
            assert (here.name if here else None) == name


def test_another_who_says_so_takes_over_and_nobody_named_ends_it(
    shop: TestWorkshop, station: NewStation, ada: int
) -> None:
    ben = somebody(shop.store, shop.now, "Ben", Role.OPERATOR)
    found = []
    with shop.store.write() as session:
        for who in (ada, ben, None, ada):
            stations.say_who(session=session, now=shop.now, station_id=station.station_id, actor_id=who)
            here = stations.who_is_at(session=session, now=shop.now, station_id=station.station_id)
            found.append(here.actor_id if here else None)
    assert found == [ada, ben, None, ada]


def test_a_reader_cannot_be_at_a_station(shop: TestWorkshop, station: NewStation, ada: int) -> None:
    cy = somebody(shop.store, shop.now, "Cy", Role.READER)
    with shop.store.write() as session:
        assert [one.actor_id for one in stations.hands(session=session)] == [ada]
        for nobody in (cy, FIRST_ACTOR, 999):
            with pytest.raises(NotFound):
                stations.say_who(session=session, now=shop.now, station_id=station.station_id, actor_id=nobody)


def test_who_became_a_reader_is_at_no_station_any_more(shop: TestWorkshop, station: NewStation, ada: int) -> None:
    ben = somebody(shop.store, shop.now, "Ben", Role.OPERATOR)
    with shop.store.write() as session:
        stations.say_who(session=session, now=shop.now, station_id=station.station_id, actor_id=ben)
        people.give_role(session=session, now=shop.now, by_id=ada, actor_id=ben, role=Role.READER)
        assert stations.who_is_at(session=session, now=shop.now, station_id=station.station_id) is None


# ------------------------------------------------------------------ programs


def test_a_programs_token_carries_its_scopes_and_no_role(store: Store, now: datetime, ada: int) -> None:
    caller = _asks(store, now, _program(store, now, ada, "Larch script", Scope.SEE, Scope.SCAN))
    assert caller is not None
    assert caller.scopes == {Scope.SEE, Scope.SCAN}
    assert (caller.name, caller.role, caller.station_id) == ("Larch script", None, None)


def test_a_programs_token_ends_after_a_year_or_as_told(store: Store, now: datetime, ada: int) -> None:
    secret = _program(store, now, ada)
    assert _asks(store, now + 365 * DAY - SECOND, secret)
    assert _asks(store, now + 365 * DAY, secret) is None
    with store.write() as session:
        short = tokens.for_program(session=session, now=now, by_id=ada, label="Short", scopes=(Scope.SEE,), days=1)
    assert _asks(store, now + DAY - SECOND, short)
    assert _asks(store, now + DAY, short) is None


@pytest.mark.parametrize("days", [0, -1, 1096])
def test_a_token_for_no_days_or_for_ever_is_refused(store: Store, now: datetime, ada: int, days: int) -> None:
    with store.write() as session, pytest.raises(BadInput):
        tokens.for_program(session=session, now=now, by_id=ada, label="Script", scopes=(Scope.SEE,), days=days)


def test_a_token_without_a_label_or_a_scope_is_refused(store: Store, now: datetime, ada: int) -> None:
    with store.write() as session:
        for label, scopes in (("", (Scope.SEE,)), ("x" * 81, (Scope.SEE,)), ("Script", ())):
            with pytest.raises(BadInput):
                tokens.for_program(session=session, now=now, by_id=ada, label=label, scopes=scopes)


def test_a_new_token_under_an_old_label_is_the_same_program(store: Store, now: datetime, ada: int) -> None:
    """What it sent before under a key is known again, and the old token goes on until it is revoked."""
    old, new = _program(store, now, ada), _program(store, now, ada, " larch SCRIPT ")
    other = _program(store, now, ada, "Alder script")
    before, after, apart = (_asks(store, now, secret) for secret in (old, new, other))
    assert before is not None
    assert after is not None
    assert apart is not None
    assert before.actor_id == after.actor_id != apart.actor_id
    assert before.token_id != after.token_id
    with store.read() as session:
        assert session.scalars(select(func.count()).where(col(Actor.kind) == "program")).one() == 2


def test_a_program_called_like_a_person_is_not_that_person(store: Store, now: datetime, ada: int) -> None:
    caller = _asks(store, now, _program(store, now, ada, "Ada"))
    assert caller is not None
    assert caller.actor_id != ada
    with store.read() as session:
        assert caller.actor_id not in {one.actor_id for one in people.listing(session=session, now=now)}


def test_a_revoked_token_is_refused_at_once_and_its_secret_stood_nowhere(store: Store, now: datetime, ada: int) -> None:
    secret = _program(store, now, ada)
    caller = _asks(store, now, secret)
    assert caller is not None
    with store.write() as session:
        tokens.revoke(session=session, now=now, by_id=ada, token_id=caller.token_id)
    assert _asks(store, now, secret) is None
    with store.read() as session:
        told = [f"{one.about} {one.who} {one.by}" for one in visits.recent(session=session, limit=50)]
    assert any("Larch script" in line for line in told)
    assert not any(secret in line for line in told)
