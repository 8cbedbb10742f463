"""How long spools have been in the air or in a dryer, feeds that are kept dry, and materials that are entered.

Alembic runs it.
"""

import sqlalchemy as sa
from alembic import op

from spoolkeep.store.columns import Moment

revision = "0015"
down_revision = "0014"


def upgrade() -> None:
    """Add the columns as they are (see revision 0005). Of what stands nobody knows the hours: days go on counting."""
    op.add_column("spool", sa.Column("air_from", Moment(), nullable=True))
    op.add_column("spool", sa.Column("air_s", sa.Integer(), nullable=True))
    op.add_column("spool", sa.Column("dryer_from", Moment(), nullable=True))
    op.execute("ALTER TABLE feed ADD COLUMN keeps_dry BOOLEAN DEFAULT false NOT NULL")
    op.execute("ALTER TABLE material ADD COLUMN live BOOLEAN DEFAULT true NOT NULL")
