"""The lock: before every request who asks, from where, and whether they may; after it the headers and cookies.

The app factory attaches it. The rules are in `rules`; it must not know a use case.
"""

import ipaddress
from collections.abc import Sequence
from dataclasses import dataclass
from urllib.parse import urlsplit

from flask import Flask, Response, current_app, g, request
from flask.sessions import SecureCookieSessionInterface

from spoolkeep.domain.errors import NotAllowed, NotSignedIn, TooBusy
from spoolkeep.domain.words import VisitKind
from spoolkeep.services import people, stations, tokens, visits
from spoolkeep.services.tokens import Caller
from spoolkeep.store.engine import Session
from spoolkeep.store.troubles import trouble_of
from spoolkeep.web import doors, turns
from spoolkeep.web.rules import ASKS_NOBODY, RULES, may

PERSON_COOKIE, STATION_COOKIE, DEVICE_COOKIE, SAID_COOKIE = (
    "spoolkeep_person",
    "spoolkeep_station",
    "spoolkeep_device",
    "spoolkeep_said",
)
LONGEST_COOKIE_SECONDS = 400 * 86_400
"""Browsers keep none longer. Source: RFC 6265bis, section 5.5, on Max-Age."""
LOOPBACK = frozenset({"localhost", "127.0.0.1", "::1"})
SAFE = frozenset({"GET", "HEAD", "OPTIONS"})

POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; connect-src 'self'; "
    "frame-src 'self'; object-src 'none'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
)
HEADERS = {
    "Content-Security-Policy": POLICY,
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), geolocation=(), microphone=()",
    "X-Frame-Options": "DENY",
}
"""Source: OWASP ASVS 5.0.0, V3.4, and the OWASP HTTP Headers Cheat Sheet; frame-ancestors for the browsers of today."""
FRAMED_HEADERS = {
    "Content-Security-Policy": "default-src 'none'; object-src 'none'; form-action 'self'; base-uri 'none'; "
    "frame-ancestors 'self'",
    "X-Frame-Options": "SAMEORIGIN",
}
"""Of a PDF: our own page shows labels in itself, and nobody else's may."""
SECURE_HEADERS = {
    "Strict-Transport-Security": "max-age=31536000",
    "Cross-Origin-Opener-Policy": "same-origin",
}
"""Only where the way is encrypted: elsewhere browsers ignore them. Source: RFC 6797, section 7.2; HTML, COOP."""


@dataclass(frozen=True)
class Reach:
    """Where this Spoolkeep is served."""

    hosts: frozenset[str] = LOOPBACK
    """Names by which it may be asked. A name that somebody else points at this machine is not among them."""
    any_address: bool = False
    """Whether it may be asked by any numeric address: a page of another site never bears one of ours."""
    addresses: tuple[str, ...] = ()
    """Where other devices find it, best first; empty where it is served to this machine only."""
    proxied: bool = False
    """Whether a proxy in front brings others in."""
    guest_id: int | None = None
    """The actor as whom everybody is signed in by itself: in the demo, on the loopback."""


class SaidCookie(SecureCookieSessionInterface):
    """The signed cookie that carries messages to the next page, tied to this host where the way is encrypted."""

    def get_cookie_name(self, app: Flask) -> str:
        """Give its name."""
        del app
        return cookie_name(SAID_COOKIE)

    def get_cookie_secure(self, app: Flask) -> bool:
        """Give whether it must not go unencrypted."""
        del app
        return request.is_secure


def attach(app: Flask, reach: Reach) -> None:
    """Put the lock on an app. Errors: LookupError where an endpoint has no rule."""
    app.extensions["spoolkeep_reach"] = reach
    app.session_interface = SaidCookie()
    turns.attach(app)
    app.before_request(_look)
    app.after_request(_send_cookies)
    app.after_request(_headers)
    unruled = {rule.endpoint for rule in app.url_map.iter_rules()} - RULES.keys()
    if unruled:
        raise LookupError(f"no rule for {sorted(unruled)}")


