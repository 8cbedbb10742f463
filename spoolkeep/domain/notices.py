"""Notices to people who do not look: how their words are put together, when they are tried again, and how signed.

The services of notices call it. It knows neither who gets them nor how they go out.
"""

import hashlib
import hmac
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from spoolkeep.domain.formats import Formats

WAITS = tuple(timedelta(minutes=minutes) for minutes in (1, 5, 15, 60))
"""After the first try, the second and so on; the last wait holds from then on. Source: our own choice."""
TRIED_FOR = timedelta(hours=24)
SHOWN = 20
"""So many matters stand in one message; the rest is a number."""
MOST_SUBJECT = 150
CARE = (
    "A notice is no fire alarm: machines left alone can cause fire, and a notice may come late or not at all. "
    "An owner changes what is sent, and to whom, under Setup, Notices."
)


@dataclass(frozen=True)
class Matter:
    """One thing that needs a person."""

    key: str
    """By which it is known again: an addressee is told of it once."""
    head: str
    """In a few words, for a subject."""
    words: str
    """What there is to know of it, as sentences."""
    act: str
    page: str
    """On which page it is done."""
    path: str
    """The page's path."""
    many: int = 1
    """How many things it stands for."""


@dataclass(frozen=True)
class Message:
    """What goes out, whichever way."""

    subject: str
    text: str
    matters: tuple[Matter, ...]


@dataclass(frozen=True)
class Letterhead:
    """What every message says besides: of which workshop, when, and where its pages are."""

    shop: str
    now: datetime
    formats: Formats
    base: str = ""
    """The address of the workshop's pages without a slash at its end; empty for no links."""

    def link(self, matter: Matter) -> str:
        """Give the address of a matter's page, empty where the workshop's is not known."""
        return f"{self.base}{matter.path}" if self.base else ""


def next_try(made_at: datetime, now: datetime, *, tries: int) -> datetime | None:
    """Give when to try again after so many tries; None once it has been tried for a day."""
    at = now + WAITS[min(tries, len(WAITS)) - 1]
    return at if at - made_at <= TRIED_FOR else None


def is_due(next_try_at: datetime, now: datetime) -> bool:
    """Tell whether to try now; also where the moment lies further ahead than any wait, for a clock was set back."""
    return next_try_at <= now or next_try_at > now + WAITS[-1]


def one_line(text: str, most: int = MOST_SUBJECT) -> str:
    """Give a text on one line, without anything that a header or a terminal could take for more than letters."""
    plain = " ".join("".join(letter if letter.isprintable() else " " for letter in text).split())
    return plain if len(plain) <= most else f"{plain[: most - 1].rstrip()}…"


def warning(matters: Sequence[Matter], head: Letterhead) -> Message:
    """Give the message that tells of matters, the worst first."""
    return Message(_subject(matters), _text([], matters, head), tuple(matters))


def digest(matters: Sequence[Matter], head: Letterhead, *, day: str, tonight: str) -> Message:
    """Give the morning's message of a day; `tonight` says in a sentence how the night looks, and may be empty."""
    if not matters:
        first = [f"{day}: nothing needs anybody.", tonight]
        return Message("Nothing needs anybody today", _text([line for line in first if line], (), head), ())
    count = sum(one.many for one in matters)
    things = "one thing needs" if count == 1 else f"{head.formats.number(count)} things need"
    first = [f"{day}: {things} a person, the worst first.", tonight]
    return Message(_subject(matters), _text([line for line in first if line], matters, head), tuple(matters))


def trial(name: str, head: Letterhead) -> Message:
    """Give a message that only shows that notices arrive."""
    words = f"This is a trial. Notices to {one_line(name)} come this way."
    return Message("A trial: notices come this way", _text([words], (), head), ())


def _subject(matters: Sequence[Matter]) -> str:
    more = sum(one.many for one in matters) - 1
    return one_line(matters[0].head, MOST_SUBJECT - 20) + (f"; and {more} more" if more else "")


def _text(first: Sequence[str], matters: Sequence[Matter], head: Letterhead) -> str:
    lines = [one_line(line, 500) for line in first]
    for number, one in enumerate(matters[:SHOWN], 1):
        link = head.link(one)
        lines += ["", f"{number}. {one_line(one.words, 500)}"]
        lines += [f"   {one.act}: {link}" if link else f"   {one.act}, on the page {one.page}."]
    if len(matters) > SHOWN:
        lines += ["", f"And {head.formats.number(sum(one.many for one in matters[SHOWN:]))} more."]
    said = f"Sent by Spoolkeep at {one_line(head.shop)}, {head.formats.moment(head.now)}."
    return "\n".join([*lines, "", said, CARE, ""]).lstrip("\n")


def hook_key(secret: bytes, addressee_id: int) -> str:
    """Give the key by which a webhook's owner knows that a notice is ours: 64 hexadecimal digits."""
    return hmac.new(secret, f"notices to addressee {addressee_id}".encode(), hashlib.sha256).hexdigest()


def signature(key: str, *, mark: str, seconds: int, body: bytes) -> str:
    """Give the signature of a notice sent at a moment, in seconds since 1970: HMAC-SHA256 in hexadecimal.

    Signed are the seconds, a line end, the notice's mark, a line end, and the body as sent. Source: RFC 2104.
    """
    signed = f"{seconds}\n{mark}\n".encode() + body
    return hmac.new(key.encode(), signed, hashlib.sha256).hexdigest()
