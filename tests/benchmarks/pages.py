"""How long every page and every reading command takes on two workshops, side by side in one run.

Run it: python tests/benchmarks/pages.py [--demo DIR] [--large DIR] [--rounds 15] [--only /stock /jobs] [--json] for the
demo beside the large workshop, and with `--ten history` or `--ten items` for a workshop beside one that has ten times
the days behind it, or ten times the items, and is else alike. What is not named is built in a folder of its own.
SPOOLKEEP_DATABASE names a PostgreSQL that holds the large workshop. The two are asked in turn, round by round, so that
whatever else the machine does falls on both alike; what is reckoned once a day was reckoned before the first round.
"""

import argparse
import json
import os
import statistics
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import closing, contextmanager
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from pathlib import Path

from click.testing import CliRunner
from sqlalchemy import Engine, event, func, select
from sqlalchemy.orm import Session
from sqlmodel import col

sys.path.insert(0, str(Path(__file__).parents[2]))  # run as a script, the tests' folder is not on the path

from spoolkeep.cli import cli
from spoolkeep.domain.codes import CodeKind
from spoolkeep.domain.words import JobState, Role
from spoolkeep.services import people, tokens
from spoolkeep.services.instance import SETTING, Instance
from spoolkeep.services.shop import code_text
from spoolkeep.store.engine import Store, open_store
from spoolkeep.store.tables import Job, Loading, Movement, OrderLine, Spool
from spoolkeep.web.app import create_app
from spoolkeep.web.lock import PERSON_COOKIE
from tests.benchmarks.large.workshop import Size, build, size_of

ENOUGH_ROUNDS, WARM = 15, 2
SEARCHES = {"search": "?q=pla"}
"""What an address asks beyond its path, by blueprint."""
DAYS, MACHINES, ITEMS, KEPT, LINES_A_DAY, SPOOLS_A_DAY = 73, 20, 50, 120, 137, 2.6
"""Of the workshop beside that of ten times as much: a tenth of the large one, for a tenth of its two years."""
Ask = Callable[[], None]


def grown(what: str | None) -> Size:
    """Give the size of the smaller workshop, or of that with ten times its history or items."""
    days = DAYS * 10 if what == "history" else DAYS
    more = 10 if what == "items" else 1
    return Size(MACHINES, ITEMS * more, round(KEPT * more + SPOOLS_A_DAY * days), KEPT * more, LINES_A_DAY * days, days)


@dataclass(frozen=True)
class Figures:
    """How long something takes, and how often it asks the database."""

    median_ms: float
    p99_ms: float
    queries: int


@dataclass(frozen=True)
class Row:
    """One page or command on both workshops."""

    what: str
    demo: Figures
    large: Figures

    @property
    def ratio(self) -> float:
        """Give how many times the demo's median the large one's is."""
        return self.large.median_ms / self.demo.median_ms


@contextmanager
def counting() -> Iterator[list[str]]:
    """Give a list that grows by every statement that any engine sends."""
    sent: list[str] = []

    def note(_conn: object, _cursor: object, statement: str, *_: object) -> None:
        sent.append(statement)

    event.listen(Engine, "before_cursor_execute", note)
    yield sent
    event.remove(Engine, "before_cursor_execute", note)


def examples(session: Session) -> dict[str, str]:
    """Give, for each argument of an address, what makes its page longest."""
    spool = session.scalars(
        select(col(Spool.serial))
        .join(Loading, col(Loading.spool_id) == col(Spool.id))
        .join(Movement, col(Movement.spool_id) == col(Spool.id))
        .where(col(Loading.until_at).is_(None))
        .group_by(col(Spool.id))
        .order_by(func.count().desc(), col(Spool.id))
    )
    return {
        "code": code_text(CodeKind.SPOOL, spool.first() or 1),
        "article_id": _commonest(session, Spool.article_id),
        "delivery_id": _commonest(session, Spool.delivery_id),
        "order_id": _commonest(session, OrderLine.order_id),
        "job_id": str(
            session.scalars(
                select(col(Job.id)).where(col(Job.live), col(Job.state) != JobState.ENDED).order_by(col(Job.id))
            ).first()
            or 1
        ),
    }


