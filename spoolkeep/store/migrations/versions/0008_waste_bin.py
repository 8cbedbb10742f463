"""Weighings of the waste bin. Alembic runs it."""

import sqlalchemy as sa
from alembic import op

from spoolkeep.store.columns import Moment, WholeNumber

revision = "0008"
down_revision = "0007"
_WHOLE = ("held_mg", "booked_mg", "settled_mg", "good_mg")


def upgrade() -> None:
    """Add the table."""
    op.create_table(
        "bin_weighing",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("live", sa.Boolean(), server_default=sa.text("true"), nullable=False),
        sa.Column("since_at", Moment(), nullable=False),
        sa.Column("weighed_at", Moment(), nullable=False),
        *(sa.Column(name, sa.BigInteger(), nullable=False) for name in _WHOLE),
        sa.CheckConstraint("weighed_at > since_at", name=op.f("ck_bin_weighing_ends_after_it_begins")),
        sa.CheckConstraint(
            "held_mg >= 0 AND booked_mg >= 0 AND good_mg >= 0", name=op.f("ck_bin_weighing_is_not_negative")
        ),
        *(sa.CheckConstraint(WholeNumber(name), name=op.f(f"ck_bin_weighing_{name}_is_whole")) for name in _WHOLE),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_bin_weighing")),
    )
