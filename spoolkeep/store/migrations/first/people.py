"""The first shape of the people tables. Revision 0001 calls it; it never changes."""

import sqlalchemy as sa
from alembic import op

from spoolkeep.store.columns import Moment


def actor() -> None:
    """Make the table actor."""
    op.create_table(
        "actor",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(), nullable=True),
        sa.Column("kind", sa.String(), nullable=False),
        sa.Column("made_at", Moment(), nullable=False),
        sa.Column("retired_at", Moment(), nullable=True),
        sa.CheckConstraint("kind IN ('person', 'program')", name=op.f("ck_actor_kind_is_known")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_actor")),
    )


def serial_counter() -> None:
    """Make the table serial_counter."""
    op.create_table(
        "serial_counter",
        sa.Column("kind", sa.String(), nullable=False),
        sa.Column("last", sa.Integer(), nullable=False),
        sa.PrimaryKeyConstraint("kind", name=op.f("pk_serial_counter")),
    )


def token() -> None:
    """Make the table token."""
    op.create_table(
        "token",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("kind", sa.String(), nullable=False),
        sa.Column("secret_hash", sa.String(), nullable=False),
        sa.Column("label", sa.String(), nullable=False),
        sa.Column("scopes", sa.String(), nullable=False),
        sa.Column("actor_id", sa.Integer(), nullable=True),
        sa.Column("made_at", Moment(), nullable=False),
        sa.Column("expires_at", Moment(), nullable=True),
        sa.Column("idle_seconds", sa.Integer(), nullable=True),
        sa.Column("used_at", Moment(), nullable=True),
        sa.Column("revoked_at", Moment(), nullable=True),
        sa.CheckConstraint("kind IN ('browser', 'station', 'api')", name=op.f("ck_token_kind_is_known")),
        sa.ForeignKeyConstraint(["actor_id"], ["actor.id"], name=op.f("fk_token_actor_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_token")),
        sa.UniqueConstraint("secret_hash", name=op.f("uq_token_secret_hash")),
    )
    op.create_index(op.f("ix_token_actor_id"), "token", ["actor_id"], unique=False)


def station() -> None:
    """Make the table station."""
    op.create_table(
        "station",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("label", sa.String(), nullable=False),
        sa.Column("token_id", sa.Integer(), nullable=True),
        sa.Column("made_at", Moment(), nullable=False),
        sa.ForeignKeyConstraint(["token_id"], ["token.id"], name=op.f("fk_station_token_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_station")),
    )
    op.create_index(op.f("ix_station_token_id"), "station", ["token_id"], unique=False)


def act() -> None:
    """Make the table act."""
    op.create_table(
        "act",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("actor_id", sa.Integer(), nullable=False),
        sa.Column("station_id", sa.Integer(), nullable=True),
        sa.Column("token_id", sa.Integer(), nullable=True),
        sa.Column("key", sa.String(), nullable=False),
        sa.Column("request_hash", sa.String(), nullable=False),
        sa.Column("kind", sa.String(), nullable=False),
        sa.Column("about", sa.String(), nullable=False),
        sa.Column("recorded_at", Moment(), nullable=False),
        sa.Column("undoes_id", sa.Integer(), nullable=True),
        sa.Column("sense", sa.Integer(), nullable=False),
        sa.CheckConstraint("length(key) > 0", name=op.f("ck_act_key_is_given")),
        sa.CheckConstraint("sense IN (1, -1)", name=op.f("ck_act_sense_is_sign")),
        sa.ForeignKeyConstraint(["actor_id"], ["actor.id"], name=op.f("fk_act_actor_id")),
        sa.ForeignKeyConstraint(["station_id"], ["station.id"], name=op.f("fk_act_station_id")),
        sa.ForeignKeyConstraint(["token_id"], ["token.id"], name=op.f("fk_act_token_id")),
        sa.ForeignKeyConstraint(["undoes_id"], ["act.id"], name=op.f("fk_act_undoes_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_act")),
        sa.UniqueConstraint("actor_id", "key", name=op.f("uq_act_actor_id_key")),
        sa.UniqueConstraint("undoes_id", name=op.f("uq_act_undoes_id")),
    )
    op.create_index(op.f("ix_act_actor_id"), "act", ["actor_id"], unique=False)
    op.create_index(op.f("ix_act_station_id"), "act", ["station_id"], unique=False)
    op.create_index(op.f("ix_act_token_id"), "act", ["token_id"], unique=False)


def half_scan() -> None:
    """Make the table half_scan."""
    op.create_table(
        "half_scan",
        sa.Column("station_id", sa.Integer(), nullable=False),
        sa.Column("code", sa.String(), nullable=False),
        sa.Column("scanned_at", Moment(), nullable=False),
        sa.ForeignKeyConstraint(["station_id"], ["station.id"], name=op.f("fk_half_scan_station_id")),
        sa.PrimaryKeyConstraint("station_id", name=op.f("pk_half_scan")),
    )


def answer() -> None:
    """Make the table answer."""
    op.create_table(
        "answer",
        sa.Column("act_id", sa.Integer(), nullable=False),
        sa.Column("body", sa.String(), nullable=False),
        sa.ForeignKeyConstraint(["act_id"], ["act.id"], name=op.f("fk_answer_act_id")),
        sa.PrimaryKeyConstraint("act_id", name=op.f("pk_answer")),
    )


def change() -> None:
    """Make the table change."""
    op.create_table(
        "change",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("act_id", sa.Integer(), nullable=False),
        sa.Column("on_table", sa.String(), nullable=False),
        sa.Column("row_id", sa.Integer(), nullable=False),
        sa.Column("field", sa.String(), nullable=False),
        sa.Column("before", sa.String(), nullable=False),
        sa.Column("after", sa.String(), nullable=False),
        sa.ForeignKeyConstraint(["act_id"], ["act.id"], name=op.f("fk_change_act_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_change")),
    )
    op.create_index(op.f("ix_change_act_id"), "change", ["act_id"], unique=False)
    op.create_index("ix_change_on_table_row_id", "change", ["on_table", "row_id"], unique=False)
