"""Which couplers a waiting photo may show."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0007"
down_revision = "0006"
branch_labels = None
depends_on = None


def upgrade() -> None:
    with op.batch_alter_table("waiting_files", schema=None) as batch_op:
        batch_op.add_column(sa.Column("offered", sa.JSON(), nullable=True))


def downgrade() -> None:
    """Do nothing: dropping tables would lose what is only ever added to. To go back, restore a backup."""
