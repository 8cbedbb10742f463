"""The first shape of the catalogue tables. Revision 0001 calls it; it never changes."""

import sqlalchemy as sa
from alembic import op

from spoolkeep.store.columns import WholeNumber


def colour() -> None:
    """Make the table colour."""
    op.create_table(
        "colour",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("finish", sa.String(), nullable=False),
        sa.CheckConstraint(
            "finish IN ('matt', 'satin', 'gloss', 'silk', 'clear', 'glow', 'filled')",
            name=op.f("ck_colour_finish_is_known"),
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_colour")),
        sa.UniqueConstraint("name", "finish", name=op.f("uq_colour_name_finish")),
    )


def material() -> None:
    """Make the table material."""
    op.create_table(
        "material",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("code", sa.String(), nullable=False),
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("density_mg_per_cm3", sa.Integer(), nullable=False),
        sa.Column("dry_celsius", sa.Integer(), nullable=True),
        sa.Column("dry_hours", sa.Integer(), nullable=True),
        sa.Column("out_hours", sa.Integer(), nullable=True),
        sa.Column("care", sa.String(), nullable=False),
        sa.CheckConstraint(WholeNumber("density_mg_per_cm3"), name=op.f("ck_material_density_mg_per_cm3_is_whole")),
        sa.CheckConstraint("density_mg_per_cm3 BETWEEN 500 AND 10000", name=op.f("ck_material_density_is_plastic")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_material")),
        sa.UniqueConstraint("code", name=op.f("uq_material_code")),
    )


def product() -> None:
    """Make the table product."""
    op.create_table(
        "product",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("live", sa.Boolean(), server_default=sa.text("true"), nullable=False),
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("price_minor", sa.BigInteger(), nullable=True),
        sa.Column("retired", sa.Boolean(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_product")),
    )
    op.create_index(
        "uq_product_live_name",
        "product",
        ["name"],
        unique=True,
        sqlite_where=sa.text("live"),
        postgresql_where=sa.text("live"),
    )


def reel() -> None:
    """Make the table reel."""
    op.create_table(
        "reel",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("live", sa.Boolean(), server_default=sa.text("true"), nullable=False),
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("tare_mg", sa.BigInteger(), nullable=True),
        sa.Column("outer_mm", sa.Integer(), nullable=True),
        sa.Column("inner_mm", sa.Integer(), nullable=True),
        sa.Column("width_mm", sa.Integer(), nullable=True),
        sa.Column("cardboard", sa.Boolean(), nullable=False),
        sa.Column("reusable", sa.Boolean(), nullable=False),
        sa.CheckConstraint(WholeNumber("tare_mg"), name=op.f("ck_reel_tare_mg_is_whole")),
        sa.CheckConstraint("tare_mg >= 0", name=op.f("ck_reel_tare_is_not_negative")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_reel")),
    )


def site() -> None:
    """Make the table site."""
    op.create_table(
        "site",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("address", sa.String(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_site")),
        sa.UniqueConstraint("name", name=op.f("uq_site_name")),
    )


def article() -> None:
    """Make the table article."""
    op.create_table(
        "article",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("live", sa.Boolean(), server_default=sa.text("true"), nullable=False),
        sa.Column("material_id", sa.Integer(), nullable=False),
        sa.Column("colour_id", sa.Integer(), nullable=False),
        sa.Column("diameter_um", sa.Integer(), nullable=False),
        sa.Column("density_mg_per_cm3", sa.Integer(), nullable=True),
        sa.Column("usual_job_mg", sa.BigInteger(), nullable=True),
        sa.Column("split_by_make", sa.Boolean(), nullable=False),
        sa.Column("retired", sa.Boolean(), nullable=False),
        sa.CheckConstraint(WholeNumber("density_mg_per_cm3"), name=op.f("ck_article_density_mg_per_cm3_is_whole")),
        sa.CheckConstraint(WholeNumber("diameter_um"), name=op.f("ck_article_diameter_um_is_whole")),
        sa.CheckConstraint("diameter_um BETWEEN 1000 AND 5000", name=op.f("ck_article_diameter_is_a_feed")),
        sa.ForeignKeyConstraint(["colour_id"], ["colour.id"], name=op.f("fk_article_colour_id")),
        sa.ForeignKeyConstraint(["material_id"], ["material.id"], name=op.f("fk_article_material_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_article")),
    )
    op.create_index(op.f("ix_article_colour_id"), "article", ["colour_id"], unique=False)
    op.create_index(op.f("ix_article_material_id"), "article", ["material_id"], unique=False)
    op.create_index(
        "uq_article_live_material_id_colour_id_diameter_um",
        "article",
        ["material_id", "colour_id", "diameter_um"],
        unique=True,
        sqlite_where=sa.text("live"),
        postgresql_where=sa.text("live"),
    )


def colour_value() -> None:
    """Make the table colour_value."""
    op.create_table(
        "colour_value",
        sa.Column("colour_id", sa.Integer(), nullable=False),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.Column("srgb", sa.String(), nullable=False),
        sa.CheckConstraint("length(srgb) = 7 AND substr(srgb, 1, 1) = '#'", name=op.f("ck_colour_value_srgb_is_hex")),
        sa.ForeignKeyConstraint(["colour_id"], ["colour.id"], name=op.f("fk_colour_value_colour_id")),
        sa.PrimaryKeyConstraint("colour_id", "position", name=op.f("pk_colour_value")),
    )


def place() -> None:
    """Make the table place."""
    op.create_table(
        "place",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("live", sa.Boolean(), server_default=sa.text("true"), nullable=False),
        sa.Column("serial", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("kind", sa.String(), nullable=False),
        sa.Column("site_id", sa.Integer(), nullable=False),
        sa.Column("height_mm", sa.Integer(), nullable=True),
        sa.Column("ready_hours", sa.Integer(), nullable=True),
        sa.CheckConstraint("kind IN ('shelf', 'drawer', 'dry box')", name=op.f("ck_place_kind_is_known")),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_place_site_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_place")),
        sa.UniqueConstraint("serial", name=op.f("uq_place_serial")),
    )
    op.create_index(op.f("ix_place_site_id"), "place", ["site_id"], unique=False)
    op.create_index(
        "uq_place_live_site_id_name",
        "place",
        ["site_id", "name"],
        unique=True,
        sqlite_where=sa.text("live"),
        postgresql_where=sa.text("live"),
    )


def make() -> None:
    """Make the table make."""
    op.create_table(
        "make",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("live", sa.Boolean(), server_default=sa.text("true"), nullable=False),
        sa.Column("article_id", sa.Integer(), nullable=False),
        sa.Column("maker", sa.String(), nullable=False),
        sa.Column("srgb", sa.String(), nullable=True),
        sa.Column("density_mg_per_cm3", sa.Integer(), nullable=True),
        sa.Column("reel_id", sa.Integer(), nullable=True),
        sa.ForeignKeyConstraint(["article_id"], ["article.id"], name=op.f("fk_make_article_id")),
        sa.ForeignKeyConstraint(["reel_id"], ["reel.id"], name=op.f("fk_make_reel_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_make")),
    )
    op.create_index(op.f("ix_make_article_id"), "make", ["article_id"], unique=False)
    op.create_index(op.f("ix_make_reel_id"), "make", ["reel_id"], unique=False)
    op.create_index(
        "uq_make_live_article_id_maker",
        "make",
        ["article_id", "maker"],
        unique=True,
        sqlite_where=sa.text("live"),
        postgresql_where=sa.text("live"),
    )


def substitute() -> None:
    """Make the table substitute."""
    op.create_table(
        "substitute",
        sa.Column("article_id", sa.Integer(), nullable=False),
        sa.Column("instead_id", sa.Integer(), nullable=False),
        sa.CheckConstraint("article_id <> instead_id", name=op.f("ck_substitute_is_another")),
        sa.ForeignKeyConstraint(["article_id"], ["article.id"], name=op.f("fk_substitute_article_id")),
        sa.ForeignKeyConstraint(["instead_id"], ["article.id"], name=op.f("fk_substitute_instead_id")),
        sa.PrimaryKeyConstraint("article_id", "instead_id", name=op.f("pk_substitute")),
    )


def product_part() -> None:
    """Make the table product_part."""
    op.create_table(
        "product_part",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("live", sa.Boolean(), server_default=sa.text("true"), nullable=False),
        sa.Column("product_id", sa.Integer(), nullable=False),
        sa.Column("article_id", sa.Integer(), nullable=False),
        sa.Column("make_id", sa.Integer(), nullable=True),
        sa.Column("mg", sa.BigInteger(), nullable=False),
        sa.CheckConstraint(WholeNumber("mg"), name=op.f("ck_product_part_mg_is_whole")),
        sa.CheckConstraint("mg > 0", name=op.f("ck_product_part_weighs_something")),
        sa.ForeignKeyConstraint(["article_id"], ["article.id"], name=op.f("fk_product_part_article_id")),
        sa.ForeignKeyConstraint(["make_id"], ["make.id"], name=op.f("fk_product_part_make_id")),
        sa.ForeignKeyConstraint(["product_id"], ["product.id"], name=op.f("fk_product_part_product_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_product_part")),
    )
    op.create_index(op.f("ix_product_part_article_id"), "product_part", ["article_id"], unique=False)
    op.create_index(op.f("ix_product_part_make_id"), "product_part", ["make_id"], unique=False)
    op.create_index(op.f("ix_product_part_product_id"), "product_part", ["product_id"], unique=False)
