"""The app factory: doors, headers, words and errors around the blueprints.

The command line and the tests call `create_app`. It must not know a use case.
"""

import traceback
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from urllib.parse import urlsplit

from flask import Flask, Response, current_app, g, jsonify, render_template, request
from werkzeug.exceptions import HTTPException, MethodNotAllowed
from werkzeug.local import LocalProxy
from werkzeug.routing import IntegerConverter, Map

import spoolkeep
from spoolkeep.domain.errors import NotSignedIn, Refusal
from spoolkeep.services.benchwords import BenchWords
from spoolkeep.services.limits import MOST_WHOLE, kind_of, out_of_range, without_values
from spoolkeep.services.shop import Shop, load_shop
from spoolkeep.store.engine import Store
from spoolkeep.store.troubles import trouble_of
from spoolkeep.web import (
    ahead,
    api_shop,
    bench,
    books,
    buys,
    columns,
    count,
    deliveries,
    doors,
    firsthour,
    guide,
    health,
    imports,
    jobs,
    justbooked,
    labels,
    lock,
    logbook,
    machines,
    materials,
    me,
    mending,
    money,
    notices,
    onhand,
    orders,
    people,
    rests,
    search,
    setup,
    signin,
    spoken,
    spools,
    squeezing,
    standing,
    stock,
    suppliers,
    tables,
    today,
    tonight,
    wall,
    worth,
)
from spoolkeep.web.answers import status_of
from spoolkeep.web.lock import Reach
from spoolkeep.web.rules import may

NAV = (
    ("today.page", "Today"),
    ("bench.page", "Bench"),
    ("tonight.page", "Tonight"),
    ("stock.page", "Stock"),
    ("jobs.page", "Jobs"),
    ("deliveries.page", "Deliveries"),
    ("orders.page", "Orders"),
    ("money.page", "Money"),
    ("setup.page", "Setup"),
)
_PAGES = (
    today,
    firsthour,
    search,
    bench,
    books,
    tonight,
    stock,
    spools,
    jobs,
    onhand,
    deliveries,
    orders,
    suppliers,
    money,
    buys,
    worth,
    standing,
    setup,
    labels,
    count,
    imports,
    machines,
    materials,
    mending,
    columns,
    notices,
    ahead,
    rests,
    guide,
    wall,
)
BLUEPRINTS = (*_PAGES, api_shop, signin, me, people, health)
RETRY_AFTER_S = 5
_TITLES = {403: "Not allowed", 404: "Not found"}
"""What a page without an answer is headed by; any other: Not done."""
BOOKED = "What you sent is booked; only its answer could not be made. Open the page anew."
LARGEST_BODY = 512 * 1024
"""In bytes, before any rule is read; each endpoint takes as much as its rule says."""


Answered = tuple[Response | str, int]


class RowNumber(IntegerConverter):
    """A row's number in an address; one that no row can have is no page of ours."""

    def __init__(self, routes: Map) -> None:
        super().__init__(routes, max=MOST_WHOLE)


def wall_clock() -> datetime:
    """Give this moment."""
    return datetime.now(UTC)


def create_app(
    store: Store,
    *,
    secret: bytes,
    clock: Callable[[], datetime] = wall_clock,
    reach: Reach | None = None,
    words: BenchWords | None = None,
) -> Flask:
    """Give the app over a store that has the right shape; `secret` signs the cookie that carries messages.

    `words` are the workshop's own for the Bench; English where they are left out.
    """
    folder = template_folder()
    app = Flask("spoolkeep.web", template_folder=str(folder), static_folder=str(Path(__file__).parent / "static"))
    app.config.update(
        SECRET_KEY=secret,
        MAX_CONTENT_LENGTH=LARGEST_BODY,
        SESSION_COOKIE_SAMESITE="Lax",
        SESSION_COOKIE_HTTPONLY=True,
    )
    app.jinja_env.trim_blocks = app.jinja_env.lstrip_blocks = True
    app.jinja_env.globals.update(
        may_open=_may_open, may_send=_may_send, file_of=tables.address_of, page_href=tables.page_address
    )
    app.url_map.converters["int"] = RowNumber
    squeezing.attach(app)
    doors.attach(app, store, clock)
    spoken.install(app, words or BenchWords())
    logbook.attach(app)
    for module in BLUEPRINTS:
        app.register_blueprint(module.pages)
    lock.attach(app, reach or Reach())
    justbooked.attach(app)
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
    caller = doors.caller()
    return {
        "workshop": LocalProxy(_shop),
        "formats": LocalProxy(lambda: _shop().formats),
        "nav": [(endpoint, word) for endpoint, word in NAV if may(caller, endpoint)],
        "asking": caller,
        "present": g.get("present"),
        "page_language": LocalProxy(lambda: _shop().locale.replace("_", "-")),
        "new_key": doors.new_key,
        "now": doors.now(),
        "page_help": guide.help_of_page(),
    }


