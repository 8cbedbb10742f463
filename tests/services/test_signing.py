"""Guessing is slow from anywhere, and nobody can lock the owner out: counted day by day, on either database."""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import count

import pytest
from argon2 import PasswordHasher
from sqlalchemy import func, select
from sqlmodel import col

from spoolkeep.domain.errors import NotSignedIn
from spoolkeep.domain.words import LinkKind, Role, VisitKind
from spoolkeep.services import links, passwords, people, signing, tokens, visits
from spoolkeep.services.signing import DAILY, HOURLY, PERSON_DAILY, LetIn, Try
from spoolkeep.store.engine import Store, open_store
from spoolkeep.store.tables import KnownDevice, Visit
from tests.workshop import somebody

RIGHT, GUESS = "tin kettle under slow rain", "a guess"
PLANTED = "planted by somebody"
STRANGER = "198.51.100.7"
HOME = "192.0.2.10"
MINUTE, HOUR, DAY = timedelta(minutes=1), timedelta(hours=1), timedelta(days=1)


@dataclass
class Door:
    """The door as the web goes through it, without the time that a check takes: whoever writes RIGHT is right."""

    store: Store

    def knock(
        self, at: datetime, *, name: str = "Ada", address: str = STRANGER, password: str = GUESS, device: str = ""
    ) -> tuple[Try, LetIn | None]:
        """Give the try and what it earned."""
        with self.store.write() as session:
            tried = signing.begin(session=session, now=at, name=name, address=address, device_secret=device)
        if tried.visit_id is None or password != RIGHT or tried.password_hash is None:
            return tried, None
        with self.store.write() as session:
            return tried, signing.let_in(session=session, now=at, tried=tried, device_secret=device, label="computer")

    def looked_at(self, at: datetime, **how: str) -> bool:
        """Give whether a wrong guess is looked at."""
        return self.knock(at, **how)[0].visit_id is not None

    def comes_in(self, at: datetime, **how: str) -> LetIn | None:
        """Give the secrets that the right password earns, or None."""
        return self.knock(at, password=RIGHT, **how)[1]

    def link(self, at: datetime, actor_id: int) -> LetIn:
        """Give what a new device earns with a link that the person's known device shows."""
        with self.store.write() as session:
            secret = links.make(
                session=session,
                now=at,
                kind=LinkKind.PERSON,
                lasts=links.AT_HAND_LASTS,
                actor_id=actor_id,
                by_id=actor_id,
            )
        with self.store.write() as session:
            link = links.use(session=session, now=at, secret=secret, address=STRANGER)
            return signing.come_in(
                session=session, now=at, link=link, name="", password_hash=None, device_secret="", label="phone"
            )


@pytest.fixture
def door(store: Store) -> Door:
    return Door(store)


@pytest.fixture
def ada(store: Store, now: datetime) -> int:
    """Give the number of the only owner."""
    return somebody(store, now, "Ada")


@pytest.fixture
def device(door: Door, ada: int, now: datetime) -> str:
    """Give the secret of the device on which Ada signed in before."""
    del ada
    let_in = door.comes_in(now - DAY, address=HOME)
    assert let_in is not None
    return let_in.device_secret


Guess = Callable[[datetime], bool]


def _a_day(guess: Guess, start: datetime, *, every: timedelta = 10 * MINUTE, at_once: int = 1) -> int:
    """Give how many of a day's guesses are looked at: some at once, again and again from `start` on."""
    moments = [start + every * n for n in range(int(DAY / every))]
    return sum(guess(at) for at in moments for _ in range(at_once))


# ------------------------------------------------------------------ the limits, as their constants say


def test_the_limits_are_those_that_the_paper_tells() -> None:
    """Source: NIST SP 800-63B-4, section 3.2.2, from memory: at most 100 wrong tries in a row on one account."""
    assert (HOURLY, DAILY, PERSON_DAILY) == (10, 30, 100)


