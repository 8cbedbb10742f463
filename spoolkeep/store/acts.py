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
from sqlalchemy import select
from sqlalchemy.orm import Session
from sqlmodel import col

from spoolkeep.domain.errors import BadInput, Conflict
from spoolkeep.store.journal import undone
from spoolkeep.store.tables import Act, Answer

T = TypeVar("T")
MAX_KEY = 200


@dataclass(frozen=True)
class By:
    """Who does it, where, and under which idempotency key."""

    actor_id: int
    key: str
    station_id: int | None = None
    token_id: int | None = None


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
    if not by.key or len(by.key) > MAX_KEY:
        raise BadInput("no_key", f"Send a key of 1 to {MAX_KEY} characters that is new for each new act.")
    digest = request_hash(kind, request)
    adapter = TypeAdapter(answers)
    known = session.scalars(select(Act).where(col(Act.actor_id) == by.actor_id, col(Act.key) == by.key)).first()
    if known:
        return _first_answer(session, known, digest, adapter)
    if undoes and undone(session, undoes):
        raise Conflict("undone_before", f"Act {undoes.id} has been undone already. Nothing was changed.")
    act = _record(
        session, (kind, about if isinstance(about, str) else about()), by=by, now=now, digest=digest, undoes=undoes
    )
    answer = do(act)
    session.add(Answer(act_id=act.id, body=adapter.dump_json(answer).decode()))
    session.flush()
    return answer


def _record(session: Session, named: tuple[str, str], *, by: By, now: datetime, digest: str, undoes: Act | None) -> Act:
    act = Act(
        actor_id=by.actor_id,
        station_id=by.station_id,
        token_id=by.token_id,
        key=by.key,
        request_hash=digest,
        kind=named[0],
        about=named[1],
        recorded_at=now,
        undoes_id=undoes.id if undoes else None,
        sense=-undoes.sense if undoes else 1,
    )
    session.add(act)
    session.flush()
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
