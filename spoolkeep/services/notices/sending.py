"""One round after another: what there is to tell is put in, and what is due is sent, each in a thread of its own.

A workshop that is served does a round each few seconds as one of its looks; the command line does one.
No session is open and no lock is held while something is sent.
"""

import logging
import ssl
import threading
import time
from collections.abc import Callable, Collection
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path

from sqlalchemy.orm import Session

from spoolkeep.domain import notices
from spoolkeep.domain.notices import Letterhead, Matter, Message
from spoolkeep.domain.words import DigestWhen, NoticeKind, NoticeWay
from spoolkeep.services.limits import kind_of
from spoolkeep.services.notices import addressees, digest, mail, mailserver, matters, outbox, webhook
from spoolkeep.services.notices.addressees import Receiver
from spoolkeep.services.notices.dialling import Unsent
from spoolkeep.services.notices.mailserver import Posting
from spoolkeep.services.notices.matters import About
from spoolkeep.services.notices.outbox import Claimed, Due
from spoolkeep.services.shop import Shop, load_shop
from spoolkeep.store.engine import Store
from spoolkeep.store.troubles import trouble_of

ROUND_EACH_S = 3.0
LOOK_EACH_S = 300.0
"""How often what there is to warn of is looked for; a digest's hour is met as exactly."""
AT_ONCE = 4
"""So many are being sent at once by mail, and so many by webhook, each to another addressee."""
WRITE_AGAIN_AFTER_S = (1.0, 5.0, 15.0, 60.0)
"""How long each wait is before an outcome is written again; until then nothing else goes to that addressee."""
_log = logging.getLogger(__name__)


@dataclass(frozen=True)
class Picture:
    """What there is to tell at a moment, read once for a round."""

    shop: Shop
    posting: Posting
    now: datetime
    about: frozenset[About]
    """The kinds of warnings that were looked at."""
    standing: tuple[Matter, ...]
    morning: digest.Morning | None

    @property
    def head(self) -> Letterhead:
        """Give what every message says besides."""
        return Letterhead(self.shop.name, self.now, self.shop.formats, self.posting.public_address)

    @property
    def prefixes(self) -> tuple[str, ...]:
        """Give what the keys of the kinds begin with."""
        return tuple(f"{one}:" for one in self.about)


