"""How refusals become status codes: here alone.

The app factory and the blueprints use it.
"""

from spoolkeep.domain.errors import (
    BadInput,
    Conflict,
    NotAllowed,
    NotFound,
    NotSignedIn,
    Refusal,
    TooBusy,
    TooMany,
    WrongDatabase,
)

STATUS: tuple[tuple[type[Refusal], int], ...] = (
    (BadInput, 422),
    (NotFound, 404),
    (Conflict, 409),
    (WrongDatabase, 503),
    (NotSignedIn, 401),
    (NotAllowed, 403),
    (TooBusy, 503),
    (TooMany, 429),
)


def status_of(refusal: Refusal) -> int:
    """Give the status code of a refusal."""
    for family, status in STATUS:
        if isinstance(refusal, family):
            return status
    return 400
