"""The first shape of the stock tables. Revision 0001 calls it; it never changes."""

import sqlalchemy as sa
from alembic import op

from spoolkeep.store.columns import Moment, WholeNumber


def day_total() -> None:
    """Make the table day_total."""
    op.create_table(
        "day_total",
        sa.Column("article_id", sa.Integer(), nullable=False),
        sa.Column("shop_day", sa.Date(), nullable=False),
        sa.Column("book_day", sa.Date(), nullable=False),
        sa.Column("kind", sa.String(), nullable=False),
        sa.Column("mg", sa.BigInteger(), nullable=False),
        sa.Column("value_minor", sa.BigInteger(), nullable=False),
        sa.CheckConstraint(WholeNumber("mg"), name=op.f("ck_day_total_mg_is_whole")),
        sa.CheckConstraint(WholeNumber("value_minor"), name=op.f("ck_day_total_value_minor_is_whole")),
        sa.ForeignKeyConstraint(["article_id"], ["article.id"], name=op.f("fk_day_total_article_id")),
        sa.PrimaryKeyConstraint("article_id", "shop_day", "book_day", "kind", name=op.f("pk_day_total")),
    )
    op.create_index(op.f("ix_day_total_shop_day"), "day_total", ["shop_day"], unique=False)
    op.create_index(op.f("ix_day_total_book_day"), "day_total", ["book_day"], unique=False)


def spool() -> None:
    """Make the table spool."""
    op.create_table(
        "spool",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("live", sa.Boolean(), server_default=sa.text("true"), nullable=False),
        sa.Column("serial", sa.Integer(), nullable=False),
        sa.Column("article_id", sa.Integer(), nullable=False),
        sa.Column("make_id", sa.Integer(), nullable=True),
        sa.Column("reel_id", sa.Integer(), nullable=True),
        sa.Column("supplier_id", sa.Integer(), nullable=True),
        sa.Column("delivery_id", sa.Integer(), nullable=True),
        sa.Column("order_line_id", sa.Integer(), nullable=True),
        sa.Column("place_id", sa.Integer(), nullable=True),
        sa.Column("home_id", sa.Integer(), nullable=True),
        sa.Column("lot", sa.String(), nullable=False),
        sa.Column("tare_mg", sa.BigInteger(), nullable=True),
        sa.Column("received_on", sa.Date(), nullable=False),
        sa.Column("opened_on", sa.Date(), nullable=True),
        sa.Column("dried_on", sa.Date(), nullable=True),
        sa.Column("retired_on", sa.Date(), nullable=True),
        sa.Column("note", sa.String(), nullable=False),
        sa.CheckConstraint(WholeNumber("tare_mg"), name=op.f("ck_spool_tare_mg_is_whole")),
        sa.CheckConstraint("tare_mg >= 0", name=op.f("ck_spool_tare_is_not_negative")),
        sa.ForeignKeyConstraint(["article_id"], ["article.id"], name=op.f("fk_spool_article_id")),
        sa.ForeignKeyConstraint(["delivery_id"], ["delivery.id"], name=op.f("fk_spool_delivery_id")),
        sa.ForeignKeyConstraint(["home_id"], ["place.id"], name=op.f("fk_spool_home_id")),
        sa.ForeignKeyConstraint(["make_id"], ["make.id"], name=op.f("fk_spool_make_id")),
        sa.ForeignKeyConstraint(["order_line_id"], ["order_line.id"], name=op.f("fk_spool_order_line_id")),
        sa.ForeignKeyConstraint(["place_id"], ["place.id"], name=op.f("fk_spool_place_id")),
        sa.ForeignKeyConstraint(["reel_id"], ["reel.id"], name=op.f("fk_spool_reel_id")),
        sa.ForeignKeyConstraint(["supplier_id"], ["supplier.id"], name=op.f("fk_spool_supplier_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_spool")),
        sa.UniqueConstraint("serial", name=op.f("uq_spool_serial")),
    )
    op.create_index(op.f("ix_spool_article_id"), "spool", ["article_id"], unique=False)
    op.create_index(op.f("ix_spool_delivery_id"), "spool", ["delivery_id"], unique=False)
    op.create_index(op.f("ix_spool_home_id"), "spool", ["home_id"], unique=False)
    op.create_index(op.f("ix_spool_make_id"), "spool", ["make_id"], unique=False)
    op.create_index(op.f("ix_spool_order_line_id"), "spool", ["order_line_id"], unique=False)
    op.create_index(op.f("ix_spool_place_id"), "spool", ["place_id"], unique=False)
    op.create_index(op.f("ix_spool_reel_id"), "spool", ["reel_id"], unique=False)
    op.create_index(op.f("ix_spool_supplier_id"), "spool", ["supplier_id"], unique=False)


