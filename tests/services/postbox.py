"""A mail server and a webhook's receiver that run in the test: real sockets, and what each of them was told.

The tests of notices use it. `certificate.pem` is a key and a certificate made for these tests alone.
"""

import http.server
import socket
import socketserver
import ssl
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from email import message_from_bytes, policy
from email.message import EmailMessage
from pathlib import Path
from typing import Any

CERTIFICATE = Path(__file__).parent / "certificate.pem"
Handler = type[socketserver.BaseRequestHandler]


def trusting() -> ssl.SSLContext:
    """Give a context that trusts the tests' certificate and no other."""
    return ssl.create_default_context(cafile=str(CERTIFICATE))


def own_tls() -> ssl.SSLContext:
    """Give the servers' side of it."""
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(CERTIFICATE)
    return context


def encrypted(line: socket.socket) -> ssl.SSLSocket:
    """Give the servers' side of an encrypted line. Errors: OSError where the client does not want it."""
    found = own_tls().wrap_socket(line, server_side=True, do_handshake_on_connect=False)
    try:
        found.do_handshake()
    except OSError:
        found.close()
        raise
    return found


class _Server(socketserver.ThreadingTCPServer):
    allow_reuse_address = True
    daemon_threads = True
    block_on_close = False

    def handle_error(self, request: object, client_address: object) -> None:
        """Say nothing: clients hang up on purpose here."""


@contextmanager
def serving(handler: Handler) -> Iterator[int]:
    """Run a server for a test; give its port."""
    with _Server(("127.0.0.1", 0), handler) as server:
        thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.01}, daemon=True)
        thread.start()
        yield int(server.server_address[1])
        server.shutdown()
        thread.join()


def closed_port() -> int:
    """Give a port at which nobody listens."""
    with socket.socket() as found:
        found.bind(("127.0.0.1", 0))
        return int(found.getsockname()[1])


@contextmanager
def silent() -> Iterator[int]:
    """Run a server that takes a connection and never says a word; give its port."""
    over = threading.Event()

    class Says(socketserver.BaseRequestHandler):
        def handle(self) -> None:
            over.wait(30)

    with serving(Says) as port:
        yield port
        over.set()


@dataclass
class Post:
    """What a mail server took, and how it answers."""

    port: int = 0
    taken: list[EmailMessage] = field(default_factory=list)
    raw: list[bytes] = field(default_factory=list)
    envelopes: list[tuple[str, list[str]]] = field(default_factory=list)
    logins: list[str] = field(default_factory=list)
    encrypted: list[bool] = field(default_factory=list)
    answers: dict[str, str] = field(default_factory=dict)
    """By command, what is answered instead of the usual."""


@contextmanager
def mail_server(*, tls: bool = False, starttls: bool = False) -> Iterator[Post]:
    """Run a mail server. Source: RFC 5321, RFC 3207 and RFC 4954, as far as a client of ours goes."""
    post = Post()

    class Speaks(_Smtp):
        kept, begins_encrypted, offers = post, tls, starttls

    with serving(Speaks) as post.port:
        yield post


class _Smtp(socketserver.StreamRequestHandler):
    kept: Post
    begins_encrypted: bool
    offers: bool

    def finish(self) -> None:
        super().finish()
        self.request.close()

    def handle(self) -> None:
        if self.begins_encrypted and not self._encrypt():
            return
        self._encrypted = self.begins_encrypted
        self._sender, self._to = "", list[str]()
        self._say("220 postbox")
        while line := self.rfile.readline():
            text = line.decode("latin-1").rstrip("\r\n")
            word = text.split(" ", 1)[0].upper()
            self._say(self.kept.answers.get(word) or self._usual(word, text))
            if word == "STARTTLS":
                self._encrypted = self._encrypt()
            elif word == "DATA":
                self._take(self._sender, self._to)
            elif word == "QUIT":
                return

    def _usual(self, word: str, text: str) -> str:
        """Give the usual answer to a command, and note what it says."""
        if word == "AUTH":
            self.kept.logins.append(text)
        elif word == "MAIL":
            self._sender, self._to = text, []
        elif word == "RCPT":
            self._to.append(text)
        last = "250 STARTTLS" if self.offers else "250 HELP"
        usual = {
            "EHLO": f"250-postbox\r\n250-AUTH PLAIN LOGIN\r\n{last}",
            "STARTTLS": "220 go on",
            "AUTH": "235 come in",
            "DATA": "354 go on",
            "QUIT": "221 farewell",
        }
        return usual.get(word, "250 yes")

    def _take(self, sender: str, to: list[str]) -> None:
        lines = []
        while (line := self.rfile.readline()) not in {b".\r\n", b""}:
            lines.append(line.removeprefix(b"."))
        whole = b"".join(lines)
        self.kept.raw.append(whole)
        self.kept.envelopes.append((sender, to))
        self.kept.encrypted.append(self._encrypted)
        read = message_from_bytes(whole, policy=policy.default)
        assert isinstance(read, EmailMessage)
        self.kept.taken.append(read)
        self._say(self.kept.answers.get("taken", "250 taken"))

    def _say(self, text: str) -> None:
        self.wfile.write(f"{text}\r\n".encode())

    def _encrypt(self) -> bool:
        try:
            self.request = encrypted(self.request)
        except OSError:
            return False
        self.rfile = self.request.makefile("rb")
        self.wfile = _Writes(self.request)  # type: ignore[assignment] # all that is used of it is `write`
        return True


class _Writes:
    closed = True
    """So that nobody flushes it."""

    def __init__(self, line: socket.socket) -> None:
        self._line = line

    def write(self, data: bytes) -> None:
        self._line.sendall(data)

    def close(self) -> None:
        self._line.close()


@dataclass
class Bell:
    """What a webhook's receiver was told, and how it answers."""

    port: int = 0
    scheme: str = "http"
    told: list[tuple[str, dict[str, str], bytes]] = field(default_factory=list)
    status: int = 200
    location: str = ""
    length: int = 2

    @property
    def address(self) -> str:
        """Give where it is; its path is a secret."""
        return f"{self.scheme}://localhost:{self.port}/ring/tulip-bulb-secret"


@contextmanager
def receiver(*, tls: bool = False) -> Iterator[Bell]:
    """Run a receiver of webhooks."""
    bell = Bell(scheme="https" if tls else "http")

    class Takes(http.server.BaseHTTPRequestHandler):
        def setup(self) -> None:
            if tls:
                self.request = encrypted(self.request)
            super().setup()

        def finish(self) -> None:
            super().finish()
            self.request.close()

        def do_POST(self) -> None:
            body = self.rfile.read(int(self.headers["Content-Length"]))
            bell.told.append((self.path, dict(self.headers.items()), body))
            self.send_response(bell.status)
            if bell.location:
                self.send_header("Location", bell.location)
            self.send_header("Content-Length", str(bell.length))
            self.end_headers()
            self.wfile.write(b"x" * bell.length)

        def log_message(self, format: str, *args: Any) -> None:  # noqa: A002, ANN401 - its own names
            """Say nothing."""

    with serving(Takes) as bell.port:
        yield bell