def _commonest(session: Session, column: int | None) -> str:
    number = col(column)
    query = select(number).where(number.is_not(None)).group_by(number).order_by(func.count().desc(), number)
    return str(session.scalars(query).first() or 1)


def page_addresses(store: Store) -> dict[str, str]:
    """Give the address of every page that is looked at, by its rule."""
    app = create_app(store, secret=b"measured")
    with store.read() as session:
        known = examples(session)
    found: dict[str, str] = {}
    with app.test_request_context():
        adapter = app.create_url_adapter(None) or app.url_map.bind("localhost")
        for rule in sorted(app.url_map.iter_rules(), key=lambda rule: rule.rule):
            if "GET" not in (rule.methods or ()) or rule.endpoint == "static" or not rule.arguments <= known.keys():
                continue  # no page of a sheet that is only being imported stands in a workshop
            values = {name: known[name] for name in rule.arguments}
            typed = {name: int(value) if value.isdecimal() else value for name, value in values.items()}
            address = adapter.build(rule.endpoint, typed)
            found[rule.rule] = address + SEARCHES.get(rule.endpoint.split(".")[0], "")
    return found


def _owner(session: Session, now: datetime) -> int:
    known = people.named(session, "Measured")
    if known:
        return known[1].id
    return people.add(session=session, now=now, by_id=None, name="Measured", role=Role.OWNER)


def owners_secret(store: Store) -> str:
    """Sign an owner in, made where there is none."""
    now = datetime.now(UTC)
    with store.write() as session:
        actor_id = _owner(session, now)
        return tokens.for_browser(session, now, actor_id=actor_id, label="computer")


def page_asks(store: Store, only: Sequence[str] = ()) -> dict[str, Ask]:
    """Give what opens each page, or each that is named, by its rule; a job without a ticket shows none."""
    client = create_app(store, secret=b"measured").test_client()
    client.set_cookie(PERSON_COOKIE, owners_secret(store))

    def ask(address: str) -> Ask:
        def do() -> None:
            answer = client.get(address)
            if answer.status_code >= 400:
                raise RuntimeError(f"{address} answers {answer.status}")
            answer.get_data()

        return do

    known = {rule: address for rule, address in page_addresses(store).items() if not only or rule in only}
    return {rule: ask(address) for rule, address in known.items() if not rule.endswith("ticket.pdf")}


def command_asks(url: str, store: Store, folder: Path) -> dict[str, Ask]:
    """Give what runs each command that reads, by its words."""
    with store.read() as session:
        serials = session.scalars(select(col(Spool.serial)).order_by(col(Spool.id).desc()).limit(3)).all()
    codes = [code_text(CodeKind.SPOOL, serial) for serial in serials]
    runner = CliRunner(env={SETTING: url})

    def ask(*words: str) -> Ask:
        def do() -> None:
            done = runner.invoke(cli, words)
            if done.exit_code:
                raise RuntimeError(f"{' '.join(words)}: {done.output} {done.exception}")

        return do

    return {
        "runout": ask("runout"),
        "reorder": ask("reorder"),
        "share": ask("share"),
        "columns jobs": ask("columns", "jobs"),
        "labels of 3": ask("labels", *codes, "-o", str(folder / "labels.pdf")),
        "check": ask("check"),
    }


def measure(demo: dict[str, Ask], large: dict[str, Ask], *, rounds: int) -> list[Row]:
    """Give the figures of everything that both workshops can be asked, each in turn; `check` is asked once."""
    both = [what for what in demo if what in large]
    taken: dict[tuple[str, bool], list[float]] = {}
    queries: dict[tuple[str, bool], int] = {}
    for number in range(-WARM, rounds):
        for what in both:
            if what == "check" and number:
                continue
            for is_large in (False, True) if number % 2 else (True, False):
                ms, sent = _timed((large if is_large else demo)[what])
                queries[what, is_large] = sent
                if number >= 0:
                    taken.setdefault((what, is_large), []).append(ms)
    return [
        Row(what, *(_figures(taken[what, is_large], queries[what, is_large]) for is_large in (False, True)))
        for what in both
    ]


