"""What a machine printed last is found without reading all that it ever did. Alembic runs it."""

from alembic import op

revision = "0017"
down_revision = "0016"


def upgrade() -> None:
    """Add the index; nothing of the books changes."""
    op.create_index("ix_job_machine_id_ended_at", "job", ["machine_id", "ended_at"])