def balance() -> None:
    """Make the table balance."""
    op.create_table(
        "balance",
        sa.Column("spool_id", sa.Integer(), nullable=False),
        sa.Column("left_mg", sa.BigInteger(), nullable=False),
        sa.Column("received_mg", sa.BigInteger(), nullable=False),
        sa.Column("cost_minor", sa.BigInteger(), nullable=False),
        sa.Column("value_minor", sa.BigInteger(), nullable=False),
        sa.Column("doubtful", sa.Boolean(), nullable=False),
        sa.Column("last_key", sa.String(), nullable=False),
        sa.CheckConstraint(WholeNumber("cost_minor"), name=op.f("ck_balance_cost_minor_is_whole")),
        sa.CheckConstraint(WholeNumber("left_mg"), name=op.f("ck_balance_left_mg_is_whole")),
        sa.CheckConstraint(WholeNumber("received_mg"), name=op.f("ck_balance_received_mg_is_whole")),
        sa.CheckConstraint(WholeNumber("value_minor"), name=op.f("ck_balance_value_minor_is_whole")),
        sa.CheckConstraint("left_mg >= 0", name=op.f("ck_balance_left_is_not_negative")),
        sa.ForeignKeyConstraint(["spool_id"], ["spool.id"], name=op.f("fk_balance_spool_id")),
        sa.PrimaryKeyConstraint("spool_id", name=op.f("pk_balance")),
    )


def set_aside() -> None:
    """Make the table set_aside."""
    op.create_table(
        "set_aside",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("live", sa.Boolean(), server_default=sa.text("true"), nullable=False),
        sa.Column("spool_id", sa.Integer(), nullable=True),
        sa.Column("article_id", sa.Integer(), nullable=True),
        sa.Column("lot", sa.String(), nullable=True),
        sa.Column("why", sa.String(), nullable=False),
        sa.Column("from_at", Moment(), nullable=False),
        sa.Column("until_at", Moment(), nullable=True),
        sa.CheckConstraint(
            "(spool_id IS NULL) <> (article_id IS NULL OR lot IS NULL)",
            name=op.f("ck_set_aside_names_a_spool_or_a_lot"),
        ),
        sa.ForeignKeyConstraint(["article_id"], ["article.id"], name=op.f("fk_set_aside_article_id")),
        sa.ForeignKeyConstraint(["spool_id"], ["spool.id"], name=op.f("fk_set_aside_spool_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_set_aside")),
    )
    op.create_index(op.f("ix_set_aside_article_id"), "set_aside", ["article_id"], unique=False)
    op.create_index(op.f("ix_set_aside_spool_id"), "set_aside", ["spool_id"], unique=False)