def test_one_address_has_ten_guesses_in_an_hour_then_waits_it_out(door: Door, ada: int, now: datetime) -> None:
    del ada
    assert [door.looked_at(now) for _ in range(HOURLY + 2)] == [True] * HOURLY + [False] * 2
    assert not door.looked_at(now + HOUR - MINUTE)
    assert door.looked_at(now + HOUR)


def test_one_address_has_thirty_guesses_in_a_day(door: Door, ada: int, now: datetime) -> None:
    del ada
    found = [door.looked_at(now + HOUR * hour) for hour in range(4) for _ in range(HOURLY)]
    assert found == [True] * DAILY + [False] * HOURLY
    assert not door.looked_at(now + DAY - MINUTE)
    assert door.looked_at(now + DAY)


def test_one_persons_many_strangers_have_a_hundred_guesses_in_a_day(door: Door, ada: int, now: datetime) -> None:
    del ada
    found = [door.looked_at(now, address=f"203.0.113.{n}") for n in range(PERSON_DAILY + 5)]
    assert found == [True] * PERSON_DAILY + [False] * 5
    assert not door.looked_at(now + DAY - MINUTE, address="198.51.100.200")
    assert door.looked_at(now + DAY, address="198.51.100.201")


def test_guesses_a_day_from_one_address_over_three_days(door: Door, ada: int, now: datetime) -> None:
    del ada
    days = [_a_day(door.looked_at, now + DAY * n) for n in range(3)]
    print("guesses a day from one address:", days)  # noqa: T201 - a figure for whoever asks
    assert days == [DAILY] * 3


def test_guesses_a_day_from_many_addresses_over_three_days(door: Door, ada: int, now: datetime) -> None:
    del ada
    other = count(1)

    def guess(at: datetime) -> bool:
        number = next(other)
        return door.looked_at(at, address=f"10.{number // 65_536}.{number // 256 % 256}.{number % 256}")

    days = [_a_day(guess, now + DAY * n, every=HOUR, at_once=5) for n in range(3)]
    print("guesses a day from many addresses:", days)  # noqa: T201 - a figure for whoever asks
    assert days == [PERSON_DAILY] * 3


@pytest.mark.parametrize("name", ["Nobody", "", "x" * 500, "Ada\0"])
def test_a_name_that_nobody_has_counts_alike(door: Door, ada: int, now: datetime, name: str) -> None:
    del ada
    from_one = [door.looked_at(now, name=f"{name}{n}" if name else "") for n in range(HOURLY + 2)]
    assert from_one == [True] * HOURLY + [False] * 2
    from_many = [door.looked_at(now, name=f"{name}{n}", address=f"203.0.113.{n}") for n in range(PERSON_DAILY)]
    assert from_many == [True] * (PERSON_DAILY - HOURLY) + [False] * HOURLY
    assert door.looked_at(now, address="198.51.100.9"), "what is guessed about nobody is not held against Ada"


def test_guesses_about_several_people_from_one_address_count_together(door: Door, ada: int, now: datetime) -> None:
    del ada
    somebody(door.store, now, "Ben", Role.OPERATOR)
    found = [door.looked_at(now, name=("Ada", "Ben", "Nobody")[n % 3]) for n in range(HOURLY + 3)]
    assert found == [True] * HOURLY + [False] * 3


def test_what_was_guessed_about_one_person_is_not_held_against_another(door: Door, ada: int, now: datetime) -> None:
    del ada
    somebody(door.store, now, "Ben", Role.OPERATOR)
    for n in range(PERSON_DAILY):
        door.looked_at(now, address=f"203.0.113.{n}")
    assert door.comes_in(now, name="Ben", address="198.51.100.9")


def test_one_house_of_the_new_internet_has_one_count(door: Door, ada: int, now: datetime) -> None:
    """Source: RFC 4291, section 2.5.1: whoever has one address has 2^64 of them."""
    del ada
    found = [door.looked_at(now, address=f"2001:db8:0:7:{n:x}::1") for n in range(1, HOURLY + 3)]
    assert found == [True] * HOURLY + [False] * 2
    assert door.looked_at(now, address="2001:db8:0:8::1")


