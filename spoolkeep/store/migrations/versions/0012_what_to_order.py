"""What the order plan weighs: minutes, idle machines, busy months, limits; suppliers' order days and basket breaks.

Alembic runs it.
"""

import sqlalchemy as sa
from alembic import op

from spoolkeep.store.columns import WholeNumber

revision = "0012"
down_revision = "0011"


def upgrade() -> None:
    """Add the columns as they are (see revision 0005). What an order covers is now a limit, and the usual one wide."""
    for table, column, kind in (
        ("workshop", "order_seconds", "INTEGER DEFAULT 900 NOT NULL"),
        ("workshop", "idle_ppm", "INTEGER DEFAULT 1000000 NOT NULL"),
        ("workshop", "idle_busy_ppm", "INTEGER DEFAULT 1000000 NOT NULL"),
        ("workshop", "busy_months", "INTEGER DEFAULT 0 NOT NULL"),
        ("workshop", "late_minor", "INTEGER DEFAULT 0 NOT NULL"),
        ("workshop", "budget_minor", "INTEGER"),
        ("workshop", "shelf_spools", "INTEGER"),
        ("article", "risk_ppm", "INTEGER"),
        ("supplier", "order_days", "INTEGER DEFAULT 127 NOT NULL"),
        ("supplier", "lead_spread_days", "INTEGER"),
        ('"order"', "needed_by", "DATE"),
    ):
        op.execute(f"ALTER TABLE {table} ADD COLUMN {column} {kind}")
    op.execute("UPDATE workshop SET cover_days = 60 WHERE cover_days = 21")
    op.create_table(
        "basket_break",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("live", sa.Boolean(), server_default=sa.text("true"), nullable=False),
        sa.Column("supplier_id", sa.Integer(), nullable=False),
        sa.Column("from_spools", sa.Integer(), nullable=False),
        sa.Column("off_ppm", sa.Integer(), nullable=False),
        sa.CheckConstraint("from_spools > 1", name="begins_above_one"),
        sa.CheckConstraint("off_ppm BETWEEN 1 AND 999999", name="is_a_share"),
        *(sa.CheckConstraint(WholeNumber(one), name=f"{one}_is_whole") for one in ("from_spools", "off_ppm")),
        sa.ForeignKeyConstraint(["supplier_id"], ["supplier.id"], name=op.f("fk_basket_break_supplier_id_supplier")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_basket_break")),
    )
    op.create_index(op.f("ix_basket_break_supplier_id"), "basket_break", ["supplier_id"])
    live = sa.text("live")
    op.create_index(
        "uq_basket_break_live_supplier_id_from_spools",
        "basket_break",
        ["supplier_id", "from_spools"],
        unique=True,
        sqlite_where=live,
        postgresql_where=live,
    )
