"""The Bench's words on its pages: the filter `spoken`, which says a sentence in the workshop's own words.

The app factory installs it. Elsewhere than on the Bench and the count it changes nothing.
"""

from flask import Flask, current_app, has_request_context, request
from jinja2 import pass_context
from jinja2.runtime import Context

from spoolkeep.domain.sayings import BY_SCRIPT
from spoolkeep.services.benchwords import BenchWords

PAGES = frozenset({"bench", "count"})
"""Blueprints whose pages people at a machine read."""
_NAME = "spoolkeep.words"


def install(app: Flask, words: BenchWords) -> None:
    """Give the app its words."""
    app.extensions[_NAME] = words
    app.jinja_env.filters["spoken"] = _filter
    app.jinja_env.globals["spoken_by_script"] = by_script


def words_here() -> BenchWords:
    """Give the words of this workshop."""
    found = current_app.extensions[_NAME]
    assert isinstance(found, BenchWords)  # noqa: S101 - `install` is the only writer
    return found


def spoken(text: object) -> str:
    """Give what is said in the workshop's own words, where people at a machine read it."""
    plain = str(text)
    return words_here().now().said(plain) if _is_theirs() else plain


@pass_context
def _filter(_context: Context, text: object) -> str:
    """Say it anew at each look: without a context, what stands in a template is said once, when that is compiled."""
    return spoken(text)


def by_script() -> dict[str, str]:
    """Give what is translated of what the script says by itself, by its English."""
    words = words_here().now().by_english if _is_theirs() else {}
    return {english: words[english] for english in BY_SCRIPT if english in words}


def _is_theirs() -> bool:
    return has_request_context() and request.blueprint in PAGES