def test_an_old_address_in_new_dress_is_the_old_one(door: Door, ada: int, now: datetime) -> None:
    del ada
    found = [door.looked_at(now, address=(STRANGER, f"::ffff:{STRANGER}")[n % 2]) for n in range(HOURLY + 2)]
    assert found == [True] * HOURLY + [False] * 2


def test_a_right_password_is_no_guess(door: Door, ada: int, now: datetime) -> None:
    del ada
    assert all(door.comes_in(now) for _ in range(DAILY + 1))
    assert door.looked_at(now)


def test_a_right_password_is_not_looked_at_either_while_its_address_is_held_off(
    door: Door, ada: int, now: datetime
) -> None:
    del ada
    for _ in range(HOURLY):
        door.looked_at(now)
    tried, earned = door.knock(now, password=RIGHT)
    assert (tried.visit_id, tried.password_hash, earned) == (None, None, None)


def test_a_flood_that_is_held_off_leaves_one_line_an_hour(door: Door, ada: int, now: datetime) -> None:
    del ada
    for minute in range(50):
        door.looked_at(now + MINUTE * minute)
    with door.store.read() as session:
        of_kind = select(func.count()).where(col(Visit.kind) == VisitKind.HELD_OFF)
        assert session.scalars(of_kind).one() == 1


def test_a_guess_counts_from_before_it_is_looked_at(door: Door, ada: int, now: datetime) -> None:
    """Else as many as the server has threads would be looked at in one moment."""
    del ada
    with door.store.write() as session:
        for _ in range(HOURLY):
            assert signing.begin(session=session, now=now, name="Ada", address=STRANGER, device_secret="").visit_id
    assert not door.looked_at(now)


def test_a_right_password_is_not_counted_as_wrong_whatever_follows(door: Door, ada: int, now: datetime) -> None:
    del ada
    for _ in range(DAILY):
        tried, _ = door.knock(now)
        assert tried.visit_id is not None
        with door.store.write() as session:
            signing.was_right(session=session, tried=tried)
    assert [door.looked_at(now) for _ in range(HOURLY + 1)] == [True] * HOURLY + [False]


# ------------------------------------------------------------------ a restart forgets nothing


def test_a_restart_forgets_no_guess(sqlite_store: Store, now: datetime) -> None:
    somebody(sqlite_store, now, "Ada")
    for _ in range(HOURLY):
        Door(sqlite_store).looked_at(now)
    address = sqlite_store.engine.url.render_as_string()
    sqlite_store.close()
    again = open_store(address)
    assert not Door(again).looked_at(now)
    for n in range(PERSON_DAILY):
        Door(again).looked_at(now, address=f"203.0.113.{n}")
    again.close()
    third = open_store(address)
    assert not Door(third).looked_at(now, address="198.51.100.99")
    assert Door(third).looked_at(now + DAY, address="198.51.100.99")
    third.close()


# ------------------------------------------------------------------ the owner signs in throughout


def test_the_owner_signs_in_on_a_known_device_throughout_a_flood(
    door: Door, device: str, now: datetime, ada: int
) -> None:
    """A day and more of guesses every ten minutes, from her own address and from a new one each time."""
    del ada
    signed_in = held_off = 0
    for step in range(156):
        at = now + 10 * MINUTE * step
        door.looked_at(at, address=HOME)
        held_off += not door.looked_at(at, address=f"10.0.0.{step}")
        if step % 12 == 0:
            signed_in += door.comes_in(at, address=HOME, device=device) is not None
    assert signed_in == 13
    assert held_off > 156 // 3, "of the strangers many are not looked at"


