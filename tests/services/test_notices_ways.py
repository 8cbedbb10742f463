"""How a notice goes out: by mail and webhook, to a real server in the test, and to nowhere else."""

import hashlib
import hmac
import ipaddress
import json
import socket
import socketserver
import ssl
import stat
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from datetime import UTC, datetime
from email.utils import parsedate_to_datetime
from pathlib import Path

import pytest

from spoolkeep.domain.errors import BadInput
from spoolkeep.domain.notices import Letterhead, Matter, Message, hook_key, one_line, warning
from spoolkeep.domain.words import DigestWhen, MailSafety, NoticeKind, NoticeWay
from spoolkeep.services.notices import addressees, dialling, mail, mailserver, webhook
from spoolkeep.services.notices.addressees import Wants
from spoolkeep.services.notices.dialling import Unsent
from spoolkeep.services.notices.mail import Letter, MailServer
from spoolkeep.services.notices.mailserver import Posting
from spoolkeep.services.notices.webhook import Hook
from spoolkeep.services.shop import Settings, Shop
from spoolkeep.store.engine import Store
from spoolkeep.web.api_shop import endpoints
from tests.services import postbox
from tests.workshop import TestWorkshop, by

NOW = datetime(2026, 3, 4, 7, 0, tzinfo=UTC)
MARK = "0f" * 16
SHOP = Settings("Kühn & Söhne", "", "en_GB", "EUR", "Europe/Lisbon", 4, 7, 7, 60, 3, 7, 100, 200)
HEAD = Letterhead(SHOP.name, NOW, Shop(**vars(SHOP)).formats, "https://spools.example.org")
MATTER = Matter(
    "stops:1", "Lärche 打印机 stands still", "Lärche 打印机 stands still since 06:40.", "See", "Jobs", "/jobs/stops/1"
)
MESSAGE = warning([MATTER], HEAD)


def letter(message: Message = MESSAGE, name: str = "Ada Œrsted") -> Letter:
    """Give a letter to Ada."""
    return Letter(name, "ada@example.org", MARK, SHOP.name, message)


def server(port: int, safety: MailSafety = MailSafety.PLAIN, user: str = "") -> MailServer:
    """Give a mail server of this machine."""
    return MailServer("localhost", port, safety, user, "workshop@example.org")


def sent(to: MailServer, what: Letter, *, password: str | None = None, trusted: bool = True) -> None:
    """Send a letter."""
    tls = postbox.trusting() if trusted else ssl.create_default_context()
    mail.send(what, to, password=password, now=NOW, tls=tls)


# ------------------------------------------------------------------ mail


def test_a_letter_is_plain_text_in_any_script_that_says_by_whom_and_how_it_was_made() -> None:
    with postbox.mail_server() as post:
        sent(server(post.port), letter())
    (got,) = post.taken
    assert post.raw[0].isascii(), "no server need understand more"
    assert got["Subject"] == "Lärche 打印机 stands still"
    assert got["To"].addresses[0].display_name == "Ada Œrsted"
    assert got["From"].addresses[0].display_name == "Spoolkeep at Kühn & Söhne"
    assert got["Message-ID"] == f"<{MARK}@example.org>"
    assert got["Auto-Submitted"] == "auto-generated"
    assert got[mail.MARK_HEADER] == MARK
    assert parsedate_to_datetime(got["Date"]) == NOW
    assert got.get_content_type() == "text/plain"
    lines = got.get_content().splitlines()
    assert lines[:2] == [
        "1. Lärche 打印机 stands still since 06:40.",
        "   See: https://spools.example.org/jobs/stops/1",
    ]


def test_a_line_that_begins_like_an_envelope_stays_as_it_is() -> None:
    """Source: RFC 4155; only files of letters need the mark before it."""
    text = "From here on\n.\n..two dots\nDone.\n"
    with postbox.mail_server() as post:
        sent(server(post.port), letter(Message("Dots", text, ())))
    assert post.taken[0].get_content().replace("\r\n", "\n") == text


