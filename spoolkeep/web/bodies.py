"""How much of a request the server takes in before any page is asked, from whom, and for how long.

`serving` puts it into the server. What is small is taken from anybody, by its path alone; for what is large the secret
that it brings is looked up first. It must not know a page.
"""

import copy
import ipaddress
import logging
import threading
import time
from collections.abc import Mapping
from dataclasses import dataclass, field
from http.cookies import CookieError, SimpleCookie
from typing import Any, ClassVar

from flask import Flask
from waitress.adjustments import Adjustments
from waitress.channel import HTTPChannel
from waitress.parser import HTTPRequestParser
from waitress.utilities import Error

from spoolkeep.web import stopping
from spoolkeep.web.lock import PERSON_COOKIE, STATION_COOKIE, lets_in
from spoolkeep.web.rules import RULES

USUAL = 1024 * 1024
"""What any path takes, in bytes; a page's own rule is stricter."""
AT_ONCE, AT_ONCE_OF_ONE = 4, 2
"""Large bodies that a process takes in at a time, of everybody and of one secret: each lies on the disk meanwhile."""
LEAST_BYTES_S = 16 * 1024
"""What comes more slowly for longer than the patience is let go: the slowest of old Wi-Fi is faster."""
PATIENCE_S = 60.0
HEAD_S = 30.0
"""How long the head of a request may take. Source: common practice, from memory."""
CONNECTIONS_OF_ONE = 50
"""Of one address; a browser opens six. Behind a proxy or on this machine everybody has one address."""
_NAMES = frozenset(f"{tied}{name}" for tied in ("", "__Host-") for name in (PERSON_COOKIE, STATION_COOKIE))
_log = logging.getLogger(__name__)


class BusyError(Error):  # type: ignore[misc] # waitress ships no types
    """More large files at once than the server takes."""

    code = 503
    reason = "Service Unavailable"


class UnknownError(Error):  # type: ignore[misc] # as above
    """Whoever sends a large file is not known here."""

    code = 401
    reason = "Unauthorized"


def largest_by_path(app: Flask) -> dict[str, int]:
    """Give the paths that take more than the usual, and how much in bytes."""
    return {
        route.rule: RULES[route.endpoint].largest
        for route in app.url_map.iter_rules()
        if RULES[route.endpoint].largest > USUAL
    }


class _Room:
    """Where large bodies are taken in: how many at once, and whose."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._held: dict[int, str] = {}

    def enter(self, request: HTTPRequestParser, secret: str) -> bool:
        """Let a request in, by the secret that it brings, where there is room."""
        with self._lock:
            held = list(self._held.values())
            if len(held) >= AT_ONCE or held.count(secret) >= AT_ONCE_OF_ONE:
                return False
            self._held[id(request)] = secret
            return True

    def leave(self, request: HTTPRequestParser) -> None:
        """Let a request go; one that is not in is none."""
        with self._lock:
            self._held.pop(id(request), None)


@dataclass(frozen=True)
class _Takes:
    """What one server takes in."""

    app: Flask
    larger: Mapping[str, int]
    shared_addresses: frozenset[str]
    room: _Room = field(default_factory=_Room)


def channel_for(app: Flask, *, shared_addresses: frozenset[str] = frozenset()) -> type[HTTPChannel]:
    """Give the server's channel, which takes as much as the rules of this app say.

    `shared_addresses` are those from which everybody may come.
    """
    takes = _Takes(app, largest_by_path(app), shared_addresses)
    parser = type("Parser", (_Parser,), {"takes": takes})
    return type("Channel", (_Channel,), {"takes": takes, "parser_class": parser})


class _Parser(HTTPRequestParser):  # type: ignore[misc] # waitress ships no types
    """A request as it comes in: once its path is known, its body may be as large as that path's rule says."""

    takes: ClassVar[_Takes]
    adj: Adjustments
    path: str
    is_large = False

    def __init__(self, adj: Adjustments) -> None:
        super().__init__(adj)
        self.began = time.monotonic()

    def parse_header(self, header_plus: bytes) -> None:
        """Read the head."""
        super().parse_header(header_plus)
        if self.path in self.takes.larger and _secrets_of(self.headers):
            self.adj = _taking(self.adj, self.takes.larger[self.path])
            self.is_large = self.chunked or self.content_length > USUAL

    def close(self) -> None:
        """Let go of what was taken in."""
        self.takes.room.leave(self)
        super().close()