@dataclass
class Teller:
    """Sends a workshop's notices. `folder` holds the mail server's password, `secret` signs for webhooks."""

    store: Store
    folder: Path
    secret: bytes
    clock: Callable[[], datetime] = lambda: datetime.now(UTC)
    ticks: Callable[[], float] = time.monotonic
    tls: ssl.SSLContext | None = None
    """Which certificates are trusted; the system's where it is left out."""
    pause: Callable[[float], object] = time.sleep
    _looked: float | None = None
    _seen: dict[tuple[int, str], float] = field(default_factory=dict)
    """Claims of others, by when they were first seen."""
    _busy: dict[int, tuple[NoticeWay, threading.Thread]] = field(default_factory=dict)
    _lock: threading.Lock = field(default_factory=threading.Lock)

    def round(self, *, look: bool | None = None) -> int:
        """Put in what is new, where it is time to look, and begin to send what is due; give how many were begun."""
        now = self.clock()
        with self.store.read() as session:
            receivers = [one for one in addressees.listing(session=session) if not one.paused]
            if not receivers:
                return 0
            dead = self._dead(outbox.held(session, now))
            due = outbox.due(session, now, dead)
        is_time = self._looked is None or self.ticks() - self._looked >= LOOK_EACH_S
        if is_time if look is None else look:
            self._looked = self.ticks()
            self._look(receivers, now)
            with self.store.read() as session:
                due = outbox.due(session, now, dead)
        return self._begin(due, now)

    def wait(self, seconds: float) -> None:
        """Wait until everything that is being sent has ended, or for so long."""
        until = self.ticks() + seconds
        while (left := until - self.ticks()) > 0:
            with self._lock:
                threads = [thread for _, thread in self._busy.values()]
            if not threads:
                return
            threads[0].join(left)

    def _dead(self, held: Collection[tuple[int, str]]) -> set[tuple[int, str]]:
        """Give the claims that were seen for longer than any sending takes: a clock was set back over their end."""
        ticks = self.ticks()
        self._seen = {one: self._seen.get(one, ticks) for one in held}
        return {one for one, since in self._seen.items() if ticks - since >= outbox.CLAIMED_FOR.total_seconds()}

    def _look(self, receivers: list[Receiver], now: datetime) -> None:
        """Put in the warnings and digests that nobody was told of yet."""
        about = frozenset().union(*(one.about for one in receivers))
        with self.store.read() as session:
            shop = load_shop(session)
            mornings = [
                one for one in receivers if _wants_morning(one, shop, now) and not _has_morning(session, one, shop, now)
            ]
            picture = _picture(session, now, about=about, morning=bool(mornings))
            if not mornings and not outbox.has_old(session, now) and not self._is_news(session, receivers, picture):
                return
        with self.store.write() as session:
            for one in receivers:
                _put_warnings(session, one, picture)
            for one in mornings:
                _put_morning(session, one, picture)
            keys = {matter.key for matter in picture.standing}
            outbox.settle(session, now, told=picture.prefixes, stand=keys)
            outbox.forget(session, now)

    def _is_news(self, session: Session, receivers: list[Receiver], picture: Picture) -> bool:
        keys = {matter.key for matter in picture.standing}
        if picture.prefixes and outbox.needs_settling(session, picture.now, told=picture.prefixes, stand=keys):
            return True
        return any(set(_keys(one, picture)) - outbox.told_before(session, one.addressee_id) for one in receivers)

    def _begin(self, due: list[Due], now: datetime) -> int:
        free = [one for one in due if self._is_free(one)]
        if not free:
            return 0
        with self.store.read() as session:
            about = frozenset(
                matters.kind_of(key)
                for one in free
                if one.kind is NoticeKind.WARNING
                for key in outbox.matters_of(session, one.notice_id)
            )
            morning = any(one.kind is NoticeKind.DIGEST for one in free)
            picture = _picture(session, now, about=about, morning=morning)
        return sum(self._start(one, picture) for one in free)

    def _is_free(self, one: Due) -> bool:
        with self._lock:
            alike = sum(way is one.way for way, _ in self._busy.values())
            return one.addressee_id not in self._busy and alike < AT_ONCE

    def _start(self, one: Due, picture: Picture) -> bool:
        if not self._is_free(one):
            return False  # another to the same addressee has begun in this round
        with self.store.write() as session:
            claimed = outbox.claim(session, picture.now, one.notice_id, was=one.claim)
            message = _message(session, one, picture) if claimed else None
        if message is None or claimed is None:
            return False
        thread = threading.Thread(
            target=self._send, args=(claimed, message, picture), name=f"notice {one.notice_id}", daemon=True
        )
        with self._lock:
            self._busy[one.addressee_id] = one.way, thread
        thread.start()
        return True

    def _send(self, ours: Claimed, message: Message, picture: Picture) -> None:
        try:
            words = self._tried(ours, message, picture)
            for wait_s in WRITE_AGAIN_AFTER_S:
                try:
                    return self._write(ours, message, words)
                except Exception as error:
                    if trouble_of(error) is None:
                        raise
                self.pause(wait_s)
            self._write(ours, message, words)
        except Exception as error:  # noqa: BLE001 - the claim ends by itself, and it is tried again
            _log.error("A notice's outcome could not be written: %s", kind_of(error))
        finally:
            with self._lock:
                self._busy.pop(ours.addressee_id, None)

    def _write(self, ours: Claimed, message: Message, words: str) -> None:
        """Write down that a notice was sent, or in words why not."""
        with self.store.write() as session:
            now = self.clock()
            if words:
                outbox.not_sent(session, now, ours, subject=message.subject, words=words)
            else:
                outbox.sent(session, now, ours, subject=message.subject)

    def _tried(self, ours: Claimed, message: Message, picture: Picture) -> str:
        """Send a notice; give why it could not be sent, empty where it was."""
        try:
            if ours.way is NoticeWay.MAIL:
                letter = mail.Letter(ours.name, ours.address, ours.mark, picture.shop.name, message)
                password = mailserver.password(self.folder)
                mail.send(letter, picture.posting.server, password=password, now=self.clock(), tls=self.tls)
            else:
                head = picture.head
                body = webhook.told(message, head, mark=ours.mark, kind=ours.kind, made_at=ours.made_at)
                hook = webhook.Hook(ours.address, notices.hook_key(self.secret, ours.addressee_id))
                webhook.send(hook, body, mark=ours.mark, now=self.clock(), tls=self.tls)
        except Unsent as unsent:
            return unsent.words
        except Exception as error:  # noqa: BLE001 - whatever it was, the others must go out
            _log.error("A notice could not be sent: %s", type(error).__name__)
            return f"It could not be sent ({type(error).__name__}); the server's own log says where."
        return ""


