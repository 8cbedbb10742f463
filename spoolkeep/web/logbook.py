"""The log of a served workshop: one JSON object a line about each request and each failure, and never what was said.

`processes` opens it, the app factory attaches it. What stands in a line is of our own making: patterns of addresses,
numbers of actors and stations, times, kinds of errors and where in the program they arose.
"""

import json
import logging
import os
import secrets
import sys
import time
import traceback
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path

from flask import Flask, Response, g, request

import spoolkeep
from spoolkeep.services.limits import kind_of
from spoolkeep.web import doors

MOST_BYTES = 2 * 1024 * 1024
MOST_FILES = 5
"""Of one process: the file that is written, and those before it, each at most so large."""
SLOW_MS = 1000
QUIET = frozenset({"static", "health.alive", "health.ready", "bench.board", "imports.progress"})
"""What is asked all day long, and stands in the log only where it is slow or refused."""
_BESIDE = frozenset({"time", "process", "error", "frames"})
_requests = logging.getLogger("spoolkeep.requests")
_log = logging.getLogger(__name__)


class Own(str):
    """A word of the program itself, such as the name of a look: a log may say it."""

    __slots__ = ()


class PlainWords(logging.Formatter):
    """Says on a terminal, whose words a system's journal may keep, no more than stands in the file."""

    def format(self, record: logging.LogRecord) -> str:
        """Give a record in plain words; a failure's kinds and places stand in lines of their own."""
        line = line_of(record)
        said = line.get("words") or ", ".join(f"{name} {one}" for name, one in line.items() if name not in _BESIDE)
        kinds, frames = (line.get(name) for name in ("error", "frames"))
        told = [str(said), *(f"  {one}" for part in (kinds, frames) if isinstance(part, list) for one in part)]
        return "\n".join(told)


class JsonLines(logging.Handler):
    """Writes records as lines to a file and begins a new one in time; what it cannot write is let go, and told once."""

    def __init__(self, path: Path) -> None:
        super().__init__(logging.INFO)
        self._path = path
        self._file: int | None = None
        self._told = False

    def emit(self, record: logging.LogRecord) -> None:
        """Write a record."""
        try:
            self._write((json.dumps(line_of(record), ensure_ascii=False) + "\n").encode())
        except Exception as error:  # noqa: BLE001 - a full disk, or anything else here, must not stop a scan
            self._let_go()
            if not self._told:
                self._told = True
                words = (
                    f"The log in {self._path.parent} cannot be written ({kind_of(error)}); serving goes on without it."
                )
                print(words, file=sys.stderr)  # noqa: T201 - the log itself is what fails

    def close(self) -> None:
        """Close the file."""
        self._let_go()
        super().close()

    def _write(self, line: bytes) -> None:
        if self._file is None:
            self._path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
            self._file = os.open(self._path, os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o600)
        if os.fstat(self._file).st_size + len(line) > MOST_BYTES:
            self._begin_new()
            self._write(line)
            return
        os.write(self._file, line)

    def _begin_new(self) -> None:
        self._let_go()
        for number in range(MOST_FILES - 1, 0, -1):
            older, newer = self._numbered(number), self._numbered(number - 1)
            if newer.exists():
                newer.replace(older)

    def _numbered(self, number: int) -> Path:
        return self._path.with_suffix(f".{number}{self._path.suffix}") if number else self._path

    def _let_go(self) -> None:
        if self._file is not None:
            os.close(self._file)
            self._file = None


@contextmanager
def opened(folder: Path | None, name: str) -> Iterator[None]:
    """Keep a log in a folder while the block runs, under a name that no other process has; warnings to the terminal.

    Without a folder there is only the terminal.
    """
    terminal = logging.StreamHandler()
    terminal.setLevel(logging.WARNING)
    terminal.setFormatter(PlainWords())
    handlers: list[logging.Handler] = [terminal, *([JsonLines(folder / f"{name}.jsonl")] if folder else [])]
    root, ours = logging.getLogger(), logging.getLogger("spoolkeep")
    before = ours.level
    ours.setLevel(logging.INFO)
    for handler in handlers:
        root.addHandler(handler)
    try:
        _log.info("started", extra={"facts": {"version": spoolkeep.__version__}})
        yield
        _log.info("ended", extra={"facts": {}})
    finally:
        ours.setLevel(before)
        for handler in handlers:
            root.removeHandler(handler)
            handler.close()


