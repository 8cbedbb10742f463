"""People with roles, one-time links, known devices, visits, and who is at a station. Alembic runs it.

Stations of before were any browser that asked, so they are signed out.
"""

import sqlalchemy as sa
from alembic import op

from spoolkeep.store.columns import Moment

revision = "0003"
down_revision = "0002"

_KINDS = {
    "person": ("role", "'owner', 'operator', 'reader'"),
    "one_time_link": ("kind", "'first', 'person', 'station'"),
    "visit": (
        "kind",
        (
            "'tried', 'signed in', 'held off', 'refused', 'signed out', 'signed out everywhere', 'link made', "
            "'link used', "
            "'person added', 'role given', 'password chosen', 'name removed', 'station added', 'token made', 'revoked'"
        ),
    ),
}


def upgrade() -> None:
    """Add the tables and the act's person, and end what was signed in without a sign-in."""
    _person()
    _one_time_link()
    _known_device()
    _visit()
    _at_station()
    op.execute("ALTER TABLE act ADD COLUMN person_id INTEGER CONSTRAINT fk_act_person_id REFERENCES actor (id)")
    op.execute("UPDATE token SET revoked_at = made_at WHERE revoked_at IS NULL")


def _known(table: str) -> sa.CheckConstraint:
    column, words = _KINDS[table]
    return sa.CheckConstraint(f"{column} IN ({words})", name=op.f(f"ck_{table}_{column}_is_known"))


def _points(table: str, column: str, target: str) -> sa.ForeignKeyConstraint:
    return sa.ForeignKeyConstraint([column], [target], name=op.f(f"fk_{table}_{column}"))


def _person() -> None:
    op.create_table(
        "person",
        sa.Column("actor_id", sa.Integer(), nullable=False),
        sa.Column("role", sa.String(), nullable=False),
        sa.Column("password_hash", sa.String(), nullable=True),
        _known("person"),
        _points("person", "actor_id", "actor.id"),
        sa.PrimaryKeyConstraint("actor_id", name=op.f("pk_person")),
    )


def _one_time_link() -> None:
    op.create_table(
        "one_time_link",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("kind", sa.String(), nullable=False),
        sa.Column("secret_hash", sa.String(), nullable=False),
        sa.Column("actor_id", sa.Integer(), nullable=True),
        sa.Column("label", sa.String(), nullable=False),
        sa.Column("made_by_id", sa.Integer(), nullable=True),
        sa.Column("made_at", Moment(), nullable=False),
        sa.Column("expires_at", Moment(), nullable=False),
        sa.Column("used_at", Moment(), nullable=True),
        _known("one_time_link"),
        _points("one_time_link", "actor_id", "actor.id"),
        _points("one_time_link", "made_by_id", "actor.id"),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_one_time_link")),
        sa.UniqueConstraint("secret_hash", name=op.f("uq_one_time_link_secret_hash")),
    )
    op.create_index(op.f("ix_one_time_link_actor_id"), "one_time_link", ["actor_id"])
    op.create_index(op.f("ix_one_time_link_made_by_id"), "one_time_link", ["made_by_id"])


def _known_device() -> None:
    op.create_table(
        "known_device",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("secret_hash", sa.String(), nullable=False),
        sa.Column("actor_id", sa.Integer(), nullable=False),
        sa.Column("made_at", Moment(), nullable=False),
        _points("known_device", "actor_id", "actor.id"),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_known_device")),
        sa.UniqueConstraint("secret_hash", "actor_id", name=op.f("uq_known_device_secret_hash_actor_id")),
    )
    op.create_index(op.f("ix_known_device_actor_id"), "known_device", ["actor_id"])


def _visit() -> None:
    op.create_table(
        "visit",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("at", Moment(), nullable=False),
        sa.Column("kind", sa.String(), nullable=False),
        sa.Column("actor_id", sa.Integer(), nullable=True),
        sa.Column("by_id", sa.Integer(), nullable=True),
        sa.Column("address", sa.String(), nullable=False),
        sa.Column("device_id", sa.Integer(), nullable=True),
        sa.Column("about", sa.String(), nullable=False),
        _known("visit"),
        _points("visit", "actor_id", "actor.id"),
        _points("visit", "by_id", "actor.id"),
        _points("visit", "device_id", "known_device.id"),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_visit")),
    )
    op.create_index(op.f("ix_visit_actor_id"), "visit", ["actor_id"])
    op.create_index(op.f("ix_visit_device_id"), "visit", ["device_id"])
    op.create_index("ix_visit_at", "visit", ["at"])


def _at_station() -> None:
    op.create_table(
        "at_station",
        sa.Column("station_id", sa.Integer(), nullable=False),
        sa.Column("actor_id", sa.Integer(), nullable=False),
        sa.Column("since", Moment(), nullable=False),
        _points("at_station", "station_id", "station.id"),
        _points("at_station", "actor_id", "actor.id"),
        sa.PrimaryKeyConstraint("station_id", name=op.f("pk_at_station")),
    )
    op.create_index(op.f("ix_at_station_actor_id"), "at_station", ["actor_id"])
