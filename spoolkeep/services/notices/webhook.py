"""One notice to a webhook: JSON by POST, signed, to the address that was looked at; no redirect is followed.

The sending of notices calls it, outside every session.
"""

import http.client
import json
import ssl
from dataclasses import dataclass
from datetime import datetime
from typing import Any
from urllib.parse import SplitResult, urlsplit

from pydantic import BaseModel, ConfigDict, Field

from spoolkeep.domain.errors import BadInput
from spoolkeep.domain.notices import Letterhead, Message, signature
from spoolkeep.domain.words import NoticeKind
from spoolkeep.services.notices.dialling import Line, Unsent, line_for

LONGEST_S = 10.0
MOST_READ = 2048
MOST_ADDRESS = 500
MARK_HEADER, TIME_HEADER, SIGNATURE_HEADER = "X-Spoolkeep-Notice", "X-Spoolkeep-Time", "X-Spoolkeep-Signature"
_PORTS = {"http": 80, "https": 443}
_GOOD, _MOVED, _WRONG = 200, 300, 400


class TellMatter(BaseModel):
    """One matter of a notice."""

    model_config = ConfigDict(extra="forbid")
    key: str = Field(description="By which it is known again, as late:order 7:2026-11-30.")
    words: str
    act: str = Field(description="What to do about it.")
    page: str = Field(description="On which page it is done.")
    link: str | None = Field(description="That page's address; null where the workshop's is not known.")


class Told(BaseModel):
    """What is sent to a webhook."""

    model_config = ConfigDict(extra="forbid")
    notice: str = Field(description="The notice's own mark: the same where it comes a second time.")
    kind: NoticeKind
    workshop: str
    made_at: datetime = Field(description="When it was made, with its zone.")
    subject: str
    text: str = Field(description="All of it as plain text.")
    matters: list[TellMatter] = Field(description="The worst first; empty in a trial, or where nothing needs anybody.")


@dataclass(frozen=True)
class Hook:
    """Where a notice goes, and by which key it is signed."""

    address: str
    key: str


def told(message: Message, head: Letterhead, *, mark: str, kind: NoticeKind, made_at: datetime) -> bytes:
    """Give the body of a notice."""
    matters = [
        TellMatter(key=one.key, words=one.words, act=one.act, page=one.page, link=head.link(one) or None)
        for one in message.matters
    ]
    body = Told(
        notice=mark,
        kind=kind,
        workshop=head.shop,
        made_at=made_at,
        subject=message.subject,
        text=message.text,
        matters=matters,
    )
    return json.dumps(body.model_dump(mode="json"), ensure_ascii=True, separators=(",", ":")).encode()


def read_address(text: str) -> str:
    """Give a webhook's address. Errors: BadInput, whose words do not repeat it."""
    parts = _parts(text)
    sound = text.isascii() and text.isprintable() and " " not in text and len(text) <= MOST_ADDRESS
    if parts is None or not sound or parts.scheme not in _PORTS or not parts.hostname:
        words = f"Write the webhook's address like https://example.org/path, in at most {MOST_ADDRESS} plain letters."
        raise BadInput("no_webhook", words)
    if "@" in parts.netloc:
        raise BadInput("name_in_webhook", "Leave name and password out of the webhook's address.")
    return text


def host_of(address: str) -> str:
    """Give an address's host and port, all that may be shown of it."""
    parts = _parts(address)
    return parts.netloc.rpartition("@")[2] if parts else ""


def _parts(address: str) -> SplitResult | None:
    try:
        parts = urlsplit(address)
        _ = parts.port
    except ValueError:
        return None
    return parts


def send(hook: Hook, body: bytes, *, mark: str, now: datetime, tls: ssl.SSLContext | None = None) -> None:
    """Send a notice; `tls` says which certificates are trusted, the system's where it is left out.

    Errors: Unsent with the reason, in words without the address' path.
    """
    where = host_of(hook.address)
    try:
        with line_for(LONGEST_S) as line:
            status = _posted(line, hook, body, mark=mark, seconds=int(now.timestamp()), tls=tls)
    except TimeoutError:
        raise Unsent(f"{where} did not answer within {LONGEST_S:.0f} seconds. Is it running?") from None
    except ConnectionRefusedError:
        raise Unsent(f"Nothing answers at {where}. Look at the address, and whether it is running.") from None
    except ssl.SSLCertVerificationError as error:
        words = f"The certificate of {where} is not to be trusted: {error.verify_message}. Nothing was sent."
        raise Unsent(words) from None
    except ssl.SSLError:
        raise Unsent(f"No encrypted way to {where} came about. Does its address begin with http://?") from None
    except (OSError, http.client.HTTPException) as error:
        raise Unsent(f"The connection to {where} broke off ({type(error).__name__}).") from None
    _judge(status, where)


def _judge(status: int, where: str) -> None:
    if _GOOD <= status < _MOVED:
        return
    if _MOVED <= status < _WRONG:
        words = f"{where} points to another address ({status}), which is not followed. Enter that one yourself."
        raise Unsent(words)
    raise Unsent(f"{where} refused the notice with status {status}. Look there for the reason.")


def _posted(line: Line, hook: Hook, body: bytes, *, mark: str, seconds: int, tls: ssl.SSLContext | None) -> int:
    parts = urlsplit(hook.address)
    host, port = parts.hostname or "", parts.port or _PORTS[parts.scheme]
    connection = http.client.HTTPConnection(host, port, timeout=LONGEST_S)
    reached: Any = line.dial(host, port)
    try:
        if parts.scheme == "https":
            reached = (tls or ssl.create_default_context()).wrap_socket(reached, server_hostname=host)
        connection.sock = reached
        path = (parts.path or "/") + (f"?{parts.query}" if parts.query else "")
        headers = {
            "Host": parts.netloc,
            "Content-Type": "application/json",
            "User-Agent": "Spoolkeep",
            "Connection": "close",
            MARK_HEADER: mark,
            TIME_HEADER: str(seconds),
            SIGNATURE_HEADER: signature(hook.key, mark=mark, seconds=seconds, body=body),
        }
        connection.request("POST", path, body, headers)
        answer = connection.getresponse()
        answer.read(MOST_READ)
        return answer.status
    finally:
        connection.close()
        reached.close()
