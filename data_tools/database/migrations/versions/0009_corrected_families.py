"""Events that correct the family a coupler was entered with."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0009"
down_revision = "0008"
branch_labels = None
depends_on = None

_KINDS = ("out_of_service", "replaced", "returned_to_service", "observed", "photo_refiled")


def upgrade() -> None:
    with op.batch_alter_table("condition_events", schema=None) as batch_op:
        batch_op.alter_column(
            "kind", existing_type=_words(*_KINDS), type_=_words(*_KINDS, "family_corrected"), nullable=False
        )


def _words(*values: str) -> sa.Enum:
    return sa.Enum(*values, name="kind", native_enum=False, create_constraint=True, length=40)


def downgrade() -> None:
    """Do nothing: dropping tables would lose what is only ever added to. To go back, restore a backup."""
