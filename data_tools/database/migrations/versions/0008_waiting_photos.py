"""Which couplers a waiting photo may show, and who set one aside or brought it back."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0008"
down_revision = "0007"
branch_labels = None
depends_on = None


def upgrade() -> None:
    with op.batch_alter_table("waiting_files", schema=None) as batch_op:
        batch_op.add_column(sa.Column("offered", sa.JSON(), nullable=True))
    kinds = ("set_aside", "brought_back")
    op.create_table(
        "waiting_events",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("waiting_id", sa.Integer(), nullable=False),
        sa.Column(
            "kind",
            sa.Enum(*kinds, name="kind", native_enum=False, create_constraint=True, length=40),
            nullable=False,
        ),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("done_by", sa.String(length=255), nullable=False),
        sa.Column("done_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(
            ["waiting_id"], ["waiting_files.id"], name=op.f("fk_waiting_events_waiting_id_waiting_files")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_waiting_events")),
    )
    with op.batch_alter_table("waiting_events", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_waiting_events_waiting_id"), ["waiting_id"], unique=False)


def downgrade() -> None:
    """Do nothing: dropping tables would lose what is only ever added to. To go back, restore a backup."""