def reach() -> Reach:
    """Give where this Spoolkeep is served."""
    found = current_app.extensions["spoolkeep_reach"]
    assert isinstance(found, Reach)  # noqa: S101 - `attach` is the only writer
    return found


def cookie_name(name: str) -> str:
    """Give a cookie's name: tied to this very host where the way is encrypted. Source: RFC 6265bis, 4.1.3.2."""
    return f"__Host-{name}" if request.is_secure else name


def set_cookie(name: str, value: str, *, seconds: int = LONGEST_COOKIE_SECONDS) -> None:
    """Give the device a secret with the answer to this request."""
    g.setdefault("cookies", {})[name] = (value, seconds)


def drop_cookie(name: str) -> None:
    """Take a secret from the device."""
    set_cookie(name, "", seconds=0)


def secret_in(name: str) -> str:
    """Give the secret that the device sends in a cookie."""
    return request.cookies.get(cookie_name(name), "")


def lets_in(app: Flask, secrets: Sequence[str]) -> bool:
    """Give whether one of these secrets lets somebody in: a browser, a station or a program. It opens a session."""
    with app.app_context(), doors.reading() as session:
        kinds = ("browser", "station", "api")
        return any(tokens.caller_of(session=session, now=doors.now(), secret=one, kinds=kinds) for one in secrets)


def own_host(host: str) -> bool:
    """Give whether a host, as a request names it, is one of ours."""
    try:
        name = urlsplit(f"//{host}").hostname or ""
    except ValueError:
        return False
    return name in reach().hosts or (reach().any_address and _is_address(name))


def _look() -> None:
    """Let the request in, or refuse it. Errors: NotSignedIn, NotAllowed."""
    if not own_host(request.host):
        raise NotAllowed(
            "foreign_host", f"This Spoolkeep does not answer as “{request.host[:80]}”. Open it by its own."
        )
    bearer = _bearer()
    if request.method not in SAFE and bearer is None and not (request.blueprint == "api" and not request.cookies):
        _refuse_other_sites()
    if request.endpoint in ASKS_NOBODY:
        return
    g.caller = _caller(bearer)
    if request.endpoint is None:
        return  # no page: the app says so, with the tabs of whoever is signed in
    request.max_content_length = RULES[request.endpoint].largest
    if not may(g.caller, request.endpoint):
        raise _no(g.caller)
    doors.forget_booked()
    if not turns.taken(current_app, request.endpoint):
        raise TooBusy("busy_pages", "Many pages are asked for at this moment. Wait a moment, and ask again.")


def _refuse_other_sites() -> None:
    """Refuse what another site, another port or nobody in particular makes a browser send.

    Source: OWASP, Cross-Site Request Forgery Prevention Cheat Sheet, on verifying the origin with standard headers.
    """
    origin = request.headers.get("Origin") or _origin_of(request.headers.get("Referer", ""))
    if origin != request.host_url.rstrip("/"):
        raise NotAllowed("foreign_form", "That came from another site, and nothing was booked. Open the page here.")


def _origin_of(address: str) -> str:
    try:
        parts = urlsplit(address)
    except ValueError:
        return ""
    return f"{parts.scheme}://{parts.netloc}"


def _bearer() -> str | None:
    scheme, _, secret = request.headers.get("Authorization", "").partition(" ")
    return secret.strip() if scheme.lower() == "bearer" else None


def _caller(bearer: str | None) -> Caller | None:
    with doors.reading() as session:
        doors.keep_steady(session)
        if bearer is not None:
            caller = tokens.caller_of(session=session, now=doors.now(), secret=bearer, kinds=("api",))
        else:
            person = _of_cookie(session, PERSON_COOKIE, "browser")
            g.station = _of_cookie(session, STATION_COOKIE, "station")
            caller = person or g.station
            if caller and caller.kind == "station" and caller.station_id is not None:
                g.present = stations.who_is_at(session=session, now=doors.now(), station_id=caller.station_id)
    if caller is None and bearer is None:
        caller = _guest()
    for used in {one.token_id: one for one in (caller, g.get("station")) if one}.values():
        _note_use(used)
    return caller


