"""What may be a password, how it is kept, and how many are looked at at once."""

import threading
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor

import pytest
from argon2 import PasswordHasher, extract_parameters
from argon2.low_level import Type

from spoolkeep.domain.errors import BadInput, TooMany
from spoolkeep.services import passwords

GOOD = "tin kettle under slow rain"
GOOD_OF_12 = "vX7q#mWz2!Kd"


@pytest.fixture(scope="module")
def kept() -> str:
    """Give what is kept of the good password, made once: it takes time on purpose."""
    return passwords.hashed(GOOD)


# ------------------------------------------------------------------ how it is kept


def test_a_password_is_kept_by_argon2id_with_the_published_settings(kept: str) -> None:
    """Source: OWASP ASVS 5.0.0, appendix C: argon2id, t = 2, m >= 19,456 KiB, p = 1 (and t = 3 for 12,288 KiB)."""
    assert kept.startswith("$argon2id$v=19$m=19456,t=2,p=1$")
    found = extract_parameters(kept)
    assert found.type is Type.ID
    assert (found.time_cost, found.parallelism) == (2, 1)
    assert found.memory_cost >= 19_456
    assert found.salt_len >= 16  # 128 bits: RFC 9106, section 3.1
    assert found.hash_len >= 32


def test_the_same_password_is_kept_in_another_way_each_time(kept: str) -> None:
    assert passwords.hashed(GOOD) != kept


def test_only_the_very_password_is_right(kept: str) -> None:
    assert passwords.matches(kept, GOOD)
    for near in (GOOD.upper(), f"{GOOD} ", f" {GOOD}", GOOD.replace(" ", "  "), GOOD[:-1], ""):
        assert not passwords.matches(kept, near), near


@pytest.mark.parametrize(
    ("chosen", "near"),
    [
        ("  tin kettle rain  ", "tin kettle rain"),
        ("T\u00edn k\u00e9ttle rain", "Ti\u0301n ke\u0301ttle rain"),
        ("tin\tkettle\nrain\x00!", "tin kettle rain !"),
        ("\u963f\u5c14\u6cf0\u7684\u94c1\u58f6\u5728\u96e8\u91cc\u6162\u6162\u54cd", "?" * 14),
    ],
)
def test_nothing_of_a_password_is_stripped_folded_or_cut(chosen: str, near: str) -> None:
    """Source: OWASP ASVS 5.0.0, V6.2.8: as it was received, without any change."""
    passwords.check_new(chosen)
    made = passwords.hashed(chosen)
    assert passwords.matches(made, chosen)
    assert not passwords.matches(made, near)


def test_the_last_character_of_the_longest_password_counts() -> None:
    longest = GOOD + "x" * (passwords.LONGEST - len(GOOD))
    passwords.check_new(longest)
    made = passwords.hashed(longest)
    assert passwords.matches(made, longest)
    assert not passwords.matches(made, f"{longest[:-1]}y")


def test_nobody_has_the_password_of_whom_nothing_is_kept() -> None:
    assert not passwords.matches(None, GOOD)
    assert not passwords.matches(None, "nobody has this password")
    assert not passwords.matches("kept for Ada", GOOD)


