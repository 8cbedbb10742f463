"""The risk of running out that is taken, and closed days that can be undone. Alembic runs it."""

import sqlalchemy as sa
from alembic import op

revision = "0010"
down_revision = "0009"


def upgrade() -> None:
    """Add the column as it is (see revision 0005) and make the calendar anew; nothing has written to it before."""
    op.execute("ALTER TABLE workshop ADD COLUMN risk_ppm INTEGER DEFAULT 50000 NOT NULL")
    op.drop_table("calendar_day")
    op.create_table(
        "calendar_day",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("live", sa.Boolean(), server_default=sa.text("true"), nullable=False),
        sa.Column("supplier_id", sa.Integer(), nullable=True),
        sa.Column("day", sa.Date(), nullable=False),
        sa.Column("is_open", sa.Boolean(), nullable=False),
        sa.Column("why", sa.String(), nullable=False),
        sa.ForeignKeyConstraint(["supplier_id"], ["supplier.id"], name=op.f("fk_calendar_day_supplier_id_supplier")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_calendar_day")),
    )
    op.create_index(op.f("ix_calendar_day_day"), "calendar_day", ["day"])
    op.create_index(op.f("ix_calendar_day_supplier_id"), "calendar_day", ["supplier_id"])
    live = sa.text("live")
    op.create_index(
        "uq_calendar_day_live_supplier_id_day",
        "calendar_day",
        ["supplier_id", "day"],
        unique=True,
        sqlite_where=live,
        postgresql_where=live,
    )
