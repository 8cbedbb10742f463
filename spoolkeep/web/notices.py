"""Notices: who gets them and what, the mail server, a trial, and how the last ones went.

The app factory registers it. Only owners come here; nothing is sent within a request.
"""

from collections.abc import Callable
from dataclasses import dataclass

from flask import Blueprint, current_app, flash, redirect, render_template, request, url_for
from werkzeug.wrappers import Response as Answer

from spoolkeep.domain.errors import Refusal
from spoolkeep.domain.notices import hook_key
from spoolkeep.domain.words import DigestWhen, MailSafety, NoticeWay
from spoolkeep.services.notices import addressees, mailserver
from spoolkeep.services.notices.addressees import Wants
from spoolkeep.services.notices.mailserver import Posting
from spoolkeep.services.notices.matters import About
from spoolkeep.store.engine import Session
from spoolkeep.web import doors, forms
from spoolkeep.web.answers import status_of

pages = Blueprint("notices", __name__, url_prefix="/setup/notices")
SHOWN = 30


@dataclass(frozen=True)
class Fresh:
    """What is shown this once: by which key a webhook's receiver knows our notices."""

    name: str
    key: str


@pages.get("")
def page() -> str:
    """Show who gets notices, and how the last ones went."""
    return _show()


@pages.post("")
def change() -> tuple[str, int] | Answer:
    """Do what the form's hidden word says."""
    doings: dict[str, Callable[[Session], Fresh | str]] = {
        "add": _add,
        "alter": _alter,
        "pause": _pause,
        "resume": _resume,
        "remove": _remove,
        "trial": _trial,
        "server": _server,
    }
    do = forms.text("do")
    try:
        doing = forms.chosen(doings)
        with doors.writing() as session:
            done = doing(session)
    except Refusal as refusal:
        return _show(refused=refusal), status_of(refusal)
    if isinstance(done, Fresh):
        return _show(fresh=done), 200
    flash(done, "heard")
    return redirect(url_for("notices.page", _anchor="last" if do == "trial" else None))


def _add(session: Session) -> Fresh | str:
    wants = _wants(forms.word("way", NoticeWay, "Way"))
    number = addressees.add(session=session, now=doors.now(), by_id=_by(), wants=wants)
    if wants.way is NoticeWay.MAIL:
        return f"{wants.name} gets notices from now on. Send a trial to see that they arrive."
    return Fresh(wants.name, hook_key(_secret(), number))


def _alter(session: Session) -> str:
    wants = _wants(NoticeWay.MAIL)
    addressees.alter(session=session, now=doors.now(), by_id=_by(), addressee_id=_whom(), wants=wants)
    return f"Kept: what {wants.name} gets."


def _wants(way: NoticeWay) -> Wants:
    return Wants(
        name=forms.text("name"),
        way=way,
        address=forms.text("address"),
        digest=forms.word("digest", DigestWhen, "Digest"),
        digest_hour=forms.whole("digest_hour", "Hour of the digest", default=addressees.USUAL_HOUR),
        about=frozenset(one for one in About if one in request.form.getlist("about")),
    )


def _pause(session: Session) -> str:
    addressees.pause(session=session, now=doors.now(), by_id=_by(), addressee_id=_whom(), paused=True)
    return "Paused: nothing is sent there until you let it go on. What waited is let go."


def _resume(session: Session) -> str:
    addressees.pause(session=session, now=doors.now(), by_id=_by(), addressee_id=_whom(), paused=False)
    return "Notices go there again."


def _remove(session: Session) -> str:
    addressees.remove(session=session, now=doors.now(), by_id=_by(), addressee_id=_whom())
    return "Removed, with its address and every notice to it."


def _trial(session: Session) -> str:
    addressees.trial(session=session, now=doors.now(), addressee_id=_whom(), key=doors.by_form().key)
    return "A trial is on its way. How it went stands below in a few seconds: look again."


def _server(session: Session) -> str:
    told = Posting(
        public_address=forms.text("public_address"),
        mail_host=forms.text("mail_host"),
        mail_port=forms.whole("mail_port", "Port"),
        mail_safety=forms.word("mail_safety", MailSafety, "Encryption"),
        mail_user=forms.text("mail_user"),
        mail_from=forms.text("mail_from"),
    )
    mailserver.keep(session=session, now=doors.now(), by=doors.by_form(), told=told)
    return "Kept. Send a trial to see that mail arrives."


def _by() -> int:
    return doors.somebody().actor_id


def _whom() -> int:
    return forms.whole("addressee", "Addressee")


def _secret() -> bytes:
    secret = current_app.secret_key
    assert isinstance(secret, bytes)  # noqa: S101 - the app factory takes no other
    return secret


def _show(fresh: Fresh | None = None, refused: Refusal | None = None) -> str:
    with doors.reading() as session:
        receivers = addressees.listing(session=session)
        last = addressees.last(session=session, limit=SHOWN)
        posting = mailserver.posting(session)
    return render_template(
        "notices.html",
        receivers=receivers,
        last=last,
        posting=posting,
        about=[str(one) for one in About],
        usual_hour=addressees.USUAL_HOUR,
        fresh=fresh,
        refused=refused,
        form=request.form if refused else {},
    )
