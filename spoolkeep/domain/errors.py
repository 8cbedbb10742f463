"""The one family of errors that rules raise.

Every room may raise them; only the web turns a family member into a status code. They must not know HTTP.
"""


class Refusal(Exception):  # noqa: N818 - a refusal is the trade's word, "RefusalError" says it twice
    """A rule says no. `code` is stable and for programs; `words` tell a person what to do next."""

    def __init__(self, code: str, words: str) -> None:
        super().__init__(words)
        self.code = code
        self.words = words


class BadInput(Refusal):
    """What was entered cannot be read or cannot be: the person can mend it and send it again."""


class NotFound(Refusal):
    """What was named is not in the books."""


class Conflict(Refusal):
    """It contradicts what is already in the books: a key used for something else, or a later act in the way."""


class WrongDatabase(Refusal):
    """The database is older or newer than this program, or cannot be opened; the words name the mending command."""


class NotSignedIn(Refusal):
    """Nobody is signed in here, or no longer."""


class NotAllowed(Refusal):
    """Whoever asks may not do that, or asks from where nobody may."""


class TooMany(Refusal):
    """Too many tries or too much at once: wait, or take the other way that the words name."""


class TooBusy(Refusal):
    """More is asked for than can be worked out at this moment: ask again in a moment."""
