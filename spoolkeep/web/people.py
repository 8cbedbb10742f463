"""People and devices: who may come in, which stations and programs, and what happened at the door.

The app factory registers it. Only owners come here.
"""

from collections.abc import Callable
from dataclasses import dataclass

from flask import Blueprint, flash, redirect, render_template, request, url_for
from werkzeug.wrappers import Response as Answer

from spoolkeep.domain.errors import Conflict, Refusal
from spoolkeep.domain.words import LinkKind, Role, Scope
from spoolkeep.services import links, people, signing, stations, tokens, visits
from spoolkeep.store.engine import Session
from spoolkeep.web import doors, forms, lock
from spoolkeep.web.answers import status_of
from spoolkeep.web.ways import Way, way_in

pages = Blueprint("people", __name__, url_prefix="/people")
VISITS_SHOWN = 30


@dataclass(frozen=True)
class Fresh:
    """What is shown this once: a way in, or a program's token."""

    do: str
    words: str
    way: Way | None = None
    token: str = ""


@pages.get("")
def page() -> str:
    """Show who may come in."""
    return _show()


@pages.post("")
def change() -> tuple[str, int] | Answer:
    """Do what the form's hidden word says."""
    doings: dict[str, Callable[[Session], Fresh | str]] = {
        "person": _person,
        "role": _role,
        "again": _again,
        "everywhere": _everywhere,
        "name": _name,
        "station": _station,
        "here": _here,
        "token": _token,
        "revoke": _revoke,
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
    return redirect(url_for("bench.page" if do == "here" else "people.page"))


def _person(session: Session) -> Fresh:
    role = forms.word("role", Role, "Role", default=Role.OPERATOR)
    by_id, now = doors.somebody().actor_id, doors.now()
    actor_id = people.add(session=session, now=now, by_id=by_id, name=forms.text("name"), role=role)
    secret = links.make(
        session=session, now=now, kind=LinkKind.PERSON, lasts=links.SENT_LASTS, actor_id=actor_id, by_id=by_id
    )
    words = f"Give this to {forms.text('name')}. It holds once, for a day, and asks for a password to be chosen."
    return Fresh("person", words, way=way_in(secret))


def _role(session: Session) -> str:
    role = forms.word("role", Role, "Role")
    people.give_role(session=session, now=doors.now(), by_id=_by(), actor_id=_whom(), role=role)
    return f"From now on: {role}."


def _again(session: Session) -> Fresh:
    secret = people.forget_password(session=session, now=doors.now(), by_id=_by(), actor_id=_whom())
    words = "The old password holds no more. Give this to the person: it holds once, for a day, and asks for a new one."
    return Fresh("person", words, way=way_in(secret))


def _everywhere(session: Session) -> str:
    people.sign_out_everywhere(session=session, now=doors.now(), by_id=_by(), actor_id=_whom())
    return "Signed out on every device."


def _name(session: Session) -> str:
    people.remove_name(session=session, now=doors.now(), by_id=_by(), actor_id=_whom())
    return "The name is removed. What was booked stays, under a number."


def _station(session: Session) -> Fresh:
    label = stations.free_label(session=session, now=doors.now(), label=forms.text("label"))
    secret = links.make(
        session=session, now=doors.now(), kind=LinkKind.STATION, lasts=links.AT_HAND_LASTS, by_id=_by(), label=label
    )
    words = f"Scan this with the camera of {label}, or open the link on it. It holds once, for ten minutes."
    return Fresh("station", words, way=way_in(secret))


def _here(session: Session) -> str:
    """Make this very browser a station, and sign its person out of it."""
    asking = doors.somebody()
    if lock.reach().guest_id is not None:
        raise Conflict("is_demo", "In the demo this device signs in by itself again. Try it in a workshop of your own.")
    label = stations.free_label(session=session, now=doors.now(), label=forms.text("label"))
    made = stations.sign_in(session=session, now=doors.now(), label=label, by_id=asking.actor_id)
    signing.sign_out(session=session, now=doors.now(), token_id=asking.token_id, actor_id=asking.actor_id)
    lock.set_cookie(lock.STATION_COOKIE, made.secret)
    lock.drop_cookie(lock.PERSON_COOKIE)
    return "This device is a station now, and you are signed out of it."


def _token(session: Session) -> Fresh:
    scopes = tuple(Scope(word) for word in request.form.getlist("scope") if word in set(Scope))
    days = forms.whole("days", "Days", default=tokens.PROGRAM_DAYS)
    secret = tokens.for_program(
        session=session, now=doors.now(), by_id=_by(), label=forms.text("label"), scopes=scopes, days=days
    )
    return Fresh("token", "Copy it to where the program keeps its settings now: it is not shown again.", token=secret)


def _revoke(session: Session) -> str:
    label = tokens.revoke(session=session, now=doors.now(), by_id=_by(), token_id=forms.whole("token", "Token"))
    return f"{label} is signed out. What it booked stays."


def _by() -> int:
    return doors.somebody().actor_id


def _whom() -> int:
    return forms.whole("person", "Person")


def _show(fresh: Fresh | None = None, refused: Refusal | None = None) -> str:
    with doors.reading() as session:
        now = doors.now()
        shown = {
            "people": people.listing(session=session, now=now),
            "stations": tokens.standing(session=session, now=now, kind="station"),
            "programs": tokens.standing(session=session, now=now, kind="api"),
            "visits": visits.recent(session=session, limit=VISITS_SHOWN),
        }
    return render_template(
        "people.html",
        **shown,
        roles=[str(role) for role in Role],
        served_here_only=not (lock.reach().addresses or lock.reach().proxied),
        is_demo=lock.reach().guest_id is not None,
        kept_days=visits.KEPT_DAYS,
        fresh=fresh,
        refused=refused,
        form=request.form if refused else {},
    )
