"""Label stocks as they lie in a printer, walks that count, and a scale's reading in cards. Alembic runs it."""

import sqlalchemy as sa
from alembic import op

from spoolkeep.store.columns import Moment

revision = "0004"
down_revision = "0003"

_KINDS = "'sheet', 'roll'"
_SURFACES = (
    "'direct-thermal paper', 'thermal-transfer paper', 'thermal-transfer film', 'paper for office printers', "
    "'film for laser printers'"
)
_GEOMETRY = (
    "dpi",
    "page_width_um",
    "page_height_um",
    "label_width_um",
    "label_height_um",
    "left_um",
    "top_um",
    "pitch_x_um",
    "pitch_y_um",
    "columns",
    "rows",
    "inset_x_um",
    "inset_y_um",
    "nudge_x_um",
    "nudge_y_um",
)


def upgrade() -> None:
    """Add the tables, and the two columns."""
    _label_stock()
    _walk()
    op.add_column("half_scan", sa.Column("digits", sa.String(), server_default=sa.text("''"), nullable=False))
    op.add_column("workshop", sa.Column("usual_stock", sa.String(), server_default=sa.text("''"), nullable=False))


def _label_stock() -> None:
    live = sa.text("live")
    op.create_table(
        "label_stock",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("live", sa.Boolean(), server_default=sa.text("true"), nullable=False),
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("kind", sa.String(), nullable=False),
        sa.Column("surface", sa.String(), nullable=False),
        *(sa.Column(name, sa.Integer(), nullable=False) for name in _GEOMETRY),
        sa.CheckConstraint(f"kind IN ({_KINDS})", name=op.f("ck_label_stock_kind_is_known")),
        sa.CheckConstraint(f"surface IN ({_SURFACES})", name=op.f("ck_label_stock_surface_is_known")),
        sa.CheckConstraint(
            "label_width_um > 0 AND label_height_um > 0 AND columns >= 1 AND rows >= 1",
            name=op.f("ck_label_stock_has_a_size"),
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_label_stock")),
    )
    op.create_index(
        "uq_label_stock_live_name", "label_stock", ["name"], unique=True, sqlite_where=live, postgresql_where=live
    )


def _walk() -> None:
    op.create_table(
        "walk",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("live", sa.Boolean(), server_default=sa.text("true"), nullable=False),
        sa.Column("began_at", Moment(), nullable=False),
        sa.Column("settled_at", Moment(), nullable=True),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_walk")),
    )
    op.create_table(
        "walked_place",
        sa.Column("id", sa.Integer(), nullable=False),
        *_points("walked_place", "walk", "place"),
        sa.Column("at", Moment(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_walked_place")),
        sa.UniqueConstraint("walk_id", "place_id", name=op.f("uq_walked_place_walk_id_place_id")),
    )
    op.create_index(op.f("ix_walked_place_walk_id"), "walked_place", ["walk_id"])
    op.create_table(
        "sighting",
        sa.Column("id", sa.Integer(), nullable=False),
        *_points("sighting", "walk", "spool", "place"),
        sa.Column("at", Moment(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_sighting")),
        sa.UniqueConstraint("walk_id", "spool_id", name=op.f("uq_sighting_walk_id_spool_id")),
    )
    op.create_index(op.f("ix_sighting_walk_id"), "sighting", ["walk_id"])
    op.create_table(
        "walker",
        *_points("walker", "station", "walk", "place"),
        sa.PrimaryKeyConstraint("station_id", name=op.f("pk_walker")),
    )


def _points(table: str, *targets: str) -> tuple[sa.schema.SchemaItem, ...]:
    columns = (sa.Column(f"{target}_id", sa.Integer(), nullable=False) for target in targets)
    keys = (
        sa.ForeignKeyConstraint([f"{target}_id"], [f"{target}.id"], name=op.f(f"fk_{table}_{target}_id"))
        for target in targets
    )
    return (*columns, *keys)
