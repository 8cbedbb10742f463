"""Mending what was entered: items that merge, spools that go over, former names, names free once retired.

Alembic runs it.
"""

import sqlalchemy as sa
from alembic import op

from spoolkeep.store.columns import WholeNumber

revision = "0016"
down_revision = "0015"
NAMED = {
    "article": ("material_id", "colour_id", "diameter_um"),
    "place": ("site_id", "name"),
    "machine": ("name",),
    "product": ("name",),
    "supplier": ("name",),
}
FINISHES = ("matt", "satin", "gloss", "silk", "clear", "glow", "filled")


def upgrade() -> None:
    """Add the columns as they are (see revision 0005) and the tables; names are unique among what is not retired."""
    op.execute("ALTER TABLE place ADD COLUMN retired BOOLEAN DEFAULT false NOT NULL")
    op.execute("ALTER TABLE article ADD COLUMN srgb VARCHAR")
    for table in ("article", "supplier"):
        reference = f"CONSTRAINT fk_{table}_now_id_{table} REFERENCES {table} (id)"
        op.execute(f"ALTER TABLE {table} ADD COLUMN now_id INTEGER {reference}")
        op.create_index(op.f(f"ix_{table}_now_id"), table, ["now_id"])
    used = sa.text("live AND NOT retired")
    for table, columns in NAMED.items():
        joined = "_".join(columns)
        op.drop_index(f"uq_{table}_live_{joined}", table_name=table)
        name = f"uq_{table}_used_{joined}"
        op.create_index(name, table, [*columns], unique=True, sqlite_where=used, postgresql_where=used)
    _former_name()
    op.create_table(
        "item_move",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("act_id", sa.Integer(), nullable=False),
        sa.Column("spool_id", sa.Integer(), nullable=False),
        sa.Column("from_id", sa.Integer(), nullable=False),
        sa.Column("to_id", sa.Integer(), nullable=False),
        sa.Column("closed_through", sa.Date(), nullable=True),
        sa.CheckConstraint("from_id <> to_id", name=op.f("ck_item_move_is_another")),
        _link("item_move", "act_id", "act"),
        _link("item_move", "spool_id", "spool"),
        _link("item_move", "from_id", "article"),
        _link("item_move", "to_id", "article"),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_item_move")),
    )
    op.create_index(op.f("ix_item_move_act_id"), "item_move", ["act_id"])
    op.create_index(op.f("ix_item_move_spool_id"), "item_move", ["spool_id"])


def _link(table: str, column: str, target: str) -> sa.ForeignKeyConstraint:
    return sa.ForeignKeyConstraint([column], [f"{target}.id"], name=op.f(f"fk_{table}_{column}_{target}"))


def _former_name() -> None:
    named = ("article", "material", "place", "machine", "product", "supplier")
    listed = ", ".join(f"'{word}'" for word in FINISHES)
    whole = "(article_id IS NULL) = (material_id IS NULL OR finish IS NULL OR diameter_um IS NULL)"
    op.create_table(
        "former_name",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("live", sa.Boolean(), server_default=sa.text("true"), nullable=False),
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("finish", sa.String(), nullable=True),
        sa.Column("diameter_um", sa.Integer(), nullable=True),
        *(sa.Column(f"{one}_id", sa.Integer(), nullable=True) for one in named),
        sa.CheckConstraint(f"finish IN ({listed})", name=op.f("ck_former_name_finish_is_known")),
        sa.CheckConstraint(whole, name=op.f("ck_former_name_item_is_whole")),
        sa.CheckConstraint(WholeNumber("diameter_um"), name=op.f("ck_former_name_diameter_um_is_whole")),
        *(_link("former_name", f"{one}_id", one) for one in named),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_former_name")),
    )
    for one in named:
        op.create_index(op.f(f"ix_former_name_{one}_id"), "former_name", [f"{one}_id"])
