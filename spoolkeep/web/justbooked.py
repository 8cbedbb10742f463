"""The act that a form has just booked, so that the page which says so offers its undo.

The app factory attaches it; base.html asks for it. Messages and the act's key travel in the same signed cookie.
"""

from flask import Flask, Response, request, session

from spoolkeep.domain.words import Role
from spoolkeep.services import acts
from spoolkeep.services.acts import ActView
from spoolkeep.web import doors

_KEPT = "booked"
_LONGEST_KEY = 200
_HAS_ITS_OWN = frozenset({"bench"})
"""Where what was booked stands with its undo already."""


def attach(app: Flask) -> None:
    """Let every page that follows a form offer the undo of what it booked."""
    app.after_request(_keep)
    app.jinja_env.globals.update(just_booked=just_booked)


def _keep(response: Response) -> Response:
    leads_on = request.method == "POST" and response.location is not None
    if leads_on and doors.is_booked() and doors.caller() and request.blueprint not in _HAS_ITS_OWN:
        session[_KEPT] = request.form.get("key", "")[:_LONGEST_KEY]
    return response


def just_booked() -> ActView | None:
    """Give the act that the form before this page booked, once, where who asks may take it back; else None."""
    key, caller = session.pop(_KEPT, ""), doors.caller()
    if not key or caller is None:
        return None
    with doors.reading() as books:
        act = acts.of_key(session=books, actor_id=caller.actor_id, key=key)
    if act is None or act.undone or (act.owners and caller.role is not Role.OWNER):
        return None
    return act
