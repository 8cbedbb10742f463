"""The first shape of the money tables. Revision 0001 calls it; it never changes."""

import sqlalchemy as sa
from alembic import op

from spoolkeep.store.columns import Moment, WholeNumber


def channel() -> None:
    """Make the table channel."""
    op.create_table(
        "channel",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_channel")),
        sa.UniqueConstraint("name", name=op.f("uq_channel_name")),
    )


def workshop() -> None:
    """Make the table workshop."""
    op.create_table(
        "workshop",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("address", sa.String(), nullable=False),
        sa.Column("locale", sa.String(), nullable=False),
        sa.Column("currency", sa.String(), nullable=False),
        sa.Column("zone", sa.String(), nullable=False),
        sa.Column("day_starts_hour", sa.Integer(), nullable=False),
        sa.Column("opens_hour", sa.Integer(), nullable=False),
        sa.Column("closed_through", sa.Date(), nullable=True),
        sa.Column("review_days", sa.Integer(), nullable=False),
        sa.Column("cover_days", sa.Integer(), nullable=False),
        sa.Column("safety_days", sa.Integer(), nullable=False),
        sa.Column("lead_days", sa.Integer(), nullable=False),
        sa.Column("carry_ppm_a_year", sa.Integer(), nullable=False),
        sa.Column("share_low_bp", sa.Integer(), nullable=False),
        sa.Column("share_high_bp", sa.Integer(), nullable=False),
        sa.Column("minute_cost_minor", sa.Integer(), nullable=True),
        sa.Column("ready_at", Moment(), nullable=True),
        sa.CheckConstraint(
            "day_starts_hour BETWEEN 0 AND 23 AND opens_hour BETWEEN 0 AND 23",
            name=op.f("ck_workshop_day_starts_at_an_hour"),
        ),
        sa.CheckConstraint("id = 1", name=op.f("ck_workshop_is_the_only_one")),
        sa.CheckConstraint(
            "review_days >= 1 AND cover_days >= 1 AND safety_days >= 0 AND lead_days >= 0",
            name=op.f("ck_workshop_days_are_days"),
        ),
        sa.CheckConstraint(
            "share_low_bp >= 0 AND share_high_bp >= share_low_bp", name=op.f("ck_workshop_band_is_a_band")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_workshop")),
    )


def takings_day() -> None:
    """Make the table takings_day."""
    op.create_table(
        "takings_day",
        sa.Column("shop_day", sa.Date(), nullable=False),
        sa.Column("book_day", sa.Date(), nullable=False),
        sa.Column("channel_id", sa.Integer(), nullable=False),
        sa.Column("kind", sa.String(), nullable=False),
        sa.Column("amount_minor", sa.BigInteger(), nullable=False),
        sa.CheckConstraint(WholeNumber("amount_minor"), name=op.f("ck_takings_day_amount_minor_is_whole")),
        sa.ForeignKeyConstraint(["channel_id"], ["channel.id"], name=op.f("fk_takings_day_channel_id")),
        sa.PrimaryKeyConstraint("shop_day", "book_day", "channel_id", "kind", name=op.f("pk_takings_day")),
    )


def import_row() -> None:
    """Make the table import_row."""
    op.create_table(
        "import_row",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("live", sa.Boolean(), server_default=sa.text("true"), nullable=False),
        sa.Column("act_id", sa.Integer(), nullable=False),
        sa.Column("sheet", sa.String(), nullable=False),
        sa.Column("source", sa.String(), nullable=False),
        sa.Column("key", sa.String(), nullable=False),
        sa.Column("digest", sa.String(), nullable=False),
        sa.Column("line", sa.Integer(), nullable=False),
        sa.Column("booked_at", Moment(), nullable=True),
        sa.ForeignKeyConstraint(["act_id"], ["act.id"], name=op.f("fk_import_row_act_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_import_row")),
        sa.UniqueConstraint("act_id", "sheet", "key", name=op.f("uq_import_row_act_id_sheet_key")),
    )
    op.create_index(op.f("ix_import_row_act_id"), "import_row", ["act_id"], unique=False)
    op.create_index(
        "uq_import_row_booked_once",
        "import_row",
        ["sheet", "source", "key"],
        unique=True,
        sqlite_where=sa.text("live"),
        postgresql_where=sa.text("live"),
    )


def takings_line() -> None:
    """Make the table takings_line."""
    op.create_table(
        "takings_line",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("act_id", sa.Integer(), nullable=False),
        sa.Column("channel_id", sa.Integer(), nullable=False),
        sa.Column("shop_day", sa.Date(), nullable=False),
        sa.Column("book_day", sa.Date(), nullable=False),
        sa.Column("kind", sa.String(), nullable=False),
        sa.Column("amount_minor", sa.BigInteger(), nullable=False),
        sa.Column("currency", sa.String(), nullable=False),
        sa.Column("rate_ppm", sa.Integer(), nullable=False),
        sa.Column("reverses_id", sa.Integer(), nullable=True),
        sa.CheckConstraint("kind IN ('sale', 'refund', 'fee')", name=op.f("ck_takings_line_kind_is_known")),
        sa.CheckConstraint(WholeNumber("amount_minor"), name=op.f("ck_takings_line_amount_minor_is_whole")),
        sa.CheckConstraint(WholeNumber("rate_ppm"), name=op.f("ck_takings_line_rate_ppm_is_whole")),
        sa.ForeignKeyConstraint(["act_id"], ["act.id"], name=op.f("fk_takings_line_act_id")),
        sa.ForeignKeyConstraint(["channel_id"], ["channel.id"], name=op.f("fk_takings_line_channel_id")),
        sa.ForeignKeyConstraint(["reverses_id"], ["takings_line.id"], name=op.f("fk_takings_line_reverses_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_takings_line")),
        sa.UniqueConstraint("reverses_id", name=op.f("uq_takings_line_reverses_id")),
    )
    op.create_index(op.f("ix_takings_line_act_id"), "takings_line", ["act_id"], unique=False)
    op.create_index(op.f("ix_takings_line_channel_id"), "takings_line", ["channel_id"], unique=False)
    op.create_index(op.f("ix_takings_line_shop_day"), "takings_line", ["shop_day"], unique=False)
    op.create_index(op.f("ix_takings_line_book_day"), "takings_line", ["book_day"], unique=False)
