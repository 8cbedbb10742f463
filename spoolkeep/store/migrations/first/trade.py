"""The first shape of the trade tables. Revision 0001 calls it; it never changes."""

import sqlalchemy as sa
from alembic import op

from spoolkeep.store.columns import Moment, WholeNumber


def supplier() -> None:
    """Make the table supplier."""
    op.create_table(
        "supplier",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("live", sa.Boolean(), server_default=sa.text("true"), nullable=False),
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("address", sa.String(), nullable=False),
        sa.Column("mail", sa.String(), nullable=False),
        sa.Column("currency", sa.String(), nullable=True),
        sa.Column("lead_days", sa.Integer(), nullable=True),
        sa.Column("parcel_minor", sa.BigInteger(), nullable=False),
        sa.Column("free_freight_minor", sa.BigInteger(), nullable=True),
        sa.Column("least_minor", sa.BigInteger(), nullable=True),
        sa.Column("note", sa.String(), nullable=False),
        sa.Column("retired", sa.Boolean(), nullable=False),
        sa.CheckConstraint(WholeNumber("lead_days"), name=op.f("ck_supplier_lead_days_is_whole")),
        sa.CheckConstraint(WholeNumber("parcel_minor"), name=op.f("ck_supplier_parcel_minor_is_whole")),
        sa.CheckConstraint("lead_days BETWEEN 0 AND 365", name=op.f("ck_supplier_lead_is_days")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_supplier")),
    )
    op.create_index(
        "uq_supplier_live_name",
        "supplier",
        ["name"],
        unique=True,
        sqlite_where=sa.text("live"),
        postgresql_where=sa.text("live"),
    )


def calendar_day() -> None:
    """Make the table calendar_day."""
    op.create_table(
        "calendar_day",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("supplier_id", sa.Integer(), nullable=True),
        sa.Column("day", sa.Date(), nullable=False),
        sa.Column("is_open", sa.Boolean(), nullable=False),
        sa.Column("why", sa.String(), nullable=False),
        sa.ForeignKeyConstraint(["supplier_id"], ["supplier.id"], name=op.f("fk_calendar_day_supplier_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_calendar_day")),
        sa.UniqueConstraint("supplier_id", "day", name=op.f("uq_calendar_day_supplier_id_day")),
    )
    op.create_index(op.f("ix_calendar_day_day"), "calendar_day", ["day"], unique=False)
    op.create_index(op.f("ix_calendar_day_supplier_id"), "calendar_day", ["supplier_id"], unique=False)


def order() -> None:
    """Make the table order."""
    op.create_table(
        "order",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("live", sa.Boolean(), server_default=sa.text("true"), nullable=False),
        sa.Column("serial", sa.Integer(), nullable=False),
        sa.Column("supplier_id", sa.Integer(), nullable=False),
        sa.Column("state", sa.String(), nullable=False),
        sa.Column("drafted_at", Moment(), nullable=False),
        sa.Column("sent_at", Moment(), nullable=True),
        sa.Column("promised_for", sa.Date(), nullable=True),
        sa.Column("closed_at", Moment(), nullable=True),
        sa.Column("freight_minor", sa.BigInteger(), nullable=False),
        sa.Column("note", sa.String(), nullable=False),
        sa.CheckConstraint(
            "state IN ('drafted', 'sent', 'promised', 'part in', 'in', 'closed short', 'called off')",
            name=op.f("ck_order_state_is_known"),
        ),
        sa.CheckConstraint(WholeNumber("freight_minor"), name=op.f("ck_order_freight_minor_is_whole")),
        sa.ForeignKeyConstraint(["supplier_id"], ["supplier.id"], name=op.f("fk_order_supplier_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_order")),
        sa.UniqueConstraint("serial", name=op.f("uq_order_serial")),
    )
    op.create_index(op.f("ix_order_supplier_id"), "order", ["supplier_id"], unique=False)


def delivery() -> None:
    """Make the table delivery."""
    op.create_table(
        "delivery",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("live", sa.Boolean(), server_default=sa.text("true"), nullable=False),
        sa.Column("order_id", sa.Integer(), nullable=True),
        sa.Column("supplier_id", sa.Integer(), nullable=True),
        sa.Column("arrived_at", Moment(), nullable=False),
        sa.Column("freight_minor", sa.BigInteger(), nullable=False),
        sa.Column("note", sa.String(), nullable=False),
        sa.CheckConstraint(WholeNumber("freight_minor"), name=op.f("ck_delivery_freight_minor_is_whole")),
        sa.CheckConstraint("freight_minor >= 0", name=op.f("ck_delivery_freight_is_not_negative")),
        sa.ForeignKeyConstraint(["order_id"], ["order.id"], name=op.f("fk_delivery_order_id")),
        sa.ForeignKeyConstraint(["supplier_id"], ["supplier.id"], name=op.f("fk_delivery_supplier_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_delivery")),
    )
    op.create_index(op.f("ix_delivery_order_id"), "delivery", ["order_id"], unique=False)
    op.create_index(op.f("ix_delivery_supplier_id"), "delivery", ["supplier_id"], unique=False)


def foresight() -> None:
    """Make the table foresight."""
    op.create_table(
        "foresight",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("live", sa.Boolean(), server_default=sa.text("true"), nullable=False),
        sa.Column("article_id", sa.Integer(), nullable=True),
        sa.Column("product_id", sa.Integer(), nullable=True),
        sa.Column("from_day", sa.Date(), nullable=False),
        sa.Column("until_day", sa.Date(), nullable=True),
        sa.Column("factor_ppm", sa.Integer(), nullable=True),
        sa.Column("mg_a_day", sa.BigInteger(), nullable=True),
        sa.Column("said_at", Moment(), nullable=False),
        sa.Column("why", sa.String(), nullable=False),
        sa.CheckConstraint(WholeNumber("factor_ppm"), name=op.f("ck_foresight_factor_ppm_is_whole")),
        sa.CheckConstraint(WholeNumber("mg_a_day"), name=op.f("ck_foresight_mg_a_day_is_whole")),
        sa.CheckConstraint("(factor_ppm IS NULL) <> (mg_a_day IS NULL)", name=op.f("ck_foresight_factor_or_grams")),
        sa.CheckConstraint("article_id IS NULL OR product_id IS NULL", name=op.f("ck_foresight_item_or_product")),
        sa.CheckConstraint(
            "until_day IS NULL OR until_day >= from_day", name=op.f("ck_foresight_ends_after_it_begins")
        ),
        sa.ForeignKeyConstraint(["article_id"], ["article.id"], name=op.f("fk_foresight_article_id")),
        sa.ForeignKeyConstraint(["product_id"], ["product.id"], name=op.f("fk_foresight_product_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_foresight")),
    )
    op.create_index(op.f("ix_foresight_article_id"), "foresight", ["article_id"], unique=False)
    op.create_index(op.f("ix_foresight_product_id"), "foresight", ["product_id"], unique=False)


def offer() -> None:
    """Make the table offer."""
    op.create_table(
        "offer",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("live", sa.Boolean(), server_default=sa.text("true"), nullable=False),
        sa.Column("supplier_id", sa.Integer(), nullable=False),
        sa.Column("article_id", sa.Integer(), nullable=False),
        sa.Column("make_id", sa.Integer(), nullable=True),
        sa.Column("their_number", sa.String(), nullable=False),
        sa.Column("retail_code", sa.String(), nullable=True),
        sa.Column("spool_mg", sa.BigInteger(), nullable=False),
        sa.Column("tare_mg", sa.BigInteger(), nullable=True),
        sa.Column("price_minor", sa.BigInteger(), nullable=False),
        sa.Column("pack", sa.Integer(), nullable=False),
        sa.Column("least_spools", sa.Integer(), nullable=False),
        sa.Column("from_day", sa.Date(), nullable=True),
        sa.Column("until_day", sa.Date(), nullable=True),
        sa.CheckConstraint(WholeNumber("pack"), name=op.f("ck_offer_pack_is_whole")),
        sa.CheckConstraint(WholeNumber("price_minor"), name=op.f("ck_offer_price_minor_is_whole")),
        sa.CheckConstraint(WholeNumber("spool_mg"), name=op.f("ck_offer_spool_mg_is_whole")),
        sa.CheckConstraint("pack >= 1 AND least_spools >= 1", name=op.f("ck_offer_pack_holds_spools")),
        sa.CheckConstraint("price_minor >= 0", name=op.f("ck_offer_price_is_not_negative")),
        sa.CheckConstraint("spool_mg > 0", name=op.f("ck_offer_weighs_something")),
        sa.ForeignKeyConstraint(["article_id"], ["article.id"], name=op.f("fk_offer_article_id")),
        sa.ForeignKeyConstraint(["make_id"], ["make.id"], name=op.f("fk_offer_make_id")),
        sa.ForeignKeyConstraint(["supplier_id"], ["supplier.id"], name=op.f("fk_offer_supplier_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_offer")),
    )
    op.create_index(op.f("ix_offer_article_id"), "offer", ["article_id"], unique=False)
    op.create_index(op.f("ix_offer_make_id"), "offer", ["make_id"], unique=False)
    op.create_index(op.f("ix_offer_retail_code"), "offer", ["retail_code"], unique=False)
    op.create_index(op.f("ix_offer_supplier_id"), "offer", ["supplier_id"], unique=False)


def order_line() -> None:
    """Make the table order_line."""
    op.create_table(
        "order_line",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("live", sa.Boolean(), server_default=sa.text("true"), nullable=False),
        sa.Column("order_id", sa.Integer(), nullable=False),
        sa.Column("offer_id", sa.Integer(), nullable=False),
        sa.Column("article_id", sa.Integer(), nullable=False),
        sa.Column("spools", sa.Integer(), nullable=False),
        sa.Column("spool_mg", sa.BigInteger(), nullable=False),
        sa.Column("price_minor", sa.BigInteger(), nullable=False),
        sa.Column("placed_at", Moment(), nullable=True),
        sa.Column("confirmed_for", sa.Date(), nullable=True),
        sa.CheckConstraint(WholeNumber("price_minor"), name=op.f("ck_order_line_price_minor_is_whole")),
        sa.CheckConstraint(WholeNumber("spool_mg"), name=op.f("ck_order_line_spool_mg_is_whole")),
        sa.CheckConstraint(WholeNumber("spools"), name=op.f("ck_order_line_spools_is_whole")),
        sa.CheckConstraint("price_minor >= 0", name=op.f("ck_order_line_price_is_not_negative")),
        sa.CheckConstraint("spools > 0 AND spool_mg > 0", name=op.f("ck_order_line_orders_something")),
        sa.ForeignKeyConstraint(["article_id"], ["article.id"], name=op.f("fk_order_line_article_id")),
        sa.ForeignKeyConstraint(["offer_id"], ["offer.id"], name=op.f("fk_order_line_offer_id")),
        sa.ForeignKeyConstraint(["order_id"], ["order.id"], name=op.f("fk_order_line_order_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_order_line")),
    )
    op.create_index(op.f("ix_order_line_article_id"), "order_line", ["article_id"], unique=False)
    op.create_index(op.f("ix_order_line_offer_id"), "order_line", ["offer_id"], unique=False)
    op.create_index(op.f("ix_order_line_order_id"), "order_line", ["order_id"], unique=False)


def price_break() -> None:
    """Make the table price_break."""
    op.create_table(
        "price_break",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("live", sa.Boolean(), server_default=sa.text("true"), nullable=False),
        sa.Column("offer_id", sa.Integer(), nullable=False),
        sa.Column("from_spools", sa.Integer(), nullable=False),
        sa.Column("price_minor", sa.BigInteger(), nullable=False),
        sa.CheckConstraint(WholeNumber("from_spools"), name=op.f("ck_price_break_from_spools_is_whole")),
        sa.CheckConstraint(WholeNumber("price_minor"), name=op.f("ck_price_break_price_minor_is_whole")),
        sa.CheckConstraint("from_spools > 1", name=op.f("ck_price_break_begins_above_one")),
        sa.CheckConstraint("price_minor >= 0", name=op.f("ck_price_break_price_is_not_negative")),
        sa.ForeignKeyConstraint(["offer_id"], ["offer.id"], name=op.f("fk_price_break_offer_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_price_break")),
    )
    op.create_index(op.f("ix_price_break_offer_id"), "price_break", ["offer_id"], unique=False)
    op.create_index(
        "uq_price_break_live_offer_id_from_spools",
        "price_break",
        ["offer_id", "from_spools"],
        unique=True,
        sqlite_where=sa.text("live"),
        postgresql_where=sa.text("live"),
    )


def order_promise() -> None:
    """Make the table order_promise."""
    op.create_table(
        "order_promise",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("act_id", sa.Integer(), nullable=False),
        sa.Column("order_line_id", sa.Integer(), nullable=False),
        sa.Column("promised_for", sa.Date(), nullable=True),
        sa.Column("said_at", Moment(), nullable=False),
        sa.ForeignKeyConstraint(["act_id"], ["act.id"], name=op.f("fk_order_promise_act_id")),
        sa.ForeignKeyConstraint(["order_line_id"], ["order_line.id"], name=op.f("fk_order_promise_order_line_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_order_promise")),
    )
    op.create_index(op.f("ix_order_promise_act_id"), "order_promise", ["act_id"], unique=False)
    op.create_index(op.f("ix_order_promise_order_line_id"), "order_promise", ["order_line_id"], unique=False)
