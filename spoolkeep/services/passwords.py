"""Passwords: what may be one, how it is kept, and whether one is right.

The door calls it outside any session, because a check takes time on purpose. It must not know who signs in.
"""

import re
import threading
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from functools import lru_cache

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError
from zxcvbn import zxcvbn

from spoolkeep.domain.errors import BadInput, TooMany

SHORTEST, LONGEST = 12, 200
LEAST_GUESSES = 10**8
"""At a hundred guesses a day from strangers, 2,700 years."""
READ_BY_ESTIMATE = 24
"""The estimate reads no further, and what comes after only makes a password better."""
WAITING_ROOM = 8
SHORTEST_NEAR = 3
WORDS = ("spoolkeep", "spool", "workshop", "printer", "owner", "operator", "reader", "bench", "station")
"""Words that anybody would try here first; the person's and the workshop's names are added to them."""

_hasher = PasswordHasher(time_cost=2, memory_cost=19_456, parallelism=1)
"""Argon2id. Source: OWASP ASVS 5.0.0, appendix C: t = 2, m >= 19,456 KiB, p = 1."""
_one_at_a_time = threading.RLock()
_room = threading.BoundedSemaphore(WAITING_ROOM)


def hashed(password: str) -> str:
    """Give what is kept of a password."""
    with _one_at_a_time:
        return _hasher.hash(password)


def matches(kept: str | None, password: str) -> bool:
    """Give whether a password is the one of which `kept` is kept; it takes as long where nothing is kept."""
    if len(password) > LONGEST:
        return False
    with _one_at_a_time:
        try:
            _hasher.verify(kept or _decoy(), password)
        except (VerificationError, InvalidHashError):
            return False
    return kept is not None


def outdated(kept: str) -> bool:
    """Give whether a password is kept by weaker settings than today's."""
    return _hasher.check_needs_rehash(kept)


def check_new(password: str, *, about: Sequence[str] = ()) -> None:
    """Refuse a password that would be guessed; `about` are words that lie near, such as the person's name.

    Errors: BadInput, with what would be better. Source: OWASP ASVS 5.0.0, V6.2: length and likeliness, no composition.
    """
    if len(password) < SHORTEST:
        raise BadInput(
            "short_password",
            f"Use at least {SHORTEST} characters. Three or four words that do not belong together do.",
        )
    if len(password) > LONGEST:
        raise BadInput("long_password", f"Use at most {LONGEST} characters.")
    with _one_at_a_time:
        guesses = _guesses(password, _near(about))
    if guesses < LEAST_GUESSES:
        raise BadInput(
            "guessed_password",
            "That would soon be guessed: it is on the lists, or near to a name here. "
            "Take three or four words that do not belong together.",
        )


def _near(about: Sequence[str]) -> list[str]:
    """Give the words that lie near, longest first: names whole, and each of their words."""
    words = {*WORDS, *about, *(word for name in about for word in re.findall(r"\w+", name))}
    return sorted((word for word in words if len(word) >= SHORTEST_NEAR), key=lambda word: (-len(word), word))


def _guesses(password: str, near: list[str]) -> int:
    """Give how many guesses a password takes where words that lie near count for nothing: the rest must hold alone."""
    rest = re.sub("|".join(map(re.escape, near)), "", password, flags=re.IGNORECASE)
    found = zxcvbn(rest[:READ_BY_ESTIMATE], user_inputs=near) if rest.strip() else {"guesses": 0}
    return int(found["guesses"])


@lru_cache(maxsize=1)
def _decoy() -> str:
    return _hasher.hash("nobody has this password")


@contextmanager
def room() -> Iterator[None]:
    """Let one sign-in run at a time from its first write to its last, and only some wait for their turn.

    Else all that sign in at once would queue for the database before every scan, and a flood would hold every thread.
    Errors: TooMany.
    """
    if not _room.acquire(blocking=False):
        raise TooMany("too_many_at_once", "Many are signing in at this moment. Send it again in a few seconds.")
    try:
        with _one_at_a_time:
            yield
    finally:
        _room.release()
