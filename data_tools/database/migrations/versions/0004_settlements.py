"""How observations were settled."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "settlements",
        sa.Column("observation_id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("how", sa.Text(), nullable=False),
        sa.Column("done_by", sa.String(length=255), nullable=False),
        sa.Column("done_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(
            ["observation_id"],
            ["observations.id"],
            name=op.f("fk_settlements_observation_id_observations"),
        ),
        sa.PrimaryKeyConstraint("observation_id", name=op.f("pk_settlements")),
    )


def downgrade() -> None:
    """Do nothing: dropping tables would lose what is only ever added to. To go back, restore a backup."""