class _Channel(HTTPChannel):  # type: ignore[misc] # as above
    """A connection."""

    task_class = stopping.Task
    takes: ClassVar[_Takes]
    asks: "_Asking | None" = None
    """The look-up that a large body waits for, nothing more of which is taken until then."""

    def __init__(self, server: Any, sock: Any, addr: Any, *how: Any, **more: Any) -> None:  # noqa: ANN401 - as above
        super().__init__(server, sock, addr, *how, **more)
        if too_many(server, addr, self.takes.shared_addresses):
            self.will_close = True

    def readable(self) -> bool:
        """Give whether more is taken in; what comes too slowly is let go."""
        if self.asks is not None:
            return False
        if self.request is not None and _is_too_slow(self.request):
            self.will_close = True
        return bool(super().readable())

    def received(self, data: bytes) -> bool:
        """Take in what came."""
        more = bool(super().received(data))
        request = self.request
        if request is not None and request.is_large and self.asks is None:
            request.is_large = False
            self.asks = _Asking(self.takes, self)
            self.server.add_task(self.asks)
        return more

    def handle_close(self) -> None:
        """Let go of what was not taken in whole."""
        super().handle_close()
        if self.request is not None:
            self.request.close()


class _Asking:
    """A task of the server: to look up who sends a large body, and go on with it or refuse it."""

    def __init__(self, takes: _Takes, channel: _Channel) -> None:
        self._takes, self._channel = takes, channel

    def service(self) -> None:
        """Do it."""
        channel, request = self._channel, self._channel.request
        try:
            refusal = self._refusal(request)
        except Exception:  # noqa: BLE001 - nobody else answers for it
            _log.exception("Who sends a large file could not be looked up.")
            refusal = BusyError("The database is busy. Wait a moment and send it again; nothing was booked.")
        with channel.requests_lock:
            channel.asks = None
            if refusal is not None:
                request.error, request.completed = refusal, True
                channel.request = None
                channel.requests.append(request)
                if len(channel.requests) == 1:
                    channel.server.add_task(channel)
        if not channel.connected:
            request.close()
        channel.server.pull_trigger()

    def cancel(self) -> None:
        """Let it be: the server stops."""
        self._channel.will_close = True

    def _refusal(self, request: Any) -> Error | None:  # noqa: ANN401 - as above
        secrets = _secrets_of(request.headers)
        if not lets_in(self._takes.app, secrets):
            return UnknownError("Sign in first: large files are taken only from whoever is known here.")
        if not self._takes.room.enter(request, secrets[0]):
            return BusyError("Other large files are on their way. Wait a moment and send it again; nothing was booked.")
        return None


def _secrets_of(headers: dict[str, str]) -> list[str]:
    """Give what may be a secret in a request's head: a token, or each cookie's content."""
    scheme, _, secret = headers.get("AUTHORIZATION", "").partition(" ")
    if scheme.lower() == "bearer":
        return [secret.strip()]
    try:
        sent = SimpleCookie(headers.get("COOKIE", ""))
    except CookieError:
        return []
    return [cookie.value for name, cookie in sent.items() if name in _NAMES]


def _is_too_slow(request: Any) -> bool:  # noqa: ANN401 - as above
    seconds = time.monotonic() - request.began
    if not request.headers_finished:
        return bool(seconds > HEAD_S)
    return bool(seconds > PATIENCE_S and request.body_bytes_received < LEAST_BYTES_S * (seconds - PATIENCE_S))


def too_many(server: Any, addr: Any, shared: frozenset[str]) -> bool:  # noqa: ANN401 - as above
    """Give whether an address has more connections than one device needs; of IPv6 its network counts."""
    house = _house(addr)
    if house is None or addr[0] in shared:
        return False
    return sum(_house(one.addr) == house for one in list(server.active_channels.values())) > CONNECTIONS_OF_ONE


def _house(addr: Any) -> str | None:  # noqa: ANN401 - as above
    try:
        address = ipaddress.ip_address(addr[0].partition("%")[0])
    except (ValueError, TypeError, IndexError):
        return None
    if address.is_loopback:
        return None
    return str(address) if address.version == 4 else str(ipaddress.ip_network((int(address), 64), strict=False))  # noqa: PLR2004 - versions


def _taking(adj: Adjustments, most: int) -> Adjustments:
    """Give the server's settings with another bound; a body of just so many bytes is within it."""
    found = copy.copy(adj)
    found.max_request_body_size = most + 1
    return found
