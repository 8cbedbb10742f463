"""What machines can take, what materials ask of them, and spools that a person keeps on although they do not match.

Alembic runs it.
"""

import sqlalchemy as sa
from alembic import op

from spoolkeep.store.columns import Moment, WholeNumber

revision = "0009"
down_revision = "0008"


def upgrade() -> None:
    """Add the tables and columns. The columns are added as they are: see revision 0005."""
    for table, column in (
        ("material", "asks_enclosed"),
        ("material", "asks_hardened"),
        ("machine", "self_starting"),
        ("feed", "switches"),
    ):
        op.execute(f"ALTER TABLE {table} ADD COLUMN {column} BOOLEAN DEFAULT false NOT NULL")
    op.execute("UPDATE material SET asks_enclosed = true WHERE code IN ('ABS', 'ASA', 'PA', 'PC')")
    for column, usual in (("closes_hour", 18), ("earns_minor_per_hour", 300), ("rest_mg", 20_000)):
        op.execute(f"ALTER TABLE workshop ADD COLUMN {column} INTEGER DEFAULT {usual} NOT NULL")
    _kept_on()
    _change_purge()
    _substitute()


def _key() -> tuple[sa.Column[int], sa.Column[bool]]:
    number = sa.Column("id", sa.Integer(), nullable=False)
    return number, sa.Column("live", sa.Boolean(), server_default=sa.text("true"), nullable=False)


def _link(table: str, column: str, target: str) -> sa.ForeignKeyConstraint:
    return sa.ForeignKeyConstraint([column], [f"{target}.id"], name=op.f(f"fk_{table}_{column}_{target}"))


def _kept_on() -> None:
    op.create_table(
        "kept_on",
        *_key(),
        sa.Column("loading_id", sa.Integer(), nullable=False),
        sa.Column("job_id", sa.Integer(), nullable=True),
        sa.Column("answered", sa.String(), nullable=False),
        sa.Column("why", sa.String(), nullable=False),
        sa.Column("at", Moment(), nullable=False),
        sa.CheckConstraint("length(why) > 0", name=op.f("ck_kept_on_says_why")),
        _link("kept_on", "loading_id", "loading"),
        _link("kept_on", "job_id", "job"),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_kept_on")),
    )
    op.create_index(op.f("ix_kept_on_loading_id"), "kept_on", ["loading_id"])
    op.create_index(op.f("ix_kept_on_job_id"), "kept_on", ["job_id"])


def _change_purge() -> None:
    op.create_table(
        "change_purge",
        *_key(),
        sa.Column("machine_id", sa.Integer(), nullable=False),
        sa.Column("from_id", sa.Integer(), nullable=True),
        sa.Column("to_id", sa.Integer(), nullable=True),
        sa.Column("mg", sa.BigInteger(), nullable=False),
        sa.CheckConstraint("mg >= 0", name=op.f("ck_change_purge_is_not_negative")),
        sa.CheckConstraint(WholeNumber("mg"), name=op.f("ck_change_purge_mg_is_whole")),
        _link("change_purge", "machine_id", "machine"),
        _link("change_purge", "from_id", "article"),
        _link("change_purge", "to_id", "article"),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_change_purge")),
    )
    for column in ("machine_id", "from_id", "to_id"):
        op.create_index(op.f(f"ix_change_purge_{column}"), "change_purge", [column])


def _substitute() -> None:
    """Make the table anew, whose rows can now be undone; nothing has written to it before."""
    op.drop_table("substitute")
    op.create_table(
        "substitute",
        *_key(),
        sa.Column("article_id", sa.Integer(), nullable=False),
        sa.Column("instead_id", sa.Integer(), nullable=False),
        sa.CheckConstraint("article_id <> instead_id", name=op.f("ck_substitute_is_another")),
        _link("substitute", "article_id", "article"),
        _link("substitute", "instead_id", "article"),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_substitute")),
    )
    for column in ("article_id", "instead_id"):
        op.create_index(op.f(f"ix_substitute_{column}"), "substitute", [column])
    live = sa.text("live")
    op.create_index(
        "uq_substitute_live_article_id_instead_id",
        "substitute",
        ["article_id", "instead_id"],
        unique=True,
        sqlite_where=live,
        postgresql_where=live,
    )
