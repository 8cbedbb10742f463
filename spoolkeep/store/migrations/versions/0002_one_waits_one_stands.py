"""One spool stands by on a feed, and a machine stands still once at a time, whatever is undone. Alembic runs it."""

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"


def upgrade() -> None:
    """Add the two indexes."""
    waits, stands = sa.text("live AND until_at IS NULL AND standby"), sa.text("live AND until_at IS NULL")
    op.create_index(
        "uq_loading_feed_standby", "loading", ["feed_id"], unique=True, sqlite_where=waits, postgresql_where=waits
    )
    op.create_index(
        "uq_stop_machine_stands", "stop", ["machine_id"], unique=True, sqlite_where=stands, postgresql_where=stands
    )