def _timed(ask: Ask) -> tuple[float, int]:
    with counting() as sent:
        began = time.perf_counter()
        ask()
        return 1000 * (time.perf_counter() - began), len([one for one in sent if not one.startswith("PRAGMA")])


def _figures(taken: Sequence[float], queries: int) -> Figures:
    late = sorted(taken)[min(len(taken) - 1, int(0.99 * len(taken)))]
    return Figures(statistics.median(taken), late, queries)


def printed(rows: Sequence[Row], *, names: tuple[str, str] = ("demo", "large")) -> str:
    """Give the rows as a table."""
    one, other = names
    head = f"{'':<34}{one + ' ms':>9}{'p99':>8}{'queries':>9}{other + ' ms':>12}{'p99':>8}{'queries':>9}{'times':>8}"
    lines = [
        f"{row.what:<34}{row.demo.median_ms:>9.1f}{row.demo.p99_ms:>8.1f}{row.demo.queries:>9}"
        f"{row.large.median_ms:>12.1f}{row.large.p99_ms:>8.1f}{row.large.queries:>9}{row.ratio:>8.1f}"
        for row in rows
    ]
    return "\n".join([head, *lines])


def demo_url(folder: Path) -> str:
    """Give the address of the demo's database in a folder, built where there is none."""
    if not (folder / "spoolkeep.sqlite").exists():
        done = CliRunner(env={SETTING: None}).invoke(cli, ["demo", "--build-only", "--instance", str(folder)])
        if done.exit_code:
            raise RuntimeError(done.output)
    return f"sqlite:///{(folder / 'spoolkeep.sqlite').resolve()}"


def large_url(folder: Path, size: Size) -> str:
    """Give the address of the large workshop's database in a folder, built where there is none."""
    now, instance = datetime.now(UTC), Instance(folder)
    with closing(instance.open_or_make(now=now)) as store:
        with store.read() as session:
            empty = session.scalars(select(col(Spool.id)).limit(1)).first() is None
        if empty:
            build(store, now=now, size=size)
    return instance.database


def main() -> None:
    """Measure, and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--demo", type=Path, help="the demo's instance")
    parser.add_argument("--large", type=Path, help="the large workshop's instance")
    parser.add_argument("--scale", type=float, default=1.0, help="of the large workshop, where it is built")
    parser.add_argument("--ten", choices=("history", "items"), help="of what one workshop has ten times as much")
    parser.add_argument("--rounds", type=int, default=ENOUGH_ROUNDS)
    parser.add_argument("--only", nargs="+", default=(), help="these pages, by their rules, and no command")
    parser.add_argument("--json", action="store_true", help="print JSON")
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="spoolkeep-pages-") as made:
        size = grown(asked.ten) if asked.ten else size_of(asked.scale)
        large = large_url(asked.large or Path(made) / "large", size)
        os.environ.pop(SETTING, None)
        small = asked.demo or Path(made) / "demo"
        demo = large_url(small, grown(None)) if asked.ten else demo_url(small)
        rows = _both(demo, large, Path(made), rounds=asked.rounds, only=asked.only)
    names = ("once", "tenfold") if asked.ten else ("demo", "large")
    print(json.dumps([asdict(row) for row in rows], indent=2) if asked.json else printed(rows, names=names))


def _both(demo: str, large: str, folder: Path, *, rounds: int, only: Sequence[str]) -> list[Row]:
    with closing(open_store(demo)) as small, closing(open_store(large)) as great:
        asks = []
        for url, store in ((demo, small), (large, great)):
            commands = {} if only else command_asks(url, store, folder)
            asks.append(page_asks(store, only) | commands)
        return measure(*asks, rounds=rounds)


if __name__ == "__main__":
    main()