def _shop() -> Shop:
    """Give the workshop, read once for an answer, and only where its page says something of it."""
    if "shop" not in g:
        with doors.reading() as session:
            g.shop = load_shop(session)
    found = g.shop
    assert isinstance(found, Shop)  # noqa: S101 - written above
    return found


def _may_open(href: str) -> bool:
    """Give whether who is asking may follow a link of ours."""
    return _may(href, "GET")


def _may_send(action: str) -> bool:
    """Give whether who is asking may send a form of ours."""
    return _may(action, "POST")


def _may(address: str, method: str) -> bool:
    try:
        endpoint, _ = current_app.url_map.bind("").match(urlsplit(address).path, method=method)
    except HTTPException:
        return True  # not one of ours: the answer says so
    return may(doors.caller(), endpoint)


def _refused(error: Refusal) -> Answered:
    if isinstance(error, NotSignedIn) and not _for_program():
        return signin.ask(error)
    return _answer(error.code, error.words, status_of(error))


def _http(error: HTTPException) -> Answered:
    status = error.code or 500
    words = {
        404: "There is no such page.",
        405: "That address takes another kind of request. Go back and use the form.",
        413: "That is more than this page takes. Send it in smaller parts; nothing was booked.",
    }.get(status, "That could not be read. Go back and try again; nothing was booked.")
    answer = current_app.make_response(_answer(f"http_{status}", words, status))
    if isinstance(error, MethodNotAllowed):
        answer.allow.update(error.valid_methods or ())  # Source: RFC 9110, section 15.5.6
    return answer, status


def _broken(error: Exception) -> Answered:
    if out_of_range(error) and not doors.is_booked():
        words = "A number or date in that is past what the books can keep. Nothing was booked. Check what you entered."
        return _answer("out_of_range", words, 422)
    trouble = trouble_of(error)
    if trouble:
        current_app.logger.error("%s: %s", trouble.code, kind_of(error), extra={"failure": error})
        return _in_trouble(trouble.code, BOOKED if doors.is_booked() else trouble.words), 503
    where, number = "".join(traceback.format_tb(error.__traceback__)), logbook.new_number()
    told = {"facts": {"number": number}, "failure": error}
    current_app.logger.error("unexpected %s, number %s\n%s", without_values(error), number, where, extra=told)
    what = BOOKED if doors.is_booked() else "Nothing was booked. Go back and try again."
    words = f"Something went wrong on our side. {what} If it happens again, tell whoever looks after Spoolkeep"
    return _answer("unexpected", f"{words} this number: {number}.", 500)


def _in_trouble(code: str, words: str) -> Response:
    """Give an answer that asks nothing of the database, which a page would have to read."""
    if _for_program():
        answer = jsonify(code=code, words=words)
    else:
        answer = Response(f"{words}\n", content_type="text/plain; charset=utf-8")
    answer.status_code = 503
    answer.headers["Retry-After"] = str(RETRY_AFTER_S)
    return answer


def _answer(code: str, words: str, status: int) -> Answered:
    if _for_program():
        return jsonify(code=code, words=words), status
    if not lock.own_host(request.host):
        # in plain words: by a name that is not ours no page has its style, and some names have no pages at all
        return Response(f"{words}\n", status, content_type="text/plain; charset=utf-8"), status
    title = _TITLES.get(status, "Not done")
    return render_template("error.html", title=title, words=words, code=code, status=status), status


def _for_program() -> bool:
    return request.path.startswith("/api/")
