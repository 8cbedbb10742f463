"""What an hour is worth, how cost flows, takings by product and in other currencies, stops seen by themselves.

Alembic runs it.
"""

from alembic import op

from spoolkeep.store.columns import WholeNumber

revision = "0011"
down_revision = "0010"


def upgrade() -> None:
    """Add the columns as they are (see revision 0005); what an owner's minute costs was in no use yet."""
    op.execute("ALTER TABLE workshop DROP COLUMN minute_cost_minor")
    known = "CONSTRAINT ck_workshop_cost_flow_is_known CHECK (cost_flow IN ('average', 'fifo'))"
    for column in (
        "hour_cost_minor INTEGER DEFAULT 2500 NOT NULL",
        "space_minor_a_month INTEGER DEFAULT 0 NOT NULL",
        "change_seconds INTEGER DEFAULT 180 NOT NULL",
        f"cost_flow VARCHAR DEFAULT 'average' NOT NULL {known}",
    ):
        op.execute(f"ALTER TABLE workshop ADD COLUMN {column}")
    op.execute(
        "ALTER TABLE takings_line ADD COLUMN product_id INTEGER"
        " CONSTRAINT fk_takings_line_product_id_product REFERENCES product (id)"
    )
    op.create_index(op.f("ix_takings_line_product_id"), "takings_line", ["product_id"])
    for column, kind in (("pieces", "INTEGER"), ("foreign_minor", "BIGINT")):
        check = WholeNumber(column).compile(dialect=op.get_bind().dialect)
        constraint = f"CONSTRAINT ck_takings_line_{column}_is_whole CHECK ({check})"
        op.execute(f"ALTER TABLE takings_line ADD COLUMN {column} {kind} {constraint}")
    if op.get_bind().dialect.name == "postgresql":  # SQLite keeps any whole number as it is
        op.execute("ALTER TABLE takings_line ALTER COLUMN rate_ppm TYPE BIGINT")
    for column in ("by_itself", "corrected"):
        op.execute(f"ALTER TABLE stop ADD COLUMN {column} BOOLEAN DEFAULT false NOT NULL")