@pytest.mark.parametrize("end", ["\r\n", "\n", "\r", "\x0b", "\x0c", "\x85", "\u2028", "\x00"])
def test_no_name_and_no_title_adds_a_header_or_a_person(end: str) -> None:
    evil = f"Larch{end}Bcc: eve@example.org{end}{end}<p>Pay here"
    matter = Matter("stops:1", evil, evil, "See", "Jobs", "/jobs")
    head = Letterhead(evil, NOW, HEAD.formats)
    what = Letter(evil, "ada@example.org", MARK, evil, warning([matter], head))
    with postbox.mail_server() as post:
        sent(server(post.port), what)
    (got,) = post.taken
    assert got["Bcc"] is None
    assert got["Subject"] == "Larch Bcc: eve@example.org <p>Pay here"
    assert [one.addr_spec for one in got["To"].addresses] == ["ada@example.org"]
    assert [len(to) for _, to in post.envelopes] == [1]
    ours = {"From", "To", "Subject", "Date", "Message-ID", "Auto-Submitted", mail.MARK_HEADER}
    assert set(got.keys()) == ours | {"Content-Type", "Content-Transfer-Encoding", "MIME-Version"}


NO_MAIL = (
    *("", "ada", "ada@", "@example.org", "ada@example.org\r\nBcc: eve@example.org", "a b@example.org", "ada@a..b"),
    *("ada@example.org, eve@example.org", "ada@example.org\n", '"ada x"@example.org', "ada@exämple.org"),
    f"{'a' * 300}@b.c",
)
NO_WEBHOOK = (
    *("", "example.org", "ftp://example.org/", "http://", "https://ada:pw@example.org/", "http://example.org/a b"),
    *("http://example.org/\r\nX: y", "http://exämple.org/", "http://example.org:99999/", "file:///etc/passwd"),
    "http://[::1",
)


@pytest.mark.parametrize("address", NO_MAIL)
def test_what_is_no_single_mail_address_is_refused(address: str) -> None:
    with pytest.raises(BadInput):
        mail.read_address(address)


@pytest.mark.parametrize("safety", [MailSafety.TLS, MailSafety.STARTTLS])
def test_mail_and_password_go_encrypted_to_a_server_whose_certificate_is_trusted(safety: MailSafety) -> None:
    with postbox.mail_server(tls=safety is MailSafety.TLS, starttls=True) as post:
        sent(server(post.port, safety, "shop"), letter(), password="tulip bulb")
    assert post.encrypted == [True]
    assert len(post.logins) == 1


@pytest.mark.parametrize("safety", [MailSafety.TLS, MailSafety.STARTTLS])
def test_nothing_goes_to_a_server_whose_certificate_is_not_trusted(safety: MailSafety) -> None:
    refused = pytest.raises(Unsent, match="is not to be trusted: self-signed certificate")
    with postbox.mail_server(tls=safety is MailSafety.TLS, starttls=True) as post, refused:
        sent(server(post.port, safety, "shop"), letter(), password="tulip bulb", trusted=False)
    assert (post.taken, post.logins) == ([], [])


def test_nothing_goes_unencrypted_where_encryption_is_asked_for() -> None:
    with postbox.mail_server() as post:
        with pytest.raises(Unsent, match="does not offer what is set"):
            sent(server(post.port, MailSafety.STARTTLS, "shop"), letter(), password="tulip bulb")
        with pytest.raises(Unsent, match="No encrypted way"):
            sent(server(post.port, MailSafety.TLS, "shop"), letter(), password="tulip bulb")
    assert (post.taken, post.logins) == ([], [])