def line_of(record: logging.LogRecord) -> dict[str, object]:
    """Give what stands in the log of a record: its facts, or of its words those that are our own and their numbers."""
    facts = getattr(record, "facts", None)
    error = getattr(record, "failure", None) or (record.exc_info[1] if record.exc_info else None)
    line: dict[str, object] = {
        "time": datetime.fromtimestamp(record.created, UTC).isoformat(timespec="milliseconds"),
        "level": record.levelname.lower(),
        "event": "failed" if error is not None else record.msg if facts is not None else record.name,
        "process": record.process,
    }
    if facts is not None:
        line |= facts
    elif record.name.startswith("spoolkeep"):
        line["words"] = _own_words(record)
    else:
        line["where"] = f"{record.module}:{record.lineno}"
    if error is not None:
        line |= {"error": kinds_of(error), "frames": frames_of(error)}
    return line


def _own_words(record: logging.LogRecord) -> str:
    """Give a message as it stands in the program, with the numbers that belong to it and without anybody's words."""
    given = record.args if isinstance(record.args, tuple) else ()
    try:
        return str(record.msg) % tuple(one if isinstance(one, int | float | Own) else "…" for one in given)
    except (TypeError, ValueError):
        return str(record.msg)


def kinds_of(error: BaseException) -> list[str]:
    """Give of which kind an error is, and those that it came from, without their words."""
    found: list[str] = []
    at: BaseException | None = error
    while at is not None and len(found) < MOST_FILES:
        found.append(kind_of(at))
        at = at.__cause__ or (None if at.__suppress_context__ else at.__context__)
    return found


def frames_of(error: BaseException) -> list[str]:
    """Give where an error arose, the innermost last."""
    return [f"{_short(one.filename)}:{one.lineno} {one.name}" for one in traceback.extract_tb(error.__traceback__)]


def _short(file: str) -> str:
    """Give a file's path within what was installed: where that lies on a machine may name its owner."""
    path = Path(file)
    for top in (Path(spoolkeep.__file__).parent.parent, *map(Path, sys.path)):
        if top.is_absolute() and path.is_relative_to(top):
            return path.relative_to(top).as_posix()
    return path.name


def attach(app: Flask) -> None:
    """Let an app tell the log of each request; before all else is attached that looks at requests."""
    app.before_request(_begin)
    app.after_request(_tell)


def new_number() -> str:
    """Give a number by which a person can name a request that failed, and which its line in the log has too."""
    g.failed = f"{secrets.randbelow(1_000_000):06d}"
    return str(g.failed)


def _begin() -> None:
    g.began = time.perf_counter()


def _tell(response: Response) -> Response:
    ms = round((time.perf_counter() - g.began) * 1000, 1) if "began" in g else 0.0
    slow, refused = ms >= SLOW_MS, response.status_code >= 400  # noqa: PLR2004 - by RFC 9110, section 15
    if not _requests.isEnabledFor(logging.INFO) or (request.endpoint in QUIET and not slow and not refused):
        return response
    caller = doors.caller()
    facts: dict[str, object] = {
        "method": request.method if request.url_rule else "-",
        "path": request.url_rule.rule if request.url_rule else None,
        "status": response.status_code,
        "ms": ms,
        "bytes": response.calculate_content_length(),
        "actor": caller.actor_id if caller else None,
        "station": caller.station_id if caller else None,
    }
    facts |= ({"slow": True} if slow else {}) | ({"number": g.failed} if "failed" in g else {})
    _requests.info("request", extra={"facts": facts})
    return response
