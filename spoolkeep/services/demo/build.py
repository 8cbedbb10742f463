"""Building the demo's database, and bringing it on to yesterday at each later start.

The command line calls it through the package. Rules and figures are the services'.
"""

import gc
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from datetime import date, datetime, timedelta
from pathlib import Path

from sqlalchemy import select
from sqlalchemy.engine import make_url
from sqlmodel import col

import spoolkeep
from spoolkeep.domain.errors import BadInput, Conflict, WrongDatabase
from spoolkeep.domain.shopday import ShopClock
from spoolkeep.services.demo.crew import let_in, owner_in
from spoolkeep.services.demo.described import Described, read_described
from spoolkeep.services.demo.hands import FIRST_KEY, Hands
from spoolkeep.services.demo.living import DAYS_AT_ONCE, live, not_begun
from spoolkeep.services.demo.truth import FILE, Truth, load, save
from spoolkeep.services.instance import Instance
from spoolkeep.store.engine import Store
from spoolkeep.store.tables import Act, Workshop

AS_IT_WAS, WENT_ON, BUILT = "as it was", "brought on to yesterday", "built anew"
Progress = Callable[[int, int], None]
"""Called with the days lived and the days to live."""


def demo_folder() -> Path:
    """Give the folder of the demo's files: in the installed package, else beside it."""
    package = Path(spoolkeep.__file__).parent
    inside = package / "instance_demo"
    return inside if inside.is_dir() else package.parent / "instance_demo"


def usual_instance() -> Path:
    """Give the folder in which the demo's database is built where nobody names another."""
    return Path("instance") / "demo"


def prepare(
    instance: Instance,
    *,
    now: datetime,
    fresh: bool = False,
    days: int | None = None,
    folder: Path | None = None,
    progress: Progress = lambda _done, _all: None,
) -> str:
    """Build the demo where it is not there yet, or anew, else live the days since; say which.

    `days` is the length of a new history, if not what the files say; `folder` is theirs, if not the usual.
    Errors: Conflict where the database is another workshop's; BadInput where the demo's files cannot be read.
    """
    told = read_described(folder or demo_folder())
    told = told if days is None else told.with_history(days)
    today = ShopClock(told.settings.zone, told.settings.day_starts_hour).day_of(now)
    truth, yesterday = not_begun(told, today=today), today - timedelta(days=1)
    begins = datetime.combine(truth.first_day, datetime.min.time(), tzinfo=now.tzinfo)
    with closing(_opened(instance, begins=begins, now=now)) as store:
        there = _has_demo(store)
        kept = load(instance.folder) if there and not fresh else None
        if there and kept is None:
            _remove(store, instance.folder)
    with closing(_opened(instance, begins=begins, now=now)) as store:
        truth = kept or truth
        if truth.lived_through is not None and truth.lived_through >= yesterday:
            _let_in(store, told, truth, now=now, keep_in=instance.folder)
            return AS_IT_WAS
        bring_on(store, told, truth, until=yesterday, keep_in=instance.folder, progress=progress)
        return BUILT if kept is None else WENT_ON


def owner_of(store: Store) -> int:
    """Give the number of the demo's owner. Errors: NotFound where its people have not been let in."""
    with store.read() as session:
        return owner_in(session)


def _let_in(store: Store, told: Described, truth: Truth, *, now: datetime, keep_in: Path) -> None:
    """Let people in whom a demo that was built before does not have, where there is no day to live."""
    known = dict(truth.numbers.people)
    with store.write() as session:
        let_in(told, truth.numbers, session=session, now=now)
    if truth.numbers.people != known:
        save(truth, keep_in)


def _opened(instance: Instance, *, begins: datetime, now: datetime) -> Store:
    """Give the store, made at the history's beginning where it is new, and brought forward where it is older."""
    try:
        return instance.open_or_make(now=begins)
    except WrongDatabase as refused:
        if refused.code != "database_is_older":
            raise
        instance.upgrade(now=now)
        return instance.open()


def bring_on(
    store: Store, told: Described, truth: Truth, *, until: date, keep_in: Path, progress: Progress = lambda _d, _a: None
) -> None:
    """Live the days that are missing, some at a time; what truly happened is kept beside each."""
    clock = ShopClock(told.settings.zone, told.settings.day_starts_hour)
    careful = truth.lived_through is not None
    first = truth.first_day if truth.lived_through is None else truth.lived_through + timedelta(days=1)
    for day in range(first.toordinal(), until.toordinal() + 1, DAYS_AT_ONCE):
        last = min(until, date.fromordinal(day + DAYS_AT_ONCE - 1))
        with store.write() as session, _no_sweeping():
            begins, _ = clock.span_of(date.fromordinal(day))
            crew = let_in(told, truth.numbers, session=session, now=begins)
            live(told, truth, Hands(session, truth, crew, careful=careful), until=last)
        save(truth, keep_in)
        progress((last - first).days + 1, (until - first).days + 1)


@contextmanager
def _no_sweeping() -> Iterator[None]:
    """Keep Python from looking for garbage while some days are lived: it finds none and takes a seventh of it."""
    was_on = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was_on:
            gc.enable()


def _has_demo(store: Store) -> bool:
    """Say whether the demo is in a database. Errors: Conflict where another workshop is."""
    with store.read() as session:
        if session.scalars(select(col(Act.id)).where(col(Act.key) == FIRST_KEY)).first() is not None:
            return True
        in_use = session.scalars(select(col(Act.id))).first() is not None
        if in_use or session.get_one(Workshop, 1).ready_at is not None:
            words = "This database holds a workshop that is not the demo. Name another folder with --instance."
            raise Conflict("not_the_demo", words)
    return False


def _remove(store: Store, folder: Path) -> None:
    """Remove the demo's database file. Errors: BadInput where it is not a file."""
    url = make_url(store.engine.url)
    if url.get_backend_name() != "sqlite" or not url.database:
        words = "Only a demo in a SQLite file is built anew. Empty that database yourself, then build the demo again."
        raise BadInput("not_a_file", words)
    store.close()
    for suffix in ("", "-journal", "-wal", "-shm"):
        Path(url.database + suffix).unlink(missing_ok=True)
    (folder / FILE).unlink(missing_ok=True)
