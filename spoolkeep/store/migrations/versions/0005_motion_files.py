"""Motion files as they were metered, and where a job that ended early stopped. Alembic runs it."""

import sqlalchemy as sa
from alembic import op

from spoolkeep.store.columns import WholeNumber

revision = "0005"
down_revision = "0004"


def upgrade() -> None:
    """Add the tables, and the columns of jobs.

    The columns are added as they are: a rebuild of the table would lose its checks on SQLite.
    """
    _motion_file()
    _add("job", "motion_file_id", "CONSTRAINT fk_job_motion_file_id_motion_file REFERENCES motion_file (id)")
    _add("job", "again_of_id", "CONSTRAINT fk_job_again_of_id_job REFERENCES job (id)")
    _add("job", "failed_from_ppm", _is_whole("job", "failed_from_ppm"))
    between = "failed_from_ppm <= failed_at_ppm AND failed_at_ppm <= failed_until_ppm"
    _add(
        "job",
        "failed_until_ppm",
        _is_whole("job", "failed_until_ppm"),
        f"CONSTRAINT ck_job_failed_between CHECK ({between})",
    )
    op.create_index(op.f("ix_job_motion_file_id"), "job", ["motion_file_id"])
    op.create_index(op.f("ix_job_again_of_id"), "job", ["again_of_id"])
    op.add_column("job_feed", sa.Column("tool", sa.Integer(), nullable=True))


def _add(table: str, column: str, *constraints: str) -> None:
    op.execute(f"ALTER TABLE {table} ADD COLUMN {column} INTEGER {' '.join(constraints)}")


def _is_whole(table: str, column: str) -> str:
    check = WholeNumber(column).compile(dialect=op.get_bind().dialect)
    return f"CONSTRAINT ck_{table}_{column}_is_whole CHECK ({check})"


def _motion_file() -> None:
    op.create_table(
        "motion_file",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("live", sa.Boolean(), server_default=sa.text("true"), nullable=False),
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("sha256", sa.String(), nullable=False),
        sa.Column("run", sa.Integer(), nullable=False),
        sa.Column("of", sa.Integer(), nullable=False),
        sa.Column("g90_governs_e", sa.Boolean(), nullable=False),
        sa.Column("lines", sa.BigInteger(), nullable=False),
        sa.Column("layers", sa.Integer(), nullable=False),
        sa.Column("seconds", sa.Integer(), nullable=True),
        sa.Column("seconds_from", sa.String(), nullable=True),
        sa.Column("course", sa.String(), nullable=False),
        sa.Column("notes", sa.String(), nullable=False),
        sa.CheckConstraint("seconds_from IN ('comment', 'moves')", name=op.f("ck_motion_file_seconds_from_is_known")),
        sa.CheckConstraint("run BETWEEN 1 AND of", name=op.f("ck_motion_file_run_of_several")),
        *(
            sa.CheckConstraint(WholeNumber(name), name=op.f(f"ck_motion_file_{name}_is_whole"))
            for name in ("lines", "layers", "seconds")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_motion_file")),
    )
    op.create_index(op.f("ix_motion_file_sha256"), "motion_file", ["sha256"])
    op.create_table(
        "motion_tool",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("live", sa.Boolean(), server_default=sa.text("true"), nullable=False),
        sa.Column("motion_file_id", sa.Integer(), nullable=False),
        sa.Column("tool", sa.Integer(), nullable=False),
        sa.Column("um", sa.BigInteger(), nullable=False),
        sa.CheckConstraint(WholeNumber("um"), name=op.f("ck_motion_tool_um_is_whole")),
        sa.ForeignKeyConstraint(
            ["motion_file_id"], ["motion_file.id"], name=op.f("fk_motion_tool_motion_file_id_motion_file")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_motion_tool")),
    )
    op.create_index(op.f("ix_motion_tool_motion_file_id"), "motion_tool", ["motion_file_id"])
    live = sa.text("live")
    op.create_index(
        "uq_motion_tool_live_motion_file_id_tool",
        "motion_tool",
        ["motion_file_id", "tool"],
        unique=True,
        sqlite_where=live,
        postgresql_where=live,
    )
