"""The door itself: signing in with a name and a password, coming in by a one-time link, signing out.

The app factory registers it, and asks it for the page that meets whoever is not signed in.
"""

import json
from dataclasses import dataclass
from urllib.parse import quote_plus

from flask import Blueprint, Response, current_app, redirect, render_template, request, url_for
from werkzeug.exceptions import HTTPException, RequestEntityTooLarge
from werkzeug.wrappers import Response as Answer

from spoolkeep.domain.errors import NotSignedIn, Refusal, TooMany
from spoolkeep.domain.words import LinkKind
from spoolkeep.services import links, passwords, signing, stations, tokens
from spoolkeep.services.links import OpenLink
from spoolkeep.services.shop import load_shop
from spoolkeep.store.engine import Session
from spoolkeep.web import doors, forms, lock
from spoolkeep.web.answers import status_of
from spoolkeep.web.rules import KILO, LONG_FORM

pages = Blueprint("door", __name__)
NOT_TOGETHER = "That name and that password do not belong together. Mind upper and lower case, and try again."
MOST_CARRIED = LONG_FORM - 16 * KILO
"""In bytes as a browser sends it back, with room for the sign-in's own fields."""
NOT_CARRIED = frozenset({"static", "me.change", "people.change"})
"""What is not sent again after a sign-in: it may hold a password, or makes secrets. So does the door itself."""


@dataclass(frozen=True)
class Carried:
    """A form that met an ended sign-in: where it goes and what was typed, so that nothing is lost."""

    to: str
    fields: tuple[tuple[str, str], ...] = ()

    @property
    def packed(self) -> str:
        """Give the fields as one field of the sign-in's form."""
        return json.dumps(self.fields) if self.fields else ""


def ask(refused: Refusal) -> tuple[Response | str, int]:
    """Give the sign-in for whoever asked for a page, or sent a form, and is not signed in."""
    if request.headers.get("X-Fragment"):
        return Response(f"{refused.words}\n", content_type="text/plain; charset=utf-8"), 401
    return _show(_typed(), refused=refused, status=401)


def _typed() -> Carried:
    """Give what was sent, where it may be sent again; a form that is too large for its page is let go."""
    if request.method != "POST":
        return Carried(request.full_path.rstrip("?") if request.method == "GET" else "")
    if not _ours(request.path, "POST"):
        return Carried("")
    try:
        carried = Carried(request.path, tuple(request.form.items(multi=True)))
    except RequestEntityTooLarge:
        return Carried("")
    return carried if len(quote_plus(carried.packed)) <= MOST_CARRIED else Carried("")


@pages.get("/sign-in")
def sign_in() -> tuple[Response | str, int]:
    """Show the sign-in."""
    return _show(Carried(""))


@pages.post("/sign-in")
def enter() -> tuple[Response | str, int] | Answer:
    """Sign in, then go where the person wanted to, or offer to send what was typed."""
    carried = _carried()
    try:
        let_in = try_password(forms.text("name"), request.form.get("password", ""))
    except Refusal as refusal:
        return _show(carried, refused=refusal, status=status_of(refusal))
    remember(let_in)
    if carried.fields:
        return render_template("carried.html", carried=carried), 200
    return redirect(carried.to or url_for("today.page"))


@pages.post("/sign-out")
def sign_out() -> Answer:
    """End this sign-in; a station under it stays a station."""
    asking = doors.caller()
    if asking and asking.kind == "browser":
        with doors.writing() as session:
            signing.sign_out(session=session, now=doors.now(), token_id=asking.token_id, actor_id=asking.actor_id)
    lock.drop_cookie(lock.PERSON_COOKIE)
    return redirect(url_for("door.sign_in"))


@pages.get("/join")
def join() -> str:
    """Show the page that a one-time link leads to; a script reads the link's secret, which is never sent before."""
    return render_template("join.html", link=None, secret="", form={}, refused=None)


@pages.post("/join")
def use_link() -> tuple[str, int] | Answer:
    """Use a one-time link; where it needs a password, ask for one first."""
    secret = forms.text("secret")
    link = None
    try:
        with doors.reading() as session:
            link = links.look(session=session, now=doors.now(), secret=secret)
        if link.needs_password and "password" not in request.form:
            return render_template("join.html", link=link, secret=secret, form={}, refused=None), 200
        return _come_in(link, secret)
    except Refusal as refusal:
        shown = render_template("join.html", link=link, secret=secret, form=request.form, refused=refusal)
        return shown, status_of(refusal)


