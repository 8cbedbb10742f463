"""How much of a request the server takes in before any page is asked: by the path alone, so that it costs nobody.

`serving` puts it into the server. It must not know who asks.
"""

import copy

from flask import Flask
from waitress.adjustments import Adjustments
from waitress.channel import HTTPChannel
from waitress.parser import HTTPRequestParser

from spoolkeep.web import stopping
from spoolkeep.web.rules import RULES

USUAL = 1024 * 1024
"""What any path takes, in bytes; a page's own rule is stricter."""


def largest_by_path(app: Flask) -> dict[str, int]:
    """Give the paths that take more than the usual, and how much in bytes."""
    return {
        route.rule: RULES[route.endpoint].largest
        for route in app.url_map.iter_rules()
        if RULES[route.endpoint].largest > USUAL
    }


def channel_for(app: Flask) -> type[HTTPChannel]:
    """Give the server's channel, which takes as much as the rules of this app say."""
    larger = largest_by_path(app)

    class Parser(HTTPRequestParser):  # type: ignore[misc] # waitress ships no types
        """A request as it comes in: once its path is known, its body may be as large as that path's rule says.

        Only where it brings a cookie or a token: whether that lets anybody in, the page's lock says.
        """

        adj: Adjustments
        path: str

        def parse_header(self, header_plus: bytes) -> None:
            """Read the head."""
            super().parse_header(header_plus)
            if self.path in larger and ("COOKIE" in self.headers or "AUTHORIZATION" in self.headers):
                self.adj = _taking(self.adj, larger[self.path])

    class Channel(HTTPChannel):  # type: ignore[misc] # waitress ships no types
        """A connection."""

        parser_class = Parser
        task_class = stopping.Task

    return Channel


def _taking(adj: Adjustments, most: int) -> Adjustments:
    """Give the server's settings with another bound; a body of just so many bytes is within it."""
    found = copy.copy(adj)
    found.max_request_body_size = most + 1
    return found
