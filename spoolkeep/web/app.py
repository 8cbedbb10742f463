"""The app factory: doors, headers, words and errors around the blueprints.

The command line and the tests call `create_app`. It must not know a use case.
"""

from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

from flask import Flask, Response, current_app, jsonify, render_template, request
from werkzeug.exceptions import HTTPException
from werkzeug.routing import IntegerConverter, Map

import spoolkeep
from spoolkeep.domain.errors import Refusal
from spoolkeep.services.limits import MOST_WHOLE, busy, out_of_range
from spoolkeep.services.shop import load_shop
from spoolkeep.store.engine import Store
from spoolkeep.web import api, bench, deliveries, doors, jobs, money, orders, search, setup, spools, stock, today
from spoolkeep.web.answers import status_of

NAV = (
    ("today.page", "Today"),
    ("bench.page", "Bench"),
    ("stock.page", "Stock"),
    ("jobs.page", "Jobs"),
    ("deliveries.page", "Deliveries"),
    ("orders.page", "Orders"),
    ("money.page", "Money"),
    ("setup.page", "Setup"),
)
BLUEPRINTS = (today, search, bench, stock, spools, jobs, deliveries, orders, money, setup, api)
BUSY_WORDS = "Another program holds the database. Nothing was booked. Wait a moment, go back and send it again."
LARGEST_BODY = 12 * 1024 * 1024
LOOPBACK = ("localhost", "127.0.0.1", "[::1]")

POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; connect-src 'self'; "
    "form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
)


class RowNumber(IntegerConverter):
    """A row's number in an address; one that no row can have is no page of ours."""

    def __init__(self, routes: Map) -> None:
        super().__init__(routes, max=MOST_WHOLE)


def wall_clock() -> datetime:
    """Give this moment."""
    return datetime.now(UTC)


def create_app(store: Store, *, secret: bytes, clock: Callable[[], datetime] = wall_clock) -> Flask:
    """Give the app over a store that has the right shape; `secret` signs the cookie that carries messages."""
    folder = template_folder()
    app = Flask("spoolkeep.web", template_folder=str(folder), static_folder=str(Path(__file__).parent / "static"))
    app.config.update(
        SECRET_KEY=secret,
        MAX_CONTENT_LENGTH=LARGEST_BODY,
        SESSION_COOKIE_SAMESITE="Strict",
        SESSION_COOKIE_HTTPONLY=True,
        SESSION_COOKIE_NAME="spoolkeep_said",
    )
    app.jinja_env.trim_blocks = app.jinja_env.lstrip_blocks = True
    app.url_map.converters["int"] = RowNumber
    doors.attach(app, store, clock)
    for module in BLUEPRINTS:
        app.register_blueprint(module.pages)
    app.before_request(_refuse_strangers)
    app.after_request(_headers)
    app.context_processor(_context)
    app.register_error_handler(Refusal, _refused)
    app.register_error_handler(HTTPException, _http)
    app.register_error_handler(Exception, _broken)
    return app


def template_folder() -> Path:
    """Give the pages' folder: inside the wheel, or beside the package in a checkout."""
    package = Path(spoolkeep.__file__).parent
    inside = package / "templates"
    return inside if inside.is_dir() else package.parent / "templates"


def _context() -> dict[str, object]:
    with doors.reading() as session:
        shop = load_shop(session)
    return {
        "workshop": shop,
        "formats": shop.formats,
        "nav": NAV,
        "page_language": shop.locale.replace("_", "-"),
        "new_key": doors.new_key,
        "now": doors.now(),
    }


def _refuse_strangers() -> None:
    """Refuse a rebound name, and a form that another site sends: there is no sign-in yet, only the loopback."""
    host = request.host.rsplit(":", 1)[0] if not request.host.endswith("]") else request.host
    if host not in LOOPBACK:
        raise Stranger("foreign_host", "This Spoolkeep answers only on its own machine. Open it as http://localhost.")
    origin = request.headers.get("Origin")
    if request.method not in {"GET", "HEAD", "OPTIONS"} and origin not in {None, request.host_url.rstrip("/")}:
        raise Stranger("foreign_form", "That came from another site, and nothing was booked. Open the page here.")


class Stranger(Refusal):
    """The request comes from somewhere that may not ask."""


def _headers(response: Response) -> Response:
    response.headers.setdefault("Content-Security-Policy", POLICY)
    response.headers.setdefault("X-Content-Type-Options", "nosniff")
    response.headers.setdefault("Referrer-Policy", "same-origin")
    if request.endpoint != "static":
        response.headers.setdefault("Cache-Control", "no-store")
    return response


def _refused(error: Refusal) -> tuple[Response | str, int]:
    status = 403 if isinstance(error, Stranger) else status_of(error)
    return _answer(error.code, error.words, status)


def _http(error: HTTPException) -> tuple[Response | str, int]:
    status = error.code or 500
    words = {
        404: "There is no such page. Choose one above.",
        405: "That address takes another kind of request. Go back and use the form.",
        413: "That is too large to send: at most 12 MB.",
    }.get(status, "That could not be read. Go back and try again; nothing was booked.")
    return _answer(f"http_{status}", words, status)


def _broken(error: Exception) -> tuple[Response | str, int]:
    if out_of_range(error):
        words = "A number or date in that is past what the books can keep. Nothing was booked. Check what you entered."
        return _answer("out_of_range", words, 422)
    if busy(error):
        # in plain words: a page would have to read the database that is held
        return Response(f"{BUSY_WORDS}\n", 503, content_type="text/plain; charset=utf-8"), 503
    current_app.logger.error("unexpected", exc_info=error)
    return _answer("unexpected", "Something went wrong on our side. Nothing was booked. Go back and try again.", 500)


def _answer(code: str, words: str, status: int) -> tuple[Response | str, int]:
    if request.path.startswith("/api/"):
        return jsonify(code=code, words=words), status
    return render_template("error.html", title="Not done", words=words, code=code, status=status), status