def _picture(session: Session, now: datetime, *, about: frozenset[About], morning: bool) -> Picture:
    return Picture(
        shop=load_shop(session),
        posting=mailserver.posting(session),
        now=now,
        about=about,
        standing=tuple(matters.standing(session=session, now=now, about=about)) if about else (),
        morning=digest.morning(session=session, now=now) if morning else None,
    )


def _keys(one: Receiver, picture: Picture) -> list[str]:
    """Give the matters that stand and that an addressee wants to hear of, the worst first."""
    return [matter.key for matter in picture.standing if matters.kind_of(matter.key) in one.about]


def _put_warnings(session: Session, one: Receiver, picture: Picture) -> None:
    told = outbox.told_before(session, one.addressee_id)
    new = [key for key in _keys(one, picture) if key not in told]
    if new:
        key = f"warning:{new[0]}:{picture.now.isoformat()}"
        outbox.put(session, picture.now, addressee_id=one.addressee_id, kind=NoticeKind.WARNING, key=key, matters=new)


def _put_morning(session: Session, one: Receiver, picture: Picture) -> None:
    """Put the morning's digest in; where there is nothing to say, and only then one is wanted, as one dropped."""
    key = _morning_key(picture.shop, picture.now)
    told = outbox.put(session, picture.now, addressee_id=one.addressee_id, kind=NoticeKind.DIGEST, key=key)
    if told and one.digest is DigestWhen.WHEN_NEEDED and picture.morning and not picture.morning.matters:
        outbox.drop(session, picture.now, outbox.number_of(session, one.addressee_id, key))


def _morning_key(shop: Shop, now: datetime) -> str:
    return f"digest:{shop.today(now).isoformat()}"


def _wants_morning(one: Receiver, shop: Shop, now: datetime) -> bool:
    """Tell whether the hour of an addressee's digest has come on this shop day, and was after it began to get them."""
    if one.digest is DigestWhen.NEVER:
        return False
    after_midnight = one.digest_hour < shop.day_starts_hour
    at = shop.hour_of(shop.today(now) + timedelta(days=after_midnight), one.digest_hour)
    return one.since_at <= at <= now


def _has_morning(session: Session, one: Receiver, shop: Shop, now: datetime) -> bool:
    return outbox.number_of(session, one.addressee_id, _morning_key(shop, now)) != 0


def _message(session: Session, one: Due, picture: Picture) -> Message | None:
    """Give what a notice says now; None where its matters are over, and it is ended."""
    if one.kind is NoticeKind.TRIAL:
        return notices.trial(outbox.name_of(session, one.addressee_id), picture.head)
    if one.kind is NoticeKind.DIGEST:
        return _morning_message(session, one, picture)
    told = outbox.matters_of(session, one.notice_id)
    standing = [matter for matter in picture.standing if matter.key in told]
    outbox.leave_out(session, one.notice_id, set(told) - {matter.key for matter in standing})
    if standing:
        return notices.warning(standing, picture.head)
    outbox.drop(session, picture.now, one.notice_id)
    return None


def _morning_message(session: Session, one: Due, picture: Picture) -> Message | None:
    if one.key != _morning_key(picture.shop, picture.now):
        outbox.give_up(session, picture.now, one.notice_id)
        return None
    found = picture.morning
    assert found is not None  # noqa: S101 - it was read because this digest is due
    if not found.matters and outbox.only_when_needed(session, one.addressee_id):
        outbox.drop(session, picture.now, one.notice_id)
        return None
    return notices.digest(found.matters, picture.head, day=found.day, tonight=found.tonight)
