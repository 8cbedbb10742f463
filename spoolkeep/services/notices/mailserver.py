"""The mail server and the workshop's own address, as an owner enters them; and its password, which no database holds.

The Notices page and the command line call it.
"""

import os
from dataclasses import asdict, dataclass
from datetime import datetime
from pathlib import Path
from urllib.parse import urlsplit

from sqlalchemy.orm import Session

from spoolkeep.domain.errors import BadInput
from spoolkeep.domain.words import MailSafety
from spoolkeep.services.catalogue import Made
from spoolkeep.services.notices import outbox
from spoolkeep.services.notices.mail import MailServer, read_address
from spoolkeep.store.acts import By, once
from spoolkeep.store.journal import change
from spoolkeep.store.ledger import workshop
from spoolkeep.store.tables import Act, Workshop

PASSWORD_SETTING = "SPOOLKEEP_MAIL_PASSWORD"  # noqa: S105 - the setting's name
PASSWORD_FILE = "mail-password"  # noqa: S105 - the file's name
MOST_PORT, MOST_NAME, MOST_PASSWORD = 65_535, 253, 1000


@dataclass(frozen=True)
class Posting:
    """By which server mail goes out, and where notices link to."""

    public_address: str
    mail_host: str
    mail_port: int
    mail_safety: MailSafety
    mail_user: str
    mail_from: str

    @property
    def server(self) -> MailServer:
        """Give the mail server."""
        return MailServer(self.mail_host, self.mail_port, self.mail_safety, self.mail_user, self.mail_from)


def posting(session: Session) -> Posting:
    """Give what is set."""
    row = workshop(session)
    return Posting(
        public_address=row.public_address,
        mail_host=row.mail_host,
        mail_port=row.mail_port,
        mail_safety=MailSafety(row.mail_safety),
        mail_user=row.mail_user,
        mail_from=row.mail_from,
    )


def keep(*, session: Session, now: datetime, by: By, told: Posting) -> Made:
    """Keep the mail server and the workshop's address; mail that waits is tried at once. Errors: BadInput."""

    def do(act: Act) -> Made:
        _check(told)
        row = session.get_one(Workshop, 1)
        change(session, act, row, **asdict(told))
        outbox.try_mail_again(session, now)
        return Made(act.id, row.id)

    return once(session, "mail server", by=by, now=now, request=asdict(told), answers=Made, do=do)


def _check(told: Posting) -> None:
    if told.public_address:
        parts = _parts(told.public_address)
        sound = told.public_address.isascii() and told.public_address.isprintable() and " " not in told.public_address
        if not sound or parts is None or told.public_address.endswith("/") or len(told.public_address) > MOST_NAME:
            words = "Write the workshop's address like https://spools.example.org, without a slash at its end."
            raise BadInput("no_address", words)
    _check_server(told)


def _check_server(told: Posting) -> None:
    for what, name in (("server", told.mail_host), ("name", told.mail_user)):
        if len(name) > MOST_NAME or not name.isprintable() or not name.isascii() or " " in name:
            raise BadInput("no_server", f"Write the mail server's {what} in plain letters, without blanks.")
    if not 1 <= told.mail_port <= MOST_PORT:
        raise BadInput("no_port", f"A port is 1 to {MOST_PORT}: usually 465 for TLS, 587 for STARTTLS, 25 for a relay.")
    if told.mail_host and not told.mail_from:
        raise BadInput("no_sender", "Say from which address mail comes.")
    if told.mail_from:
        read_address(told.mail_from)
    if told.mail_safety is MailSafety.PLAIN and told.mail_user:
        raise BadInput("open_password", "Unencrypted, the password could be read along. Choose TLS or STARTTLS.")


def _parts(address: str) -> tuple[str, str] | None:
    try:
        parts = urlsplit(address)
        _ = parts.port
    except ValueError:
        return None
    sound = parts.scheme in {"http", "https"} and parts.hostname and not parts.query and not parts.fragment
    return (parts.scheme, parts.netloc) if sound and "@" not in parts.netloc else None


def password(folder: Path) -> str | None:
    """Give the mail server's password: the environment's, else that of an instance's file; None without either."""
    given = os.environ.get(PASSWORD_SETTING)
    if given:
        return given
    path = folder / PASSWORD_FILE
    return path.read_text(encoding="utf-8").rstrip("\r\n") if path.exists() else None


def keep_password(folder: Path, given: str) -> Path:
    """Keep the password in a file that only its owner reads; give its path. Errors: BadInput."""
    if not given or len(given) > MOST_PASSWORD or not given.isprintable():
        raise BadInput("no_password", f"A password has 1 to {MOST_PASSWORD} characters, all on one line.")
    if not folder.is_dir():
        raise BadInput("no_folder", f"There is no workshop in {folder}. Name its folder with --instance.")
    path, new = folder / PASSWORD_FILE, folder / f"{PASSWORD_FILE}.new"
    new.unlink(missing_ok=True)
    handle = os.open(new, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    with os.fdopen(handle, "w", encoding="utf-8") as file:
        file.write(given)
    new.replace(path)
    return path
