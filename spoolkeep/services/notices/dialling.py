"""Reaching another machine: only where a notice may go, at the address that was looked at, and not for too long.

The two ways of sending call it. It must not know what is sent.
"""

import ipaddress
import socket
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress

IpAddress = ipaddress.IPv4Address | ipaddress.IPv6Address
_TRANSLATED = ipaddress.ip_network("64:ff9b::/96")
"""An IPv4 address within an IPv6 one. Source: RFC 6052."""


_LATER_S = 5.0
"""A socket gives up by itself only after its line was cut: so whatever breaks then is known for what it is."""


class Unsent(Exception):  # noqa: N818 - it says what a notice is
    """A notice did not go out; `words` say why and what to do, without any secret."""

    def __init__(self, words: str) -> None:
        super().__init__(words)
        self.words = words


def may_go_to(address: IpAddress) -> bool:
    """Tell whether a notice may go to an address: not to this link alone, where clouds answer about themselves.

    Source: RFC 3927 and RFC 4291 (link-local), OWASP's sheet on requests that a server is made to send (from memory).
    """
    plain = _unwrapped(address)
    return not (plain.is_link_local or plain.is_multicast or plain.is_unspecified or _is_reserved(plain))


def is_near(address: IpAddress) -> bool:
    """Tell whether an address is this machine's, or of a private network."""
    plain = _unwrapped(address)
    return plain.is_loopback or plain.is_private


def _is_reserved(address: IpAddress) -> bool:
    return address.is_reserved and not address.is_loopback


def _unwrapped(address: IpAddress) -> IpAddress:
    if isinstance(address, ipaddress.IPv4Address):
        return address
    if address in _TRANSLATED:
        return ipaddress.IPv4Address(int(address) & 0xFFFFFFFF)
    return address.ipv4_mapped or address.sixtofour or address


class Line:
    """A connection that ends when its time is up, whatever the other side does, and whatever its socket became.

    A second handle of each socket is kept: encrypting takes the first one away, and no handle of the encrypted one is
    there before the two sides have agreed.
    """

    def __init__(self, seconds: float) -> None:
        self._seconds = seconds
        self._handles: list[socket.socket] = []
        self.is_over = threading.Event()

    def dial(
        self, host: str, port: int, may: Callable[[IpAddress], bool] = may_go_to, *, refused: str = ""
    ) -> socket.socket:
        """Give a socket to a host, at the very address that was found and may be gone to.

        Errors: Unsent where there is none, in the words `refused`; OSError where nobody answers; TimeoutError where
        the time was up before.
        """
        found = _found(host, port)
        allowed = [one for one in found if may(ipaddress.ip_address(str(one[4][0]).partition("%")[0]))]
        if not allowed:
            raise Unsent(refused or f"Notices do not go to where {host} lies. Enter a server that may get them.")
        for number, (family, kind, protocol, _, address) in enumerate(allowed):
            line = socket.socket(family, kind, protocol)
            line.settimeout(self._seconds + _LATER_S)
            self._handles.append(line.dup())
            try:
                line.connect(address)
                self._refuse_late()
            except OSError:
                line.close()
                if number + 1 == len(allowed) or self.is_over.is_set():
                    raise
            else:
                return line
        raise AssertionError  # the last address has answered or raised

    def cut(self) -> None:
        """End it, in the midst of whatever it does."""
        self.is_over.set()
        for one in self._handles:
            with suppress(OSError):
                one.shutdown(socket.SHUT_RDWR)

    def close(self) -> None:
        """Let the handles go."""
        for one in self._handles:
            one.close()

    def _refuse_late(self) -> None:
        if self.is_over.is_set():  # a name that took long to find, or a cut before there was anything to cut
            raise TimeoutError


def _found(host: str, port: int) -> list[tuple[socket.AddressFamily, socket.SocketKind, int, str, tuple[str, int]]]:
    try:
        found = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)
    except (OSError, UnicodeError):
        raise Unsent(f"There is no {host} to be found. Look at its name, and at this machine's network.") from None
    return found  # type: ignore[return-value] # of the two families that have a port


@contextmanager
def line_for(seconds: float) -> Iterator[Line]:
    """Give a line that is cut when its time is up. Errors: TimeoutError, whatever was raised because of that."""
    line = Line(seconds)
    timer = threading.Timer(seconds, line.cut)
    timer.daemon = True
    timer.start()
    try:
        yield line
    except Exception as error:
        if line.is_over.is_set():
            raise TimeoutError from error
        raise
    finally:
        timer.cancel()
        line.close()
