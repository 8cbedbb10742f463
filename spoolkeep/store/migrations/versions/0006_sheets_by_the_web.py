"""Sheets that were sent and not booked yet, and how the columns of each source are called. Alembic runs it."""

import sqlalchemy as sa
from alembic import op

from spoolkeep.store.columns import Moment

revision = "0006"
down_revision = "0005"


def upgrade() -> None:
    """Add the tables."""
    op.create_table(
        "import_draft",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("actor_id", sa.Integer(), nullable=False),
        sa.Column("sheet", sa.String(), nullable=False),
        sa.Column("source", sa.String(), nullable=False),
        sa.Column("names", sa.String(), nullable=False),
        sa.Column("content", sa.LargeBinary(), nullable=False),
        sa.Column("sent_at", Moment(), nullable=False),
        sa.ForeignKeyConstraint(["actor_id"], ["actor.id"], name=op.f("fk_import_draft_actor_id_actor")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_import_draft")),
    )
    op.create_index(op.f("ix_import_draft_actor_id"), "import_draft", ["actor_id"])
    op.create_table(
        "import_names",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("sheet", sa.String(), nullable=False),
        sa.Column("source", sa.String(), nullable=False),
        sa.Column("names", sa.String(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_import_names")),
        sa.UniqueConstraint("sheet", "source", name=op.f("uq_import_names_sheet_source")),
    )
