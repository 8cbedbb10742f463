"""Ways in that a page shows once: a one-time link with its picture to scan.

The pages of the door use it. The secret stands behind the #, which no browser sends and no log keeps.
"""

from dataclasses import dataclass
from urllib.parse import urlsplit

import segno
from flask import request, url_for

from spoolkeep.web import lock

DOTS_A_MODULE = 4


@dataclass(frozen=True)
class Way:
    """A one-time link, and its picture as an address that holds the whole of it."""

    href: str
    picture: str
    only_here: bool
    """Whether no other device can open it, because this Spoolkeep is served to this machine only."""


def way_in(secret: str) -> Way:
    """Give the way in that a one-time link's secret opens."""
    base, only_here = _base()
    href = f"{base}{url_for('door.join')}#{secret}"
    picture = segno.make(href, error="m", micro=False).svg_data_uri(scale=DOTS_A_MODULE, dark="#000", light="#fff")
    return Way(href, picture, only_here)


def _base() -> tuple[str, bool]:
    """Give where another device finds this Spoolkeep: as it was asked, unless that name leads to this machine only."""
    asked = request.host_url.rstrip("/")
    if (urlsplit(asked).hostname or "") not in lock.LOOPBACK:
        return asked, False
    addresses = lock.reach().addresses
    return (addresses[0], False) if addresses else (asked, True)