def movement() -> None:
    """Make the table movement."""
    op.create_table(
        "movement",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("act_id", sa.Integer(), nullable=False),
        sa.Column("kind", sa.String(), nullable=False),
        sa.Column("spool_id", sa.Integer(), nullable=True),
        sa.Column("article_id", sa.Integer(), nullable=True),
        sa.Column("occurred_at", Moment(), nullable=False),
        sa.Column("shop_day", sa.Date(), nullable=False),
        sa.Column("sort_key", sa.String(), nullable=False),
        sa.Column("asked_mg", sa.BigInteger(), nullable=True),
        sa.Column("leaves_mg", sa.BigInteger(), nullable=True),
        sa.Column("gross_mg", sa.BigInteger(), nullable=True),
        sa.Column("tare_mg", sa.BigInteger(), nullable=True),
        sa.Column("cost_minor", sa.BigInteger(), nullable=False),
        sa.Column("job_id", sa.Integer(), nullable=True),
        sa.Column("feed_id", sa.Integer(), nullable=True),
        sa.Column("loading_id", sa.Integer(), nullable=True),
        sa.Column("cause", sa.String(), nullable=True),
        sa.Column("sign", sa.Integer(), nullable=False),
        sa.Column("reverses_id", sa.Integer(), nullable=True),
        sa.CheckConstraint("(kind = 'draw') = (cause IS NOT NULL)", name=op.f("ck_movement_draw_has_a_cause")),
        sa.CheckConstraint("cause IN ('good', 'failed', 'purge', 'prime')", name=op.f("ck_movement_cause_is_known")),
        sa.CheckConstraint("kind <> 'cost' OR coalesce(asked_mg, 1) = 0", name=op.f("ck_movement_cost_moves_no_grams")),
        sa.CheckConstraint("kind <> 'draw' OR asked_mg IS NOT NULL", name=op.f("ck_movement_draw_is_an_amount")),
        sa.CheckConstraint(
            "kind IN ('opening', 'delivery', 'return', 'draw', 'weighing', 'count', 'found', 'scrap', 'write-off', 'cost')",
            name=op.f("ck_movement_kind_is_known"),
        ),
        sa.CheckConstraint(
            "kind NOT IN ('draw', 'return', 'scrap', 'write-off') OR coalesce(asked_mg, 0) < 0 OR coalesce(leaves_mg, 1) = 0",
            name=op.f("ck_movement_goes_out"),
        ),
        sa.CheckConstraint(
            "kind NOT IN ('opening', 'delivery', 'found') OR coalesce(asked_mg, 0) > 0",
            name=op.f("ck_movement_comes_in"),
        ),
        sa.CheckConstraint(
            "kind NOT IN ('weighing', 'count') OR leaves_mg IS NOT NULL", name=op.f("ck_movement_scale_gives_a_level")
        ),
        sa.CheckConstraint("spool_id IS NOT NULL OR kind = 'draw'", name=op.f("ck_movement_only_a_draw_lacks_a_reel")),
        sa.CheckConstraint(WholeNumber("asked_mg"), name=op.f("ck_movement_asked_mg_is_whole")),
        sa.CheckConstraint(WholeNumber("cost_minor"), name=op.f("ck_movement_cost_minor_is_whole")),
        sa.CheckConstraint(WholeNumber("gross_mg"), name=op.f("ck_movement_gross_mg_is_whole")),
        sa.CheckConstraint(WholeNumber("leaves_mg"), name=op.f("ck_movement_leaves_mg_is_whole")),
        sa.CheckConstraint(WholeNumber("tare_mg"), name=op.f("ck_movement_tare_mg_is_whole")),
        sa.CheckConstraint("(asked_mg IS NULL) <> (leaves_mg IS NULL)", name=op.f("ck_movement_amount_or_level")),
        sa.CheckConstraint("leaves_mg >= 0", name=op.f("ck_movement_level_is_not_negative")),
        sa.CheckConstraint("sign = 1 OR reverses_id IS NOT NULL", name=op.f("ck_movement_taking_back_names_what")),
        sa.CheckConstraint("sign IN (1, -1)", name=op.f("ck_movement_sign_is_sign")),
        sa.ForeignKeyConstraint(["act_id"], ["act.id"], name=op.f("fk_movement_act_id")),
        sa.ForeignKeyConstraint(["article_id"], ["article.id"], name=op.f("fk_movement_article_id")),
        sa.ForeignKeyConstraint(["feed_id"], ["feed.id"], name=op.f("fk_movement_feed_id")),
        sa.ForeignKeyConstraint(["job_id"], ["job.id"], name=op.f("fk_movement_job_id")),
        sa.ForeignKeyConstraint(["loading_id"], ["loading.id"], name=op.f("fk_movement_loading_id")),
        sa.ForeignKeyConstraint(["reverses_id"], ["movement.id"], name=op.f("fk_movement_reverses_id")),
        sa.ForeignKeyConstraint(["spool_id"], ["spool.id"], name=op.f("fk_movement_spool_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_movement")),
        sa.UniqueConstraint("reverses_id", name=op.f("uq_movement_reverses_id")),
    )
    op.create_index(op.f("ix_movement_act_id"), "movement", ["act_id"], unique=False)
    op.create_index(op.f("ix_movement_article_id"), "movement", ["article_id"], unique=False)
    op.create_index(op.f("ix_movement_feed_id"), "movement", ["feed_id"], unique=False)
    op.create_index(op.f("ix_movement_job_id"), "movement", ["job_id"], unique=False)
    op.create_index(op.f("ix_movement_loading_id"), "movement", ["loading_id"], unique=False)
    op.create_index(op.f("ix_movement_shop_day"), "movement", ["shop_day"], unique=False)
    op.create_index("ix_movement_spool_id_sort_key", "movement", ["spool_id", "sort_key"], unique=False)


def line() -> None:
    """Make the table line."""
    op.create_table(
        "line",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("movement_id", sa.Integer(), nullable=False),
        sa.Column("act_id", sa.Integer(), nullable=False),
        sa.Column("spool_id", sa.Integer(), nullable=False),
        sa.Column("kind", sa.String(), nullable=False),
        sa.Column("mg", sa.BigInteger(), nullable=False),
        sa.Column("value_minor", sa.BigInteger(), nullable=False),
        sa.Column("book_day", sa.Date(), nullable=False),
        sa.CheckConstraint(
            "kind IN ('opening', 'delivery', 'return', 'draw', 'weighing', 'count', 'found', 'scrap', 'write-off', 'cost')",
            name=op.f("ck_line_kind_is_known"),
        ),
        sa.CheckConstraint(WholeNumber("mg"), name=op.f("ck_line_mg_is_whole")),
        sa.CheckConstraint(WholeNumber("value_minor"), name=op.f("ck_line_value_minor_is_whole")),
        sa.CheckConstraint("mg <> 0 OR value_minor <> 0", name=op.f("ck_line_says_something")),
        sa.ForeignKeyConstraint(["act_id"], ["act.id"], name=op.f("fk_line_act_id")),
        sa.ForeignKeyConstraint(["movement_id"], ["movement.id"], name=op.f("fk_line_movement_id")),
        sa.ForeignKeyConstraint(["spool_id"], ["spool.id"], name=op.f("fk_line_spool_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_line")),
    )
    op.create_index(op.f("ix_line_act_id"), "line", ["act_id"], unique=False)
    op.create_index(op.f("ix_line_book_day"), "line", ["book_day"], unique=False)
    op.create_index(op.f("ix_line_movement_id"), "line", ["movement_id"], unique=False)
    op.create_index(op.f("ix_line_spool_id"), "line", ["spool_id"], unique=False)
