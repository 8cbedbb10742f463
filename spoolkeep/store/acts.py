"""Acts: each done once, whatever arrives how often, and answered the same each time.

Every service that writes goes through `once`. It must not know what an act does.
"""

import hashlib
import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any, TypeVar

from pydantic import TypeAdapter
from pydantic_core import to_jsonable_python
from sqlalchemy import bindparam, insert, select
from sqlalchemy.orm import Session
from sqlmodel import SQLModel

from spoolkeep.domain.errors import BadInput, Conflict
from spoolkeep.store.journal import forget_noted, undone, write_down
from spoolkeep.store.rows import put_in
from spoolkeep.store.tables import Act, Answer

T = TypeVar("T")
MAX_KEY = 200

_ACTS = SQLModel.metadata.tables["act"].c
_KNOWN = select(_ACTS.id).where(_ACTS.actor_id == bindparam("actor"), _ACTS.key == bindparam("key_sent"))
_ANSWER = insert(SQLModel.metadata.tables["answer"])


@dataclass(frozen=True)
class By:
    """Who does it, where, and under which idempotency key."""

    actor_id: int
    key: str
    station_id: int | None = None
    token_id: int | None = None
    person_id: int | None = None
    """Who said at a shared station that it was they."""


def is_known(session: Session, by: By) -> bool:
    """Give whether this actor's key was used before."""
    told = {"actor": by.actor_id, "key_sent": by.key}
    return session.connection().execute(_KNOWN, told).scalar() is not None


def once(
    session: Session,
    kind: str,
    *,
    by: By,
    now: datetime,
    request: Mapping[str, Any],
    answers: type[T],
    do: Callable[[Act], T],
    about: str | Callable[[], str] = "",
    undoes: Act | None = None,
) -> T:
    """Give the answer of `do`, or of the first time where this actor's key was used before for the same request.

    `kind` names the act and `about` says what it is done to; where the books must be read for that, it is called.
    Errors: BadInput without a key; Conflict where the key was used for another request, or `undoes` was undone before.
    """
    if not by.key or len(by.key) > MAX_KEY or "\0" in by.key:  # SQLite counts a text's letters up to a NUL
        raise BadInput("no_key", f"Send a key of 1 to {MAX_KEY} characters that is new for each new act.")
    digest = request_hash(kind, request)
    adapter = _adapter(answers)
    known = session.connection().execute(_KNOWN, {"actor": by.actor_id, "key_sent": by.key}).scalar()
    if known is not None:
        return _first_answer(session, session.get_one(Act, known), digest, adapter)
    if undoes and undone(session, undoes):
        raise Conflict("undone_before", f"Act {undoes.id} has been undone already. Nothing was changed.")
    forget_noted(session)
    act = _record(
        session, (kind, about if isinstance(about, str) else about()), by=by, now=now, digest=digest, undoes=undoes
    )
    answer = do(act)
    session.flush()
    session.connection().execute(_ANSWER, {"act_id": act.id, "body": adapter.dump_json(answer).decode()})
    write_down(session)
    return answer


_ADAPTERS: dict[type, TypeAdapter[Any]] = {}
"""By the answer's type: making one takes longer than an act's own work."""


def _adapter(answers: type[T]) -> TypeAdapter[T]:
    if answers not in _ADAPTERS:
        _ADAPTERS[answers] = TypeAdapter(answers)
    return _ADAPTERS[answers]


def _record(session: Session, named: tuple[str, str], *, by: By, now: datetime, digest: str, undoes: Act | None) -> Act:
    act = Act(
        actor_id=by.actor_id,
        station_id=by.station_id,
        token_id=by.token_id,
        person_id=by.person_id,
        key=by.key,
        request_hash=digest,
        kind=named[0],
        about=named[1],
        recorded_at=now,
        undoes_id=undoes.id if undoes else None,
        sense=-undoes.sense if undoes else 1,
    )
    put_in(session, [act])
    return act


def request_hash(kind: str, request: Mapping[str, Any]) -> str:
    """Give the hash by which the same request is known again, whatever the order of its fields."""
    canonical = json.dumps(to_jsonable_python(request), sort_keys=True, separators=(",", ":"))
    return hashlib.sha256(f"{kind}\n{canonical}".encode()).hexdigest()


def _first_answer(session: Session, act: Act, digest: str, adapter: TypeAdapter[T]) -> T:
    if act.request_hash != digest:
        raise Conflict(
            "key_used_before",
            "This key was used before for something else, and nothing was booked. Send it again with a new key.",
        )
    answer = session.get_one(Answer, act.id)
    return adapter.validate_json(answer.body)
