"""Whether a person said the day by which an order is needed. Alembic runs it."""

from alembic import op

revision = "0013"
down_revision = "0012"


def upgrade() -> None:
    """Add the column as it is (see revision 0005); the days that stand came from the plan."""
    op.execute('ALTER TABLE "order" ADD COLUMN needed_said BOOLEAN DEFAULT false NOT NULL')
