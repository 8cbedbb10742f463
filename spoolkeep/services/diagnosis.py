"""What whoever helps needs to know of a workshop's machine, program and database, in one file without anybody's words.

The command line calls it. It also works where the database is broken: what cannot be read is named.
"""

import json
import os
import platform
import re
import shutil
import sqlite3
import threading
import time
import zipfile
from collections.abc import Callable, Iterator
from contextlib import closing
from datetime import UTC, datetime
from importlib import metadata
from pathlib import Path
from typing import Any

from sqlalchemy import make_url
from sqlalchemy.exc import ArgumentError

import spoolkeep
from spoolkeep.services.instance import Instance
from spoolkeep.services.limits import kind_of
from spoolkeep.store import condition
from spoolkeep.store.copying import FOLDER
from spoolkeep.store.engine import Store, safe_journal_mode
from spoolkeep.store.proof import differences
from spoolkeep.store.upgrade import newest

CHECK_S = 20.0
"""How long the books are checked at most."""
MOST_LOG_BYTES = 8 * 1024 * 1024
LATEST_ERRORS = 20
OWN_FILES = ("spoolkeep.sqlite", "spoolkeep.sqlite-wal", "spoolkeep.sqlite-shm", "spoolkeep.sqlite-journal", "secret")
OWN_COPIES = re.compile(r"(daily|by-hand|differs|before-[a-z]+)-[\w.-]*\.sqlite(\.part)?")
"""The names that the program itself gives to copies; what a person named is only counted."""
CONTENTS = """\
What Spoolkeep found out about itself, to be sent to whoever helps.

diagnosis.json  versions, settings that are neither names nor addresses nor money, numbers of rows, sizes, free disk,
                guards, whether the books are sound, copies, the latest failures, what could not be read
log/            the server's latest log files: when, which address by its pattern, how long, numbers of actors

There is no name, address, amount, password, token or secret in it, by how it is made. Look through it all the same
before you send it: every file in it is plain text.
"""


def write(instance: Instance, target: Path, *, now: datetime, check_s: float = CHECK_S) -> list[str]:
    """Write the diagnosis of a workshop as a ZIP file; give what could not be read. Errors: OSError by its path."""
    found = gathered(instance, now=now, check_s=check_s)
    handle = os.open(target, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
    with os.fdopen(handle, "wb") as file, zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED) as bundle:
        bundle.writestr("READ-ME-FIRST.txt", CONTENTS)
        bundle.writestr("diagnosis.json", json.dumps(found, indent=2, default=str, ensure_ascii=False) + "\n")
        for path, data in _latest(instance.log):
            bundle.writestr(f"log/{path.name}", data)
    return sorted(_unread(found))


def gathered(instance: Instance, *, now: datetime, check_s: float = CHECK_S) -> dict[str, object]:
    """Give all that is known, part by part; a part that could not be read says of which kind the error was."""
    parts: dict[str, Callable[[], object]] = {
        "versions": _versions,
        "clock": _clock,
        "disk": lambda: _disk(instance.folder),
        "files": lambda: _files(instance.folder),
        "copies": lambda: _copies(instance.folder / FOLDER),
        "latest_failures": lambda: _failures(instance.log),
        "set": lambda: sorted(name for name in os.environ if name.startswith("SPOOLKEEP_")),
        "database": lambda: _database(instance, check_s),
    }
    return {"made_at": now.astimezone(UTC).isoformat(), **_asked(parts)}


def _asked(parts: dict[str, Callable[[], object]]) -> dict[str, object]:
    found: dict[str, object] = {}
    for name, ask in parts.items():
        try:
            found[name] = ask()
        except Exception as error:  # noqa: BLE001 - what is broken is just what is looked for
            found[name] = {"not_read": kind_of(error)}
    return found


def _unread(found: object, where: str = "") -> Iterator[str]:
    if isinstance(found, dict):
        if "not_read" in found:
            yield where
        for name, part in found.items():
            yield from _unread(part, f"{where}.{name}" if where else name)