def _of_cookie(session: Session, name: str, kind: str) -> Caller | None:
    secret = secret_in(name)
    return tokens.caller_of(session=session, now=doors.now(), secret=secret, kinds=(kind,)) if secret else None


def _guest() -> Caller | None:
    """Give the demo's owner, signed in by itself on a page of this machine; elsewhere nobody."""
    guest_id, blueprint = reach().guest_id, request.blueprint
    if guest_id is None or request.remote_addr not in LOOPBACK or blueprint in {None, "api", "door"}:
        return None
    if not _opened_by_a_person():
        return None
    with doors.writing() as session:
        secret = tokens.for_browser(session, doors.now(), actor_id=guest_id, label="this machine")
        caller = tokens.caller_of(session=session, now=doors.now(), secret=secret, kinds=("browser",))
    set_cookie(PERSON_COOKIE, secret)
    return caller


def _opened_by_a_person() -> bool:
    """Give whether a page is opened by itself, and not fetched for another site's; browsers say so on the loopback.

    Source: W3C, Fetch Metadata Request Headers: Sec-Fetch-Site and Sec-Fetch-Dest.
    """
    asked = request.headers
    return asked.get("Sec-Fetch-Site", "none") in {"none", "same-origin"} or asked.get("Sec-Fetch-Dest") == "document"


def _note_use(caller: Caller) -> None:
    """Note now and then that a token is used, and let a station's cookie last anew.

    A database that is held, full or read-only is no matter.
    """
    if not caller.use_to_note:
        return
    try:
        with doors.writing() as session:
            tokens.note_use(session=session, now=doors.now(), token_id=caller.token_id)
    except Exception as error:
        if trouble_of(error) is None:
            raise
    if caller.kind == "station":
        set_cookie(STATION_COOKIE, secret_in(STATION_COOKIE))


def _no(caller: Caller | None) -> NotAllowed | NotSignedIn:
    if caller is None and request.blueprint == "api":
        words = "Send a token that holds: Authorization: Bearer. An owner makes one under Setup, People and devices."
        return NotSignedIn("no_token", words)
    if caller is None:
        with doors.reading() as session:
            owned = people.has_owner(session)
        if not owned:
            return NotSignedIn("no_owner", "Nobody owns this workshop yet. Open the link that the terminal shows.")
        return NotSignedIn("signed_out", "Sign in first; nothing was booked.")
    _note_refusal(caller)
    if caller.kind == "api":
        words = "This token is not for that. Make one that is, under Setup, People and devices."
        return NotAllowed("no_scope", words)
    if caller.kind == "station":
        return NotAllowed("not_for_stations", "A shared station may not do that. Sign in with your name.")
    return NotAllowed("not_your_part", "That is not your part here, and nothing was booked. Ask an owner.")


def _note_refusal(caller: Caller) -> None:
    """Note that somebody was refused; where that cannot be written down, they are refused all the same."""
    try:
        with doors.writing() as session:
            visits.note_seldom(
                session,
                doors.now(),
                VisitKind.REFUSED,
                address=request.remote_addr or "",
                actor_id=caller.actor_id,
                about=caller.station,
            )
    except Exception as error:
        if trouble_of(error) is None:
            raise


def _send_cookies(response: Response) -> Response:
    for name, (value, seconds) in g.get("cookies", {}).items():
        response.set_cookie(
            cookie_name(name),
            value,
            max_age=seconds,
            path="/",
            httponly=True,
            samesite="Lax",
            secure=request.is_secure,
        )
    return response


def _headers(response: Response) -> Response:
    framed = FRAMED_HEADERS if response.mimetype == "application/pdf" else {}
    for name, value in (HEADERS | framed | (SECURE_HEADERS if request.is_secure else {})).items():
        response.headers.setdefault(name, value)
    if request.endpoint != "static":
        response.headers.setdefault("Cache-Control", "no-store")
    if response.status_code == 401:  # noqa: PLR2004 - the status itself
        response.headers.setdefault("WWW-Authenticate", "Bearer")
    return response


def _is_address(name: str) -> bool:
    try:
        ipaddress.ip_address(name)
    except ValueError:
        return False
    return True