@pytest.mark.parametrize(
    ("answers", "words"),
    [
        ({"AUTH": "535 tulip bulb is wrong"}, "refused the name or the password (535). Look at the name"),
        ({"RCPT": "550 no such tulip bulb"}, "takes no mail for this address (550)"),
        ({"MAIL": "553 tulip bulb"}, "takes no mail from the sender's address (553)"),
        ({"taken": "554 tulip bulb"}, "The mail server refused the mail (554)."),
        ({"DATA": "451 tulip bulb"}, "The mail server refused the mail (451)."),
    ],
)
def test_what_a_server_refuses_is_said_in_our_words_without_its_own(answers: dict[str, str], words: str) -> None:
    with postbox.mail_server(tls=True) as post:
        post.answers.update(answers)
        with pytest.raises(Unsent) as refused:
            sent(server(post.port, MailSafety.TLS, "shop"), letter(), password="tulip bulb")
    assert words in refused.value.words
    assert "tulip" not in refused.value.words


def test_where_nobody_answers_it_says_so() -> None:
    with pytest.raises(Unsent, match="No mail server answers at localhost, port"):
        sent(server(postbox.closed_port()), letter())
    with pytest.raises(Unsent, match=r"There is no mail\.invalid to be found"):
        sent(MailServer("mail.invalid", 25, MailSafety.PLAIN, "", "workshop@example.org"), letter())
    with pytest.raises(Unsent, match="No mail server is entered yet"):
        sent(MailServer("", 25, MailSafety.PLAIN, "", ""), letter())
    with pytest.raises(Unsent, match="spoolkeep mail-password"):
        sent(server(1, MailSafety.TLS, "shop"), letter())


def found_at(*addresses: str) -> Callable[..., object]:
    """Give what a name is looked up to."""
    found = [
        (socket.AF_INET6 if ":" in one else socket.AF_INET, socket.SOCK_STREAM, 6, "", (one, 80)) for one in addresses
    ]
    return lambda *_args, **_how: found


