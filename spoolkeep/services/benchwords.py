"""The file of a workshop's own words for the Bench: read at the start, and again whenever it was changed.

The web says its sentences by it, the command line makes and checks it. A file that is not there means English.
"""

from dataclasses import dataclass, field
from pathlib import Path

from spoolkeep.domain.speech import MOST_LETTERS, WordProblem, Words, listed, words_from

FILE = "words.txt"


@dataclass
class BenchWords:
    """The words of one instance."""

    path: Path | None = None
    _seen: tuple[int, int] | None = field(default=None, init=False)
    _words: Words = field(default_factory=Words, init=False)

    def now(self) -> Words:
        """Give the words as the file has them now."""
        if self.path is None:
            return self._words
        try:
            about = self.path.stat()
            seen = (about.st_mtime_ns, about.st_size)
            if seen != self._seen:
                self._words = _read(self.path, about.st_size)
                self._seen = seen
        except FileNotFoundError:
            self._seen, self._words = None, Words()
        except OSError as fault:
            self._words = Words({}, (WordProblem(0, f"{self.path} cannot be read: {fault.strerror}."),))
        return self._words

    def as_list(self) -> str:
        """Give the whole list, with what is translated so far."""
        return listed(self.now())


def _read(path: Path, size: int) -> Words:
    if size > MOST_LETTERS * 4:
        return Words({}, (WordProblem(0, f"{path} is too large to be a list of words. Begin anew: spoolkeep words."),))
    try:
        return words_from(path.read_text(encoding="utf-8"))
    except UnicodeDecodeError:
        return Words({}, (WordProblem(0, f"{path} is not UTF-8. Save it as UTF-8; until then all is in English."),))
