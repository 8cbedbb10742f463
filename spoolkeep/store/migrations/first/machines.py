"""The first shape of the machines tables. Revision 0001 calls it; it never changes."""

import sqlalchemy as sa
from alembic import op

from spoolkeep.store.columns import Moment, WholeNumber


def machine() -> None:
    """Make the table machine."""
    op.create_table(
        "machine",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("live", sa.Boolean(), server_default=sa.text("true"), nullable=False),
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("site_id", sa.Integer(), nullable=False),
        sa.Column("kind", sa.String(), nullable=False),
        sa.Column("largest_reel_mm", sa.Integer(), nullable=True),
        sa.Column("enclosed", sa.Boolean(), nullable=False),
        sa.Column("hardened_nozzle", sa.Boolean(), nullable=False),
        sa.Column("runout_sensor", sa.Boolean(), nullable=False),
        sa.Column("cardboard_reels", sa.Boolean(), nullable=False),
        sa.Column("g90_governs_e", sa.Boolean(), nullable=False),
        sa.Column("earns_minor_per_hour", sa.BigInteger(), nullable=True),
        sa.Column("retired", sa.Boolean(), nullable=False),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_machine_site_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_machine")),
    )
    op.create_index(op.f("ix_machine_site_id"), "machine", ["site_id"], unique=False)
    op.create_index(
        "uq_machine_live_name",
        "machine",
        ["name"],
        unique=True,
        sqlite_where=sa.text("live"),
        postgresql_where=sa.text("live"),
    )


def feed() -> None:
    """Make the table feed."""
    op.create_table(
        "feed",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("live", sa.Boolean(), server_default=sa.text("true"), nullable=False),
        sa.Column("serial", sa.Integer(), nullable=False),
        sa.Column("machine_id", sa.Integer(), nullable=False),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.CheckConstraint("position >= 1", name=op.f("ck_feed_position_counts")),
        sa.ForeignKeyConstraint(["machine_id"], ["machine.id"], name=op.f("fk_feed_machine_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_feed")),
        sa.UniqueConstraint("serial", name=op.f("uq_feed_serial")),
    )
    op.create_index(op.f("ix_feed_machine_id"), "feed", ["machine_id"], unique=False)
    op.create_index(
        "uq_feed_live_machine_id_position",
        "feed",
        ["machine_id", "position"],
        unique=True,
        sqlite_where=sa.text("live"),
        postgresql_where=sa.text("live"),
    )


def job() -> None:
    """Make the table job."""
    op.create_table(
        "job",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("live", sa.Boolean(), server_default=sa.text("true"), nullable=False),
        sa.Column("serial", sa.Integer(), nullable=True),
        sa.Column("title", sa.String(), nullable=False),
        sa.Column("machine_id", sa.Integer(), nullable=True),
        sa.Column("product_id", sa.Integer(), nullable=True),
        sa.Column("purpose", sa.String(), nullable=False),
        sa.Column("state", sa.String(), nullable=False),
        sa.Column("outcome", sa.String(), nullable=True),
        sa.Column("due_at", Moment(), nullable=True),
        sa.Column("planned_at", Moment(), nullable=True),
        sa.Column("duration_s", sa.Integer(), nullable=True),
        sa.Column("started_at", Moment(), nullable=True),
        sa.Column("ended_at", Moment(), nullable=True),
        sa.Column("failed_at_ppm", sa.Integer(), nullable=True),
        sa.Column("outside_id", sa.String(), nullable=True),
        sa.CheckConstraint("(state = 'ended') = (outcome IS NOT NULL)", name=op.f("ck_job_ended_has_an_outcome")),
        sa.CheckConstraint("outcome IN ('good', 'failed', 'stopped')", name=op.f("ck_job_outcome_is_known")),
        sa.CheckConstraint(
            "purpose IN ('sold', 'stock', 'sample', 'gift', 'test', 'remake', 'own use')",
            name=op.f("ck_job_purpose_is_known"),
        ),
        sa.CheckConstraint("state <> 'ended' OR ended_at IS NOT NULL", name=op.f("ck_job_ended_has_a_moment")),
        sa.CheckConstraint("state IN ('planned', 'running', 'ended')", name=op.f("ck_job_state_is_known")),
        sa.CheckConstraint(WholeNumber("duration_s"), name=op.f("ck_job_duration_s_is_whole")),
        sa.CheckConstraint(WholeNumber("failed_at_ppm"), name=op.f("ck_job_failed_at_ppm_is_whole")),
        sa.ForeignKeyConstraint(["machine_id"], ["machine.id"], name=op.f("fk_job_machine_id")),
        sa.ForeignKeyConstraint(["product_id"], ["product.id"], name=op.f("fk_job_product_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_job")),
        sa.UniqueConstraint("serial", name=op.f("uq_job_serial")),
    )
    op.create_index("ix_job_ended_at", "job", ["ended_at"], unique=False)
    op.create_index(op.f("ix_job_machine_id"), "job", ["machine_id"], unique=False)
    op.create_index(op.f("ix_job_product_id"), "job", ["product_id"], unique=False)
    op.create_index("ix_job_state", "job", ["state"], unique=False)