def test_unencrypted_mail_goes_to_no_relay_far_away(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(socket, "getaddrinfo", found_at("93.184.216.34"))
    with pytest.raises(Unsent, match="Unencrypted mail goes only to a relay on this machine"):
        sent(MailServer("relay.example", 25, MailSafety.PLAIN, "", "workshop@example.org"), letter())


# ------------------------------------------------------------------ webhooks


def rung(bell: postbox.Bell, address: str = "", *, trusted: bool = True) -> None:
    """Send a notice to a receiver."""
    body = webhook.told(MESSAGE, HEAD, mark=MARK, kind=NoticeKind.WARNING, made_at=NOW)
    hook = Hook(address or bell.address, hook_key(b"secret", 7))
    webhook.send(hook, body, mark=MARK, now=NOW, tls=postbox.trusting() if trusted else None)


def test_a_webhook_is_told_in_json_with_a_signature_that_anybody_with_the_key_can_check() -> None:
    with postbox.receiver() as bell:
        rung(bell)
    ((path, headers, body),) = bell.told
    assert path == "/ring/tulip-bulb-secret"
    assert headers["Content-Type"] == "application/json"
    assert headers["X-Spoolkeep-Notice"] == MARK
    assert headers["X-Spoolkeep-Time"] == "1772607600"
    # reckoned here by the definition of RFC 2104, from the key as the owner was shown it
    key = hmac.digest(b"secret", b"notices to addressee 7", "sha256").hex().encode()
    block = key.ljust(64, b"\0")
    inner = hashlib.sha256(bytes(one ^ 0x36 for one in block) + b"1772607600\n" + MARK.encode() + b"\n" + body)
    outer = hashlib.sha256(bytes(one ^ 0x5C for one in block) + inner.digest())
    assert headers["X-Spoolkeep-Signature"] == outer.hexdigest()
    told = json.loads(body)
    assert told == {
        "notice": MARK,
        "kind": "warning",
        "workshop": "Kühn & Söhne",
        "made_at": "2026-03-04T07:00:00Z",
        "subject": MESSAGE.subject,
        "text": MESSAGE.text,
        "matters": [
            {
                "key": "stops:1",
                "words": MATTER.words,
                "act": "See",
                "page": "Jobs",
                "link": "https://spools.example.org/jobs/stops/1",
            }
        ],
    }


def test_each_addressee_has_a_key_of_its_own() -> None:
    assert len({hook_key(secret, number) for secret in (b"a", b"b") for number in (1, 2)}) == 4


@pytest.mark.parametrize("status", [301, 302, 303, 307, 308])
def test_no_redirect_is_followed(status: int) -> None:
    with postbox.receiver() as other, postbox.receiver() as bell:
        bell.status, bell.location = status, other.address
        with pytest.raises(Unsent, match=f"points to another address \\({status}\\), which is not followed"):
            rung(bell)
        assert other.told == []


@pytest.mark.parametrize("status", [400, 401, 404, 410, 429, 500, 503])
def test_what_a_receiver_refuses_is_said_without_the_path(status: int) -> None:
    with postbox.receiver() as bell:
        bell.status = status
        with pytest.raises(Unsent) as refused:
            rung(bell)
    assert f"with status {status}" in refused.value.words
    assert "tulip" not in refused.value.words


def test_a_long_answer_is_not_read() -> None:
    with postbox.receiver() as bell:
        bell.length = 50_000_000
        rung(bell)
    assert len(bell.told) == 1


def test_an_encrypted_webhook_must_have_a_certificate_that_is_trusted() -> None:
    with postbox.receiver(tls=True) as bell:
        rung(bell)
        with pytest.raises(Unsent, match="is not to be trusted"):
            rung(bell, trusted=False)
    assert len(bell.told) == 1


LINK_LOCAL = (
    *("169.254.169.254", "169.254.0.1", "::ffff:169.254.169.254", "fe80::1", "64:ff9b::a9fe:a9fe"),
    *(
        "2002:a9fe:a9fe::1",
        "0.0.0.0",  # noqa: S104 - nobody listens there
        "::",
        "224.0.0.1",
        "ff02::1",
        "255.255.255.255",
    ),
)


@pytest.mark.parametrize("address", LINK_LOCAL)
def test_no_notice_goes_to_an_address_of_one_link_whatever_its_name(
    monkeypatch: pytest.MonkeyPatch, address: str
) -> None:
    assert not dialling.may_go_to(ipaddress.ip_address(address))
    monkeypatch.setattr(socket, "getaddrinfo", found_at(address))
    monkeypatch.setattr(socket, "socket", None)
    with pytest.raises(Unsent, match=r"Notices do not go to where harmless\.example lies"):
        webhook.send(Hook("http://harmless.example/", "k"), b"{}", mark=MARK, now=NOW)


@pytest.mark.parametrize("address", ["127.0.0.1", "::1", "192.168.1.7", "10.0.0.3", "93.184.216.34", "2001:db8::1"])
def test_a_notice_may_go_to_this_machine_its_network_and_the_world(address: str) -> None:
    assert dialling.may_go_to(ipaddress.ip_address(address))


def test_the_address_that_was_looked_at_is_the_one_that_is_gone_to(monkeypatch: pytest.MonkeyPatch) -> None:
    """A name that means another address a moment later leads nowhere else."""
    with postbox.receiver() as bell:
        asked = []

        def turns(*_args: object, **_how: object) -> list[tuple[object, ...]]:
            asked.append(1)
            found = "127.0.0.1" if len(asked) == 1 else "169.254.169.254"
            return [(socket.AF_INET, socket.SOCK_STREAM, 6, "", (found, bell.port))]

        monkeypatch.setattr(socket, "getaddrinfo", turns)
        rung(bell, f"http://turns.example:{bell.port}/")
    assert len(asked) == 1
    assert bell.told[0][1]["Host"] == f"turns.example:{bell.port}"


# ------------------------------------------------------------------ an end to it

HTTP_HEAD = b"HTTP/1.1 200 OK\r\nX-Slow: "
HANDSHAKE = b"\x16\x03\x03\x40\x00"
"""A record of 16 KiB that begins a handshake. Source: RFC 8446, section 5.1."""


@contextmanager
def drips(head: bytes, *, tls: bool = False, hello: bytes = b"") -> Iterator[int]:
    """Run a server that sends a letter each fifth of a second, encrypted or before anything is; give its port."""

    class Drips(socketserver.BaseRequestHandler):
        def handle(self) -> None:
            with suppress(OSError), postbox.encrypted(self.request) if tls else self.request as line:
                line.sendall(hello)
                for letter in head + b"y" * 100:
                    line.sendall(bytes([letter]))
                    time.sleep(0.2)

    with postbox.serving(Drips) as port:
        yield port


@pytest.mark.parametrize(
    ("scheme", "head", "tls"), [("http", HTTP_HEAD, False), ("https", HTTP_HEAD, True), ("https", HANDSHAKE, False)]
)
def test_a_receiver_that_sends_a_letter_now_and_then_is_hung_up_on(
    monkeypatch: pytest.MonkeyPatch, scheme: str, head: bytes, *, tls: bool
) -> None:
    monkeypatch.setattr(webhook, "LONGEST_S", 1.0)
    with drips(head, tls=tls) as port:
        hook = Hook(f"{scheme}://localhost:{port}/", "k")
        with pytest.raises(Unsent, match="did not answer within 1 seconds"):
            webhook.send(hook, b"{}", mark=MARK, now=NOW, tls=postbox.trusting())


SMTP_HELLO = b"220 postbox\r\n250-postbox\r\n250 STARTTLS\r\n220 go on\r\n"


@pytest.mark.parametrize(
    ("safety", "head", "tls", "hello"),
    [
        (MailSafety.PLAIN, b"220 ", False, b""),
        (MailSafety.TLS, HANDSHAKE, False, b""),
        (MailSafety.TLS, b"220 ", True, b""),
        (MailSafety.STARTTLS, HANDSHAKE, False, SMTP_HELLO),
    ],
)
def test_a_mail_server_that_sends_a_letter_now_and_then_is_hung_up_on(
    monkeypatch: pytest.MonkeyPatch, safety: MailSafety, head: bytes, *, tls: bool, hello: bytes
) -> None:
    monkeypatch.setattr(mail, "LONGEST_S", 1.0)
    with drips(head, tls=tls, hello=hello) as port, pytest.raises(Unsent, match="did not answer in time"):
        sent(server(port, safety), letter())


def test_a_name_that_took_too_long_to_find_is_not_gone_to(monkeypatch: pytest.MonkeyPatch) -> None:
    with postbox.receiver() as bell:

        def slow(*_args: object, **_how: object) -> list[tuple[object, ...]]:
            time.sleep(0.3)
            return [(socket.AF_INET, socket.SOCK_STREAM, 6, "", ("127.0.0.1", bell.port))]

        monkeypatch.setattr(webhook, "LONGEST_S", 0.1)
        monkeypatch.setattr(socket, "getaddrinfo", slow)
        with pytest.raises(Unsent, match="did not answer within"):
            rung(bell)
    assert bell.told == []


@pytest.mark.parametrize("address", NO_WEBHOOK)
def test_what_is_no_address_of_a_webhook_is_refused(address: str) -> None:
    with pytest.raises(BadInput):
        webhook.read_address(address)


# ------------------------------------------------------------------ what an owner sets


@pytest.fixture
def shop(store: Store, now: datetime) -> TestWorkshop:
    return TestWorkshop(store, now)


def test_of_a_webhook_only_its_host_is_shown(shop: TestWorkshop) -> None:
    wants = Wants("Shop door", NoticeWay.WEBHOOK, "https://hooks.example/tulip", DigestWhen.EVERY_DAY, 7, frozenset())
    shop.do(lambda s: addressees.add(session=s, now=shop.now, by_id=1, wants=wants))
    with shop.store.read() as session:
        (only,) = addressees.listing(session=session)
    assert only.shown == "hooks.example"
    assert "tulip" not in repr(only)


@pytest.mark.parametrize(
    ("changed", "code"),
    [
        ({"mail_safety": MailSafety.PLAIN, "mail_user": "shop"}, "open_password"),
        ({"mail_from": ""}, "no_sender"),
        ({"mail_from": "no address"}, "no_mail_address"),
        ({"mail_port": 0}, "no_port"),
        ({"mail_host": "mail example"}, "no_server"),
        ({"mail_user": "a\r\nb"}, "no_server"),
        ({"public_address": "spools.example.org"}, "no_address"),
        ({"public_address": "https://spools.example.org/"}, "no_address"),
        ({"public_address": "javascript:alert(1)"}, "no_address"),
    ],
)
def test_a_mail_server_that_cannot_be_is_refused(shop: TestWorkshop, changed: dict[str, object], code: str) -> None:
    told = {
        "public_address": "https://spools.example.org",
        "mail_host": "mail.example.org",
        "mail_port": 465,
        "mail_safety": MailSafety.TLS,
        "mail_user": "shop",
        "mail_from": "workshop@example.org",
    }
    shop.do(lambda s: mailserver.keep(session=s, now=shop.now, by=by(), told=Posting(**told)))  # type: ignore[arg-type]
    with pytest.raises(BadInput) as refused:
        shop.do(lambda s: mailserver.keep(session=s, now=shop.now, by=by(), told=Posting(**{**told, **changed})))  # type: ignore[arg-type]
    assert refused.value.code == code


def test_the_password_is_in_a_file_that_only_its_owner_reads_or_in_the_environment(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv(mailserver.PASSWORD_SETTING, raising=False)
    assert mailserver.password(tmp_path) is None
    for given in ("tulip bulb", "another one"):
        path = mailserver.keep_password(tmp_path, given)
        assert mailserver.password(tmp_path) == given
        assert stat.S_IMODE(path.stat().st_mode) == 0o600
    for end in ("\n", "\r\n"):
        (tmp_path / mailserver.PASSWORD_FILE).write_bytes(f"by hand {end}".encode())
        assert mailserver.password(tmp_path) == "by hand ", "an editor ends a line, a password has none"
    monkeypatch.setenv(mailserver.PASSWORD_SETTING, "from outside")
    assert mailserver.password(tmp_path) == "from outside"
    for wrong in ("", "two\nlines", "x" * 1001):
        with pytest.raises(BadInput):
            mailserver.keep_password(tmp_path, wrong)


def test_a_line_is_one_line_and_no_longer_than_it_may_be() -> None:
    assert one_line(" a\r\n\tb\x1b[31m ") == "a b [31m"
    assert one_line("a" * 200) == "a" * 149 + "…"


def test_the_papers_name_every_key_that_a_webhook_gets() -> None:
    readme = (Path(__file__).parent.parent.parent / "README.md").read_text(encoding="utf-8")
    part = readme.partition("\n## Notices")[2].partition("\n## ")[0]
    for name in (*webhook.Told.model_fields, *webhook.TellMatter.model_fields):
        assert f"`{name}`" in part, name
    for header in (webhook.MARK_HEADER, webhook.TIME_HEADER, webhook.SIGNATURE_HEADER):
        assert header in part
    assert mailserver.PASSWORD_SETTING in part
    told = endpoints.document()
    sent = told["webhooks"]["notice"]["post"]["requestBody"]["content"]["application/json"]["schema"]
    found = told["components"]["schemas"][sent["$ref"].rpartition("/")[2]]
    assert list(found["properties"]) == list(webhook.Told.model_fields)