def try_password(name: str, password: str) -> signing.LetIn:
    """Give the secrets of a new sign-in. Errors: NotSignedIn for a wrong password; TooMany."""
    with doors.reading() as session:  # before the room, so that no flood of strangers fills it
        if signing.is_held_off(session=session, now=doors.now(), **_who(name)):
            raise TooMany("held_off", signing.HELD_OFF)
    with passwords.room():
        tried = looked_at(name, password)
        outdated = passwords.outdated(tried.password_hash or "")
        new_hash = passwords.hashed(password) if outdated else None
        with doors.writing() as session:
            _end_old(session)
            let_in = signing.let_in(
                session=session,
                now=doors.now(),
                tried=tried,
                device_secret=lock.secret_in(lock.DEVICE_COOKIE),
                label=device(),
                new_hash=new_hash,
            )
    if let_in is None:
        raise NotSignedIn("not_together", NOT_TOGETHER)
    return let_in


def looked_at(name: str, password: str) -> signing.Try:
    """Give a try whose password is right; call it in the room. Errors: NotSignedIn for a wrong password; TooMany."""
    with doors.writing() as session:
        tried = signing.begin(session=session, now=doors.now(), **_who(name))
    if tried.visit_id is None:
        raise TooMany("held_off", signing.HELD_OFF)
    if not passwords.matches(tried.password_hash, password):
        raise NotSignedIn("not_together", NOT_TOGETHER)
    return tried


def _who(name: str) -> dict[str, str]:
    return {
        "name": name,
        "address": request.remote_addr or "",
        "device_secret": lock.secret_in(lock.DEVICE_COOKIE),
    }


def _come_in(link: OpenLink, secret: str) -> Answer:
    password_hash = _chosen(link) if link.needs_password else None
    address, device_secret = request.remote_addr or "", lock.secret_in(lock.DEVICE_COOKIE)
    with doors.writing() as session:
        now = doors.now()
        link = links.use(session=session, now=now, secret=secret, address=address)
        if link.kind is LinkKind.STATION:
            made = stations.sign_in(session=session, now=now, label=link.label, by_id=link.made_by_id)
            lock.set_cookie(lock.STATION_COOKIE, made.secret)
            return redirect(url_for("bench.page"))
        _end_old(session)
        let_in = signing.come_in(
            session=session,
            now=now,
            link=link,
            name=forms.text("name"),
            password_hash=password_hash,
            device_secret=device_secret,
            label=device(),
        )
    remember(let_in)
    return redirect(url_for("today.page"))


def _chosen(link: OpenLink) -> str:
    """Give what is kept of the password that was chosen. Errors: BadInput where it would be guessed."""
    with doors.reading() as session:
        shop = load_shop(session).name
    if link.kind is LinkKind.FIRST:
        tokens.read_label(forms.text("name"))
    password = request.form.get("password", "")
    with passwords.room():
        passwords.check_new(password, about=(link.name, forms.text("name"), shop))
        return passwords.hashed(password)


def _end_old(session: Session) -> None:
    """End the sign-in that this browser had: a new one never goes on under an old secret."""
    secret = lock.secret_in(lock.PERSON_COOKIE)
    old = tokens.caller_of(session=session, now=doors.now(), secret=secret, kinds=("browser",)) if secret else None
    if old:
        tokens.end(session, doors.now(), token_id=old.token_id)


def remember(let_in: signing.LetIn) -> None:
    """Let the browser keep a sign-in."""
    lock.set_cookie(lock.PERSON_COOKIE, let_in.secret, seconds=tokens.BROWSER_DAYS * 86_400)
    lock.set_cookie(lock.DEVICE_COOKIE, let_in.device_secret)


def device() -> str:
    """Give what kind of device asks, as its sign-in is listed."""
    return "phone or tablet" if "Mobi" in request.headers.get("User-Agent", "") else "computer"


def _carried() -> Carried:
    to = forms.page_of_ours("to")
    try:
        fields = json.loads(request.form.get("carried") or "[]")
        pairs = tuple((str(name), str(value)) for name, value in fields)
    except (ValueError, TypeError, RecursionError):
        pairs = ()
    return Carried(to if _ours(to, "POST" if pairs else "GET") else "", pairs) if to else Carried("")


def _ours(path: str, method: str) -> bool:
    try:
        endpoint, _ = current_app.url_map.bind("").match(path.split("?", maxsplit=1)[0], method=method)
    except HTTPException:
        return False
    return endpoint not in NOT_CARRIED and not endpoint.startswith(("api.", "door."))


def _show(carried: Carried, refused: Refusal | None = None, status: int = 200) -> tuple[Response | str, int]:
    # a form that met an ended sign-in may have a field called name, which is not the person's
    form = request.form if request.endpoint == "door.enter" else {}
    shown = render_template("signin.html", carried=carried, refused=refused, form=form)
    return shown, status
