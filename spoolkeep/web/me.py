"""A person's own page: password, another device, where one is signed in, signing out.

The app factory registers it.
"""

from collections.abc import Callable

from flask import Blueprint, flash, redirect, render_template, request, url_for
from werkzeug.wrappers import Response as Answer

from spoolkeep.domain.errors import BadInput, NotSignedIn, Refusal
from spoolkeep.services import links, passwords, people, signing, tokens
from spoolkeep.services.shop import load_shop
from spoolkeep.web import doors, forms, lock, signin
from spoolkeep.web.answers import status_of
from spoolkeep.web.ways import Way, way_in

pages = Blueprint("me", __name__, url_prefix="/me")


@pages.get("")
def page() -> str:
    """Show a person's own sign-in."""
    return _show()


@pages.post("")
def change() -> tuple[str, int] | Answer:
    """Do what the form's hidden word says."""
    doings: dict[str, Callable[[], tuple[str, int] | Answer]] = {
        "password": _password,
        "device": _device,
        "everywhere": _everywhere,
    }
    try:
        doing = forms.chosen(doings)
        return doing()
    except Refusal as refusal:
        return _show(refused=refusal), status_of(refusal)


def _password() -> Answer:
    asking, new = doors.somebody(), request.form.get("new", "")
    with doors.reading() as session:
        about = (asking.name, load_shop(session).name)
    with passwords.room():
        try:
            tried = signin.looked_at(asking.name, request.form.get("password", ""))
        except NotSignedIn:
            raise BadInput("wrong_password", "That is not your password now. Write it again.") from None
        with doors.writing() as session:
            signing.was_right(session=session, tried=tried)
        passwords.check_new(new, about=about)
        kept = passwords.hashed(new)
    with doors.writing() as session:
        now, actor_id = doors.now(), asking.actor_id
        people.end_sign_ins(session, now, actor_id=actor_id)
        people.choose_password(session=session, now=now, actor_id=actor_id, password_hash=kept)
        let_in = signing.admit(session=session, now=now, actor_id=actor_id, device_secret="", label=signin.device())
    signin.remember(let_in)
    flash("The password is changed. Every other device is signed out.", "heard")
    return redirect(url_for("me.page"))


def _device() -> tuple[str, int]:
    asking = doors.somebody()
    with doors.writing() as session:
        secret = links.for_device_at_hand(session=session, now=doors.now(), actor_id=asking.actor_id)
    return _show(way=way_in(secret)), 200


def _everywhere() -> Answer:
    asking = doors.somebody()
    with doors.writing() as session:
        people.sign_out_everywhere(session=session, now=doors.now(), by_id=asking.actor_id, actor_id=asking.actor_id)
    lock.drop_cookie(lock.PERSON_COOKIE)
    return redirect(url_for("door.sign_in"))


def _show(way: Way | None = None, refused: Refusal | None = None) -> str:
    asking = doors.somebody()
    with doors.reading() as session:
        signed_in = tokens.standing(session=session, now=doors.now(), kind="browser", actor_id=asking.actor_id)
    return render_template("me.html", signed_in=signed_in, way=way, refused=refused)