def test_a_link_from_a_known_device_lets_a_new_one_in_throughout_a_flood(
    door: Door, device: str, now: datetime, ada: int
) -> None:
    for n in range(PERSON_DAILY + 20):
        door.looked_at(now, address=f"203.0.113.{n}")
    assert door.comes_in(now, address="198.51.100.9") is None, "a new device is held off with the strangers"
    new = door.link(now, ada)
    assert door.comes_in(now, address="198.51.100.9", device=new.device_secret), "and known from then on"
    assert door.comes_in(now, address=HOME, device=device)


def test_a_stolen_device_has_no_more_guesses_than_an_address(door: Door, device: str, now: datetime, ada: int) -> None:
    del ada
    days = []
    for day in range(3):
        other = count(1)

        def guess(at: datetime, numbers: "count[int]" = other) -> bool:
            return door.looked_at(at, address=f"10.1.0.{next(numbers) % 250}", device=device)

        days.append(_a_day(guess, now + DAY * day, every=HOUR / 2))
    assert days == [DAILY] * 3
    assert door.looked_at(now + 2 * DAY + HOUR, address=HOME), "and it does not use up the strangers' count"


def test_guesses_on_a_known_device_hold_only_that_device_off(door: Door, device: str, now: datetime, ada: int) -> None:
    other = door.link(now - HOUR, ada).device_secret
    for _ in range(HOURLY):
        door.looked_at(now, address=HOME, device=device)
    assert door.comes_in(now, address=HOME, device=device) is None
    assert door.comes_in(now, address=HOME, device=other)


def test_a_device_is_known_for_the_person_who_signed_in_there_and_for_nobody_else(
    door: Door, device: str, now: datetime, ada: int
) -> None:
    del ada
    somebody(door.store, now, "Ben", Role.OPERATOR)
    assert not door.knock(now, name="Ben", device=device)[0].known
    assert door.comes_in(now, name="Ben", device=device)
    assert door.knock(now, name="Ben", device=device)[0].known
    assert door.knock(now, device=device)[0].known
    assert _devices(door.store) == 2


def test_a_device_that_signs_in_again_stays_one_device(door: Door, device: str, now: datetime, ada: int) -> None:
    del ada
    for _ in range(3):
        again = door.comes_in(now, device=device)
        assert again is not None
        assert again.device_secret == device
    assert _devices(door.store) == 1


def test_a_device_secret_that_we_did_not_give_out_is_not_taken_up(door: Door, ada: int, now: datetime) -> None:
    """Else whoever plants one in a browser has a known device of whoever signs in there next."""
    del ada
    let_in = door.comes_in(now, device=PLANTED)
    assert let_in is not None
    assert let_in.device_secret != PLANTED
    assert not door.knock(now, device=PLANTED)[0].known
    assert door.knock(now, device=let_in.device_secret)[0].known


def _devices(store: Store) -> int:
    with store.read() as session:
        return session.scalars(select(func.count()).select_from(KnownDevice)).one()


# ------------------------------------------------------------------ what a right password earns


def test_a_sign_in_is_a_new_secret_each_time(door: Door, device: str, now: datetime, ada: int) -> None:
    first, second = door.comes_in(now, device=device), door.comes_in(now, device=device)
    assert first is not None
    assert second is not None
    assert first.secret != second.secret
    assert len(first.secret) >= 43  # 256 bits as base64; OWASP ASVS 5.0.0, V7.2.3 asks for 128
    assert _asks(door.store, now, first.secret) == _asks(door.store, now, second.secret) == ada


def _asks(store: Store, at: datetime, secret: str) -> int | None:
    with store.read() as session:
        found = tokens.caller_of(session=session, now=at, secret=secret, kinds=("browser",))
    return found.actor_id if found else None


def test_a_name_is_known_whatever_its_case_and_blanks(door: Door, ada: int, now: datetime) -> None:
    del ada
    assert door.comes_in(now, name="  aDA ")
    assert door.comes_in(now, name="Ad\u00e1") is None


