"""Notices: to whom, by which mail server, and what waits to be sent. Alembic runs it."""

import sqlalchemy as sa
from alembic import op

from spoolkeep.store.columns import Moment

revision = "0014"
down_revision = "0013"


def upgrade() -> None:
    """Add the tables, and the columns of the workshop as they are (see revision 0005)."""
    for column in ("public_address", "mail_host", "mail_user", "mail_from"):
        op.execute(f"ALTER TABLE workshop ADD COLUMN {column} VARCHAR DEFAULT '' NOT NULL")
    op.execute("ALTER TABLE workshop ADD COLUMN mail_port INTEGER DEFAULT 465 NOT NULL")
    op.execute("ALTER TABLE workshop ADD COLUMN mail_safety VARCHAR DEFAULT 'tls' NOT NULL")
    _addressee()
    _notice()
    op.create_table(
        "notice_matter",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("notice_id", sa.Integer(), nullable=False),
        sa.Column("addressee_id", sa.Integer(), nullable=False),
        sa.Column("key", sa.String(), nullable=False),
        sa.Column("over_at", Moment(), nullable=True),
        _link("notice_matter", "notice_id", "notice"),
        _link("notice_matter", "addressee_id", "addressee"),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_notice_matter")),
        sa.UniqueConstraint("addressee_id", "key", name=op.f("uq_notice_matter_addressee_id_key")),
    )
    op.create_index(op.f("ix_notice_matter_notice_id"), "notice_matter", ["notice_id"])


def _link(table: str, column: str, target: str) -> sa.ForeignKeyConstraint:
    return sa.ForeignKeyConstraint([column], [f"{target}.id"], name=op.f(f"fk_{table}_{column}_{target}"))


def _one_of(table: str, column: str, *words: str) -> sa.CheckConstraint:
    listed = ", ".join(f"'{word}'" for word in words)
    return sa.CheckConstraint(f"{column} IN ({listed})", name=op.f(f"ck_{table}_{column}_is_known"))


def _addressee() -> None:
    flags = ("stops", "nights", "late", "orders", "paused")
    op.create_table(
        "addressee",
        sa.Column("id", sa.Integer(), nullable=False),
        *(sa.Column(name, sa.String(), nullable=False) for name in ("name", "way", "address", "digest")),
        sa.Column("digest_hour", sa.Integer(), nullable=False),
        *(sa.Column(name, sa.Boolean(), server_default=sa.text("false"), nullable=False) for name in flags),
        sa.Column("since_at", Moment(), nullable=False),
        sa.Column("changed_by_id", sa.Integer(), nullable=True),
        sa.Column("removed_at", Moment(), nullable=True),
        _one_of("addressee", "way", "mail", "webhook"),
        _one_of("addressee", "digest", "every day", "when needed", "never"),
        sa.CheckConstraint("digest_hour BETWEEN 0 AND 23", name=op.f("ck_addressee_digest_has_an_hour")),
        _link("addressee", "changed_by_id", "actor"),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_addressee")),
    )


def _notice() -> None:
    moments = ("next_try_at", "claimed_until", "sent_at", "given_up_at", "dropped_at")
    op.create_table(
        "notice",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("addressee_id", sa.Integer(), nullable=False),
        *(sa.Column(name, sa.String(), nullable=False) for name in ("kind", "key", "mark", "subject")),
        sa.Column("made_at", Moment(), nullable=False),
        sa.Column("tries", sa.Integer(), server_default=sa.text("0"), nullable=False),
        sa.Column("claim", sa.String(), nullable=False),
        sa.Column("last_error", sa.String(), nullable=False),
        *(sa.Column(name, Moment(), nullable=True) for name in moments),
        _one_of("notice", "kind", "digest", "warning", "trial"),
        _link("notice", "addressee_id", "addressee"),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_notice")),
        sa.UniqueConstraint("addressee_id", "key", name=op.f("uq_notice_addressee_id_key")),
        sa.UniqueConstraint("mark", name=op.f("uq_notice_mark")),
    )
    op.create_index("ix_notice_next_try_at", "notice", ["next_try_at"])