def test_a_password_longer_than_any_is_not_looked_at(kept: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(passwords, "_hasher", None)
    assert not passwords.matches(kept, "x" * 201)


def test_what_was_kept_by_weaker_settings_is_outdated(kept: str) -> None:
    assert not passwords.outdated(kept)
    assert passwords.outdated(PasswordHasher(time_cost=1, memory_cost=8_192, parallelism=1).hash(GOOD))


# ------------------------------------------------------------------ what may be one


@pytest.mark.parametrize("chosen", ["", "vX7q#mWz2!K", "x" * 11, "           "])
def test_a_password_of_less_than_twelve_characters_is_refused(chosen: str) -> None:
    """Source: OWASP ASVS 5.0.0, V6.2.1 asks for 8 and recommends 15; NIST SP 800-63B-4 asks for 15 of one factor."""
    with pytest.raises(BadInput) as refused:
        passwords.check_new(chosen)
    assert refused.value.code == "short_password"


def test_a_password_of_twelve_characters_may_be_one_and_of_two_hundred() -> None:
    passwords.check_new(GOOD_OF_12)
    passwords.check_new(GOOD_OF_12 * 16 + "12345678")
    with pytest.raises(BadInput) as refused:
        passwords.check_new(GOOD_OF_12 * 16 + "123456789")
    assert refused.value.code == "long_password"


@pytest.mark.parametrize(
    "chosen",
    ["tin kettle under slow rain", " vX7q  mWz2 Kd ", "\u00fcberm\u00fctige \u00c4rztin", "correcthorsebatterystaple2"],
)
def test_any_characters_may_make_a_password(chosen: str) -> None:
    """Source: OWASP ASVS 5.0.0, V6.2.5: no rule on which kinds of characters."""
    passwords.check_new(chosen)


COMMON = (
    "123456789012 1234567890123 111111111111 000000000000 passwordpassword password1234 Password1234! p@ssw0rd1234 "
    "qwertyuiop12 qwertyuiopasdf qwerty123456 1q2w3e4r5t6y asdfghjkl123 abcdefghijkl abc123abc123 abcdefg123456 "
    "iloveyou1234 letmein12345 administrator Welcome12345 football1234 sunshine1234 princess1234 unbelievable "
    "111222333444 123123123123 121212121212 qazwsxedcrfv zaq12wsxcde3 aaaaaaaaaaaaaaaa changeme1234 monkey123456"
)
"""From memory: what stands on lists of leaked passwords of twelve characters and more, and what is one step from it."""


@pytest.mark.parametrize("chosen", COMMON.split())
def test_the_commonest_passwords_are_refused(chosen: str) -> None:
    """Source: OWASP ASVS 5.0.0, V6.2.4 and V6.2.12: held against the commonest that fit the rules."""
    assert _refused(chosen) == "guessed_password"


@pytest.mark.parametrize(
    "chosen",
    ["spoolkeep1234", "Spoolkeep2026!", "workshopowner", "printer-station", "spoolspoolspool", "benchoperator1"],
)
def test_what_anybody_would_try_here_first_is_refused(chosen: str) -> None:
    assert _refused(chosen) == "guessed_password"


@pytest.mark.parametrize(
    "chosen",
    [
        "Thessaly Quorvane",
        "thessalyquorvane",
        "ThessalyQuorvane1",
        "quorvanethessaly",
        "Quorvane2026!",
        "thessaly-quorvane",
        "qu0rvane-thessaly",
        "Larkmoor Pressworks",
        "larkmoorpressworks",
        "Larkmoor2026!",
        "pressworks123",
    ],
)
def test_a_password_made_of_names_from_here_is_refused(chosen: str) -> None:
    """Source: OWASP ASVS 5.0.0, V6.2.11: no words of the context."""
    assert _refused(chosen, "Thessaly Quorvane", "Larkmoor Pressworks") == "guessed_password"


def test_a_name_somewhere_in_a_good_password_does_no_harm() -> None:
    passwords.check_new("Thessaly tin kettle under slow rain", about=("Thessaly Quorvane", "", "Larkmoor Pressworks"))
    passwords.check_new("tin kettle under slow rain", about=("Al", "O. (?", "*"))


def _refused(chosen: str, *about: str) -> str:
    try:
        passwords.check_new(chosen, about=about)
    except BadInput as refusal:
        return refusal.code
    return ""


def test_no_words_of_a_refusal_repeat_the_password() -> None:
    for chosen in ("spoolkeep1234", "short", "x" * 300):
        with pytest.raises(BadInput) as refused:
            passwords.check_new(chosen)
        assert chosen not in refused.value.words


# ------------------------------------------------------------------ how many at once


@pytest.fixture
def full_room(monkeypatch: pytest.MonkeyPatch) -> Iterator[threading.Event]:
    """Give the event that lets a waiting room empty, in which each place is taken by a check that goes on."""
    monkeypatch.setattr(passwords, "_room", threading.BoundedSemaphore(passwords.WAITING_ROOM))
    started, go_on = threading.Semaphore(0), threading.Event()

    def waits() -> None:
        with passwords._room:  # noqa: SLF001 - what fills up is its own
            started.release()
            go_on.wait(30)

    with ThreadPoolExecutor(passwords.WAITING_ROOM) as others:
        for _ in range(passwords.WAITING_ROOM):
            others.submit(waits)
        for _ in range(passwords.WAITING_ROOM):
            started.acquire()
        yield go_on
        go_on.set()


def test_too_many_at_once_are_told_to_send_it_again(full_room: threading.Event) -> None:
    with pytest.raises(TooMany) as refused, passwords.room():
        pytest.fail("the room was full")
    assert refused.value.code == "too_many_at_once"
    assert "Send it again" in refused.value.words
    full_room.set()


def test_of_many_at_once_each_that_fits_in_is_answered_rightly(kept: str) -> None:
    """As many as may wait: half of them right, and each gets its own answer, one at a time."""
    tries = [GOOD if n % 2 else f"{GOOD}{n}" for n in range(passwords.WAITING_ROOM)]
    with ThreadPoolExecutor(len(tries)) as pool:
        answers = list(pool.map(lambda one: passwords.matches(kept, one), tries))
    assert answers == [one == GOOD for one in tries]


def test_the_room_is_free_again_after_a_wrong_password(kept: str) -> None:
    for _ in range(passwords.WAITING_ROOM + 2):
        with passwords.room():
            assert not passwords.matches(kept, "quite another one")
    with passwords.room():
        assert passwords.matches(kept, GOOD)