def job_feed() -> None:
    """Make the table job_feed."""
    op.create_table(
        "job_feed",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("live", sa.Boolean(), server_default=sa.text("true"), nullable=False),
        sa.Column("job_id", sa.Integer(), nullable=False),
        sa.Column("feed_id", sa.Integer(), nullable=True),
        sa.Column("article_id", sa.Integer(), nullable=True),
        sa.Column("cause", sa.String(), nullable=False),
        sa.Column("needs_mg", sa.Integer(), nullable=False),
        sa.Column("one_lot", sa.Boolean(), nullable=False),
        sa.CheckConstraint("cause IN ('good', 'failed', 'purge', 'prime')", name=op.f("ck_job_feed_cause_is_known")),
        sa.CheckConstraint(WholeNumber("needs_mg"), name=op.f("ck_job_feed_needs_mg_is_whole")),
        sa.CheckConstraint("needs_mg > 0", name=op.f("ck_job_feed_weighs_something")),
        sa.ForeignKeyConstraint(["article_id"], ["article.id"], name=op.f("fk_job_feed_article_id")),
        sa.ForeignKeyConstraint(["feed_id"], ["feed.id"], name=op.f("fk_job_feed_feed_id")),
        sa.ForeignKeyConstraint(["job_id"], ["job.id"], name=op.f("fk_job_feed_job_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_job_feed")),
    )
    op.create_index(op.f("ix_job_feed_article_id"), "job_feed", ["article_id"], unique=False)
    op.create_index(op.f("ix_job_feed_feed_id"), "job_feed", ["feed_id"], unique=False)
    op.create_index(op.f("ix_job_feed_job_id"), "job_feed", ["job_id"], unique=False)


def stop() -> None:
    """Make the table stop."""
    op.create_table(
        "stop",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("live", sa.Boolean(), server_default=sa.text("true"), nullable=False),
        sa.Column("machine_id", sa.Integer(), nullable=False),
        sa.Column("article_id", sa.Integer(), nullable=True),
        sa.Column("job_id", sa.Integer(), nullable=True),
        sa.Column("from_at", Moment(), nullable=False),
        sa.Column("until_at", Moment(), nullable=True),
        sa.Column("why", sa.String(), nullable=False),
        sa.ForeignKeyConstraint(["article_id"], ["article.id"], name=op.f("fk_stop_article_id")),
        sa.ForeignKeyConstraint(["job_id"], ["job.id"], name=op.f("fk_stop_job_id")),
        sa.ForeignKeyConstraint(["machine_id"], ["machine.id"], name=op.f("fk_stop_machine_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_stop")),
    )
    op.create_index(op.f("ix_stop_article_id"), "stop", ["article_id"], unique=False)
    op.create_index(op.f("ix_stop_job_id"), "stop", ["job_id"], unique=False)
    op.create_index(op.f("ix_stop_machine_id"), "stop", ["machine_id"], unique=False)


def loading() -> None:
    """Make the table loading."""
    op.create_table(
        "loading",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("live", sa.Boolean(), server_default=sa.text("true"), nullable=False),
        sa.Column("spool_id", sa.Integer(), nullable=False),
        sa.Column("feed_id", sa.Integer(), nullable=False),
        sa.Column("from_at", Moment(), nullable=False),
        sa.Column("until_at", Moment(), nullable=True),
        sa.Column("standby", sa.Boolean(), nullable=False),
        sa.CheckConstraint("until_at IS NULL OR until_at >= from_at", name=op.f("ck_loading_ends_after_it_begins")),
        sa.ForeignKeyConstraint(["feed_id"], ["feed.id"], name=op.f("fk_loading_feed_id")),
        sa.ForeignKeyConstraint(["spool_id"], ["spool.id"], name=op.f("fk_loading_spool_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_loading")),
    )
    op.create_index(op.f("ix_loading_feed_id"), "loading", ["feed_id"], unique=False)
    op.create_index(op.f("ix_loading_spool_id"), "loading", ["spool_id"], unique=False)
    op.create_index(
        "uq_loading_feed_in_use",
        "loading",
        ["feed_id"],
        unique=True,
        sqlite_where=sa.text("live AND until_at IS NULL AND NOT standby"),
        postgresql_where=sa.text("live AND until_at IS NULL AND NOT standby"),
    )
    op.create_index(
        "uq_loading_spool_on_one_feed",
        "loading",
        ["spool_id"],
        unique=True,
        sqlite_where=sa.text("live AND until_at IS NULL"),
        postgresql_where=sa.text("live AND until_at IS NULL"),
    )
