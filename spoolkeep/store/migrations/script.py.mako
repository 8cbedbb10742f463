"""${message}. Alembic runs it."""

import sqlalchemy as sa
from alembic import op

revision = ${repr(up_revision)}
down_revision = ${repr(down_revision)}


def upgrade() -> None:
    """Bring the shape forward."""
    ${upgrades if upgrades else "pass"}