def test_whoever_has_no_password_yet_does_not_come_in_with_any(door: Door, now: datetime) -> None:
    with door.store.write() as session:
        people.add(session=session, now=now, by_id=None, name="Ben", role=Role.OPERATOR)
    tried, earned = door.knock(now, name="Ben", password=RIGHT)
    assert tried.visit_id is not None
    assert (tried.password_hash, earned) == (None, None)


def test_a_password_changed_while_the_old_one_was_looked_at_lets_nobody_in(door: Door, ada: int, now: datetime) -> None:
    with door.store.write() as session:
        tried = signing.begin(session=session, now=now, name="Ada", address=HOME, device_secret="")
    with door.store.write() as session:
        people.choose_password(session=session, now=now, actor_id=ada, password_hash="kept anew")
    with door.store.write() as session:
        assert signing.let_in(session=session, now=now, tried=tried, device_secret="", label="computer") is None


def test_a_weaker_hash_is_renewed_at_the_next_sign_in(store: Store, now: datetime) -> None:
    """Source: OWASP ASVS 5.0.0, appendix C, told of a hash made before; the way there is the sign-in's own."""
    weak = PasswordHasher(time_cost=1, memory_cost=8_192, parallelism=1).hash(RIGHT)
    with store.write() as session:
        ada = people.set_owner(session=session, now=now, name="Ada", password_hash=weak)
        tried = signing.begin(session=session, now=now, name="Ada", address=HOME, device_secret="")
    assert passwords.matches(tried.password_hash, RIGHT)
    assert passwords.outdated(tried.password_hash or "")
    stronger = passwords.hashed(RIGHT)
    with store.write() as session:
        assert signing.let_in(
            session=session, now=now, tried=tried, device_secret="", label="computer", new_hash=stronger
        )
    with store.read() as session:
        person = people.by_number(session, ada)
        assert person is not None
        assert person.password_hash == stronger
    assert passwords.matches(stronger, RIGHT)
    assert not passwords.outdated(stronger)


# ------------------------------------------------------------------ what is written down


def test_nothing_typed_and_no_secret_is_written_down(door: Door, device: str, now: datetime, ada: int) -> None:
    del ada
    door.knock(now, name="a name typed", password="a password typed")
    with door.store.read() as session:
        lines = visits.recent(session=session, limit=100)
    told = " ".join(f"{line.kind} {line.who} {line.by} {line.address} {line.about}" for line in lines)
    for hidden in ("typed", device, RIGHT, "kept for"):
        assert hidden not in told


def test_addresses_are_forgotten_after_ninety_days(door: Door, ada: int, now: datetime) -> None:
    del ada
    door.looked_at(now)
    door.looked_at(now + timedelta(days=visits.KEPT_DAYS), address=HOME)
    with door.store.read() as session:
        assert STRANGER in {line.address for line in visits.recent(session=session)}
    door.looked_at(now + timedelta(days=visits.KEPT_DAYS, seconds=1), address=HOME)
    with door.store.read() as session:
        assert STRANGER not in {line.address for line in visits.recent(session=session)}


def test_a_station_link_and_a_link_without_a_needed_password_let_nobody_in_as_a_person(
    door: Door, ada: int, now: datetime
) -> None:
    del ada
    with door.store.write() as session:
        secret = links.make(session=session, now=now, kind=LinkKind.STATION, lasts=HOUR, label="Phone")
        link = links.look(session=session, now=now, secret=secret)
        with pytest.raises(NotSignedIn):
            signing.come_in(
                session=session, now=now, link=link, name="Ada", password_hash="x", device_secret="", label="phone"
            )


def test_a_new_password_lets_no_old_guess_count(door: Door, ada: int, now: datetime) -> None:
    while door.looked_at(now):
        pass
    with door.store.write() as session:
        people.choose_password(session=session, now=now, actor_id=ada, password_hash="kept anew")
    assert door.looked_at(now)
