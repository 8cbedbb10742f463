"""Answers that are text go over the network compressed: a phone at the end of the shelves has little of it.

The app factory asks for it. Pages on which a secret may stand beside what somebody sent are left as they are, since the
length of what is compressed tells of its content. Source: RFC 9110, section 8.4.1; Gluck, Harris, Prado: BREACH (2013).
"""

import gzip

from flask import Flask, Response, request

TEXTS = frozenset({"text/html", "text/css", "text/javascript", "text/csv", "text/plain", "image/svg+xml"})
"""Not what programs ask for: it is short, and not every program that says that it takes compressed answers does."""
LEAST, LEVEL = 1_000, 6
"""Bytes below which a packet is not saved; how hard it is pressed, where more costs time and saves little."""
WITH_SECRETS = frozenset({"people", "me", "door", "notices"})
"""Blueprints whose pages show a link, a token or a key."""


def attach(app: Flask) -> None:
    """Compress what an app answers. Ask for it before anything else is done after a request: it comes last then."""
    app.after_request(_squeezed)


def _squeezed(response: Response) -> Response:
    if response.mimetype not in TEXTS or request.blueprint in WITH_SECRETS:
        return response
    response.vary.add("Accept-Encoding")
    told = response.status_code, response.headers.get("Content-Encoding"), request.range
    if told != (200, None, None) or request.method == "HEAD" or not request.accept_encodings["gzip"]:
        return response
    response.direct_passthrough = False
    plain = response.get_data()
    if len(plain) >= LEAST:
        response.set_data(gzip.compress(plain, LEVEL, mtime=0))
        response.headers["Content-Encoding"] = "gzip"
        _weaken(response)
    return response


def _weaken(response: Response) -> None:
    """Say that the mark is of the content and not of its bytes. Source: RFC 9110, section 8.8.1."""
    mark, _ = response.get_etag()
    if mark is not None:
        response.set_etag(mark, weak=True)
