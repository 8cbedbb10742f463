"""Jobs that are taken as done or go on, orders on hand, and credit for what went back. Alembic runs it."""

import sqlalchemy as sa
from alembic import op

from spoolkeep.store.columns import Moment, WholeNumber

revision = "0007"
down_revision = "0006"


def upgrade() -> None:
    """Add the tables and columns. The columns are added as they are: see revision 0005."""
    op.execute("ALTER TABLE machine ADD COLUMN silent BOOLEAN DEFAULT false NOT NULL")
    op.execute(
        "ALTER TABLE job ADD COLUMN assumed BOOLEAN DEFAULT false NOT NULL"
        " CONSTRAINT ck_job_assumed_has_ended CHECK (NOT assumed OR outcome = 'good')"
    )
    op.execute("ALTER TABLE job ADD COLUMN resumes_id INTEGER CONSTRAINT fk_job_resumes_id_job REFERENCES job (id)")
    op.create_index(op.f("ix_job_resumes_id"), "job", ["resumes_id"])
    _credit()
    _product_order()


def _key() -> tuple[sa.Column[int], sa.Column[bool]]:
    number = sa.Column("id", sa.Integer(), nullable=False)
    return number, sa.Column("live", sa.Boolean(), server_default=sa.text("true"), nullable=False)


def _link(table: str, column: str, target: str) -> sa.ForeignKeyConstraint:
    return sa.ForeignKeyConstraint([column], [f"{target}.id"], name=op.f(f"fk_{table}_{column}_{target}"))


def _whole(table: str, *columns: str) -> list[sa.CheckConstraint]:
    return [sa.CheckConstraint(WholeNumber(name), name=op.f(f"ck_{table}_{name}_is_whole")) for name in columns]


def _credit() -> None:
    op.create_table(
        "credit",
        *_key(),
        sa.Column("supplier_id", sa.Integer(), nullable=True),
        sa.Column("spools", sa.Integer(), nullable=False),
        sa.Column("asked_minor", sa.BigInteger(), nullable=False),
        sa.Column("asked_at", Moment(), nullable=False),
        sa.Column("came_minor", sa.BigInteger(), nullable=True),
        sa.Column("came_at", Moment(), nullable=True),
        sa.Column("note", sa.String(), nullable=False),
        sa.CheckConstraint("asked_minor >= 0 AND coalesce(came_minor, 0) >= 0", name=op.f("ck_credit_is_not_negative")),
        sa.CheckConstraint("(came_minor IS NULL) = (came_at IS NULL)", name=op.f("ck_credit_came_at_a_moment")),
        *_whole("credit", "asked_minor", "came_minor"),
        _link("credit", "supplier_id", "supplier"),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_credit")),
    )
    op.create_index(op.f("ix_credit_supplier_id"), "credit", ["supplier_id"])


def _product_order() -> None:
    op.create_table(
        "product_order",
        *_key(),
        sa.Column("outside_id", sa.String(), nullable=False),
        sa.Column("product_id", sa.Integer(), nullable=False),
        sa.Column("article_id", sa.Integer(), nullable=True),
        sa.Column("pieces", sa.Integer(), nullable=False),
        sa.Column("sent", sa.Integer(), nullable=False),
        sa.Column("due_on", sa.Date(), nullable=True),
        sa.Column("called_off", sa.Boolean(), nullable=False),
        sa.Column("told_at", Moment(), nullable=False),
        sa.CheckConstraint("pieces > 0 AND sent >= 0", name=op.f("ck_product_order_wants_something")),
        *_whole("product_order", "pieces", "sent"),
        _link("product_order", "product_id", "product"),
        _link("product_order", "article_id", "article"),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_product_order")),
    )
    live = sa.text("live")
    op.create_index(op.f("ix_product_order_product_id"), "product_order", ["product_id"])
    op.create_index(op.f("ix_product_order_article_id"), "product_order", ["article_id"])
    op.create_index(
        "uq_product_order_live_outside_id",
        "product_order",
        ["outside_id"],
        unique=True,
        sqlite_where=live,
        postgresql_where=live,
    )
