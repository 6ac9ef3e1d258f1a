"""Photos that a person filed under another coupler: events that name the photo."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0006"
down_revision = "0005"
branch_labels = None
depends_on = None

_KINDS = ("out_of_service", "replaced", "returned_to_service", "observed")


def upgrade() -> None:
    with op.batch_alter_table("condition_events", schema=None) as batch_op:
        batch_op.add_column(sa.Column("photo_id", sa.Integer(), nullable=True))
        batch_op.create_foreign_key(
            batch_op.f("fk_condition_events_photo_id_photos"), "photos", ["photo_id"], ["id"]
        )
        batch_op.create_index(batch_op.f("ix_condition_events_photo_id"), ["photo_id"], unique=False)
        batch_op.alter_column(
            "kind", existing_type=_words(*_KINDS), type_=_words(*_KINDS, "photo_refiled"), nullable=False
        )


def _words(*values: str) -> sa.Enum:
    return sa.Enum(*values, name="kind", native_enum=False, create_constraint=True, length=40)


def downgrade() -> None:
    """Do nothing: dropping tables would lose what is only ever added to. To go back, restore a backup."""