def _versions() -> object:
    wanted = metadata.requires("spoolkeep") or []
    names = sorted({re.split(r"[^\w.-]", one, maxsplit=1)[0] for one in wanted if "extra ==" not in one} | {"psycopg"})
    return {
        "spoolkeep": spoolkeep.__version__,
        "revision_needed": newest(),
        "python": platform.python_version(),
        "system": platform.platform(),
        "processors": os.cpu_count(),
        "sqlite": sqlite3.sqlite_version,
        "journal_with_it": safe_journal_mode(sqlite3.sqlite_version_info[:3]),
        "packages": {name: _version(name) for name in names},
    }


def _version(name: str) -> str | None:
    try:
        return metadata.version(name)
    except metadata.PackageNotFoundError:
        return None


def _clock() -> object:
    local = datetime.now().astimezone()
    return {"utc": datetime.now(UTC).isoformat(), "local_offset": f"{local:%z}", "local_zone": time.tzname[0]}


def _disk(folder: Path) -> object:
    usage = shutil.disk_usage(folder)
    return {"free_bytes": usage.free, "total_bytes": usage.total, "may_write": os.access(folder, os.W_OK)}


def _files(folder: Path) -> object:
    return {name: (folder / name).stat().st_size for name in OWN_FILES if (folder / name).exists()}


def _copies(folder: Path) -> object:
    there = sorted(folder.iterdir()) if folder.is_dir() else []
    ours = [path for path in there if OWN_COPIES.fullmatch(path.name)]
    made = [
        {"name": path.name, "bytes": path.stat().st_size, "at": datetime.fromtimestamp(path.stat().st_mtime, UTC)}
        for path in ours
    ]
    return {"own": made, "others": len(there) - len(ours)}


def _latest(log: Path) -> Iterator[tuple[Path, bytes]]:
    """Give the latest files of the log with what they hold, so many as there is room for."""
    room = MOST_LOG_BYTES
    for path in sorted(log.glob("serve-*.jsonl"), key=lambda one: one.stat().st_mtime, reverse=True):
        data = path.read_bytes()
        room -= len(data)
        if room < 0:
            return
        yield path, data


def _failures(log: Path) -> object:
    """Give the latest failures that the log tells of, the last at the end."""
    found = []
    for _, data in _latest(log):
        for line in data.decode(errors="replace").splitlines():
            if '"event": "failed"' in line:
                try:
                    found.append(json.loads(line))
                except ValueError:
                    continue  # a line that the power cut short
    return sorted(found, key=lambda one: str(one.get("time")))[-LATEST_ERRORS:]


def _database(instance: Instance, check_s: float) -> object:
    file = _file_of(instance)
    if file is not None and not file.exists():
        return {"kind": "sqlite", "not_read": "there is no file"}
    with closing(condition.open_to_read(instance.database, file)) as store:
        parts: dict[str, Callable[[], object]] = condition.questions(store)
        parts["check"] = lambda: _check(store, check_s)
        size = {"file_bytes": file.stat().st_size} if file else {}
        return {"kind": store.engine.dialect.name, **size, **_asked(parts)}


def _file_of(instance: Instance) -> Path | None:
    """Give the SQLite file of a workshop; None where its books are elsewhere."""
    try:
        url = make_url(instance.database)
    except ArgumentError:
        return None
    return Path(url.database) if url.get_backend_name() == "sqlite" and url.database else None


def _check(store: Store, seconds: float) -> object:
    """Give whether the books are sound, and where they are not; nothing of either where that takes longer."""
    said: dict[str, Any] = {}

    def look() -> None:
        try:
            with store.read() as session:
                first = next(differences(session), None)
            said.update({"sound": first is None, "first_difference": first and _place_of(first)})
        except Exception as error:  # noqa: BLE001 - it goes into the diagnosis
            said["not_read"] = kind_of(error)

    began = time.monotonic()
    thread = threading.Thread(target=look, name="check", daemon=True)
    thread.start()
    thread.join(seconds)
    took = {"seconds": round(time.monotonic() - began, 1)}
    return took | (dict(said) if said else {"not_finished": True})


def _place_of(difference: str) -> str:
    """Give where the books differ, without by how much: that may be money."""
    return re.split(r" (?:\(|has |is |differ|stands )", difference, maxsplit=1)[0]
