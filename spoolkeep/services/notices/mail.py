"""One notice by mail: plain text by SMTP, encrypted unless the relay is near.

The sending of notices calls it, outside every session.
"""

import re
import smtplib
import socket
import ssl
from contextlib import suppress
from dataclasses import dataclass
from datetime import datetime
from email.headerregistry import Address
from email.message import EmailMessage
from email.policy import SMTP as AS_SENT
from email.utils import format_datetime

from spoolkeep.domain.errors import BadInput
from spoolkeep.domain.notices import Message, one_line
from spoolkeep.domain.words import MailSafety
from spoolkeep.services.notices.dialling import IpAddress, Line, Unsent, is_near, line_for, may_go_to

LONGEST_S = 60.0
MOST_ADDRESS = 254
"""Source: RFC 5321, section 4.5.3.1.3, less the angle brackets."""
MARK_HEADER = "X-Spoolkeep-Notice"
_FAR = "Unencrypted mail goes only to a relay on this machine or its own network. Choose TLS or STARTTLS."
_ADDRESS = re.compile(r"[A-Za-z0-9.!#$%&'*+/=?^_`{|}~-]{1,64}@[A-Za-z0-9](?:[A-Za-z0-9.-]*[A-Za-z0-9])?")
"""Source: the HTML standard's valid e-mail address (from memory): no quotes, no comments, no letters beyond ASCII."""


@dataclass(frozen=True)
class MailServer:
    """By which server mail goes out."""

    host: str
    port: int
    safety: MailSafety
    user: str
    """Empty where it asks for no password."""
    sender: str
    """The address that mail comes from."""


@dataclass(frozen=True)
class Letter:
    """A notice on its way to one person."""

    name: str
    address: str
    mark: str
    shop: str
    message: Message


def read_address(text: str) -> str:
    """Give a mail address. Errors: BadInput."""
    if len(text) > MOST_ADDRESS or not _ADDRESS.fullmatch(text) or ".." in text:
        raise BadInput("no_mail_address", "Write one mail address, like ada@example.org, in plain letters.")
    return text


def written(letter: Letter, sender: str, now: datetime) -> EmailMessage:
    """Give a letter as it is sent. Its Message-ID is the notice's, so that one that comes twice is known."""
    mail = EmailMessage(policy=AS_SENT)
    mail["From"] = Address(one_line(f"Spoolkeep at {letter.shop}", 80), addr_spec=sender)
    mail["To"] = Address(one_line(letter.name, 80), addr_spec=letter.address)
    mail["Subject"] = one_line(letter.message.subject)
    mail["Date"] = format_datetime(now)
    mail["Message-ID"] = f"<{letter.mark}@{sender.rpartition('@')[2]}>"
    mail["Auto-Submitted"] = "auto-generated"  # Source: RFC 3834, section 5
    mail[MARK_HEADER] = letter.mark
    mail.set_content(letter.message.text, cte="quoted-printable")
    return mail


def send(
    letter: Letter, server: MailServer, *, password: str | None, now: datetime, tls: ssl.SSLContext | None = None
) -> None:
    """Send a letter; `tls` says which certificates are trusted, the system's where it is left out.

    Errors: Unsent with the reason in words without a secret.
    """
    if not server.host or not server.sender:
        raise Unsent("No mail server is entered yet. Enter it under Setup, Notices.")
    if server.user and not password:
        raise Unsent("The mail server's password is not kept here. Keep it with: spoolkeep mail-password")
    mail = written(letter, server.sender, now)
    where = f"{server.host}, port {server.port}"
    try:
        with line_for(LONGEST_S) as line:
            client = _Client(server, line, tls or ssl.create_default_context())
            _send(client, server, password, to=letter.address, mail=mail)
    except smtplib.SMTPException as error:
        raise Unsent(_of_server(error, where)) from None
    except OSError as error:
        raise Unsent(_of_line(error, where)) from None


class _Client(smtplib.SMTP):
    """A client whose connection is dialled by us: to an address that was looked at, and cut in time."""

    def __init__(self, server: MailServer, line: Line, tls: ssl.SSLContext) -> None:
        self._server, self._line, self._tls = server, line, tls
        super().__init__(local_hostname=server.sender.rpartition("@")[2], timeout=LONGEST_S)
        self._host = server.host

    def _get_socket(self, host: str, port: int, timeout: float) -> socket.socket:  # noqa: ARG002 - smtplib asks so
        is_plain = self._server.safety is MailSafety.PLAIN
        reached = self._line.dial(host, port, _may_relay if is_plain else may_go_to, refused=_FAR if is_plain else "")
        if self._server.safety is MailSafety.TLS:
            reached = self._tls.wrap_socket(reached, server_hostname=host)
        return reached

    def encrypt(self) -> None:
        """Go on encrypted. Errors: SMTPNotSupportedError where the server does not offer it."""
        self.starttls(context=self._tls)


def _may_relay(address: IpAddress) -> bool:
    """Tell whether mail may go there unencrypted."""
    return may_go_to(address) and is_near(address)


def _send(client: _Client, server: MailServer, password: str | None, *, to: str, mail: EmailMessage) -> None:
    try:
        client.connect(server.host, server.port)
        if server.safety is MailSafety.STARTTLS:
            client.encrypt()
        if server.user and password:
            client.login(server.user, password)
        client.sendmail(server.sender, [to], mail.as_bytes())
        with suppress(smtplib.SMTPException, OSError):  # it has taken the mail: the farewell changes nothing
            client.quit()
    finally:
        client.close()


def _of_server(error: smtplib.SMTPException, where: str) -> str:
    """Say what a server did not take, without its own words: they may repeat what was sent."""
    if isinstance(error, smtplib.SMTPAuthenticationError):
        what = f"The mail server refused the name or the password ({error.smtp_code})"
        return f"{what}. Look at the name, and keep the password anew with: spoolkeep mail-password"
    if isinstance(error, smtplib.SMTPRecipientsRefused):
        codes = ", ".join(str(code) for code, _ in error.recipients.values())
        return f"The mail server takes no mail for this address ({codes}). Look at the addressee's address."
    if isinstance(error, smtplib.SMTPSenderRefused):
        return f"The mail server takes no mail from the sender's address ({error.smtp_code}). Enter another sender."
    if isinstance(error, smtplib.SMTPNotSupportedError):
        return f"The mail server at {where} does not offer what is set: look at the port and how it is encrypted."
    if isinstance(error, smtplib.SMTPServerDisconnected):
        return f"The mail server at {where} hung up. Look at the port and how it is encrypted."
    code = f" ({error.smtp_code})" if isinstance(error, smtplib.SMTPResponseException) else ""
    return f"The mail server refused the mail{code}."


def _of_line(error: OSError, where: str) -> str:
    if isinstance(error, TimeoutError):
        return f"The mail server at {where} did not answer in time. Is it the right port?"
    if isinstance(error, ConnectionRefusedError):
        return f"No mail server answers at {where}. Look at its name and port."
    if isinstance(error, ssl.SSLCertVerificationError):
        return f"The certificate of {where} is not to be trusted: {error.verify_message}. Nothing was sent."
    if isinstance(error, ssl.SSLError):
        return f"No encrypted way to {where} came about: look at the port and how it is encrypted."
    return f"The connection to {where} broke off ({type(error).__name__})."
