"""Unsure photos that are no more suspicious than one that a technician has ruled on, and the rule of that;
those of which a part is not in view.

``photo_states`` is derived: it is made anew, and ``states.fold_missing`` fills it in the same transaction."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0010"
down_revision = "0009"
branch_labels = None
depends_on = None

_STANDS = (
    "damaged", "disputed", "suspected", "doubted", "not_told", "in_part", "as_before", "seen_intact",
    "clear",
)  # fmt: skip
_REASONS = (
    "unreadable_file", "no_coupler_face", "more_than_one_face", "part_out_of_frame", "too_blurred",
    "too_dark", "too_bright", "too_small", "hidden",
)  # fmt: skip
_TRIAGES = ("clear", "flag", "unsure")


def upgrade() -> None:
    op.create_table(
        "folding",
        sa.Column("id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("rule", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_folding")),
    )
    op.drop_table("photo_states")
    op.create_table(
        "photo_states",
        sa.Column("photo_id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("verdict_id", sa.Integer(), nullable=False),
        sa.Column("decision_id", sa.Integer(), nullable=True),
        sa.Column("stand", _words("stand", *_STANDS), nullable=False),
        sa.Column("queued", sa.Boolean(), nullable=False),
        sa.Column("conflict", sa.Boolean(), nullable=False),
        sa.Column("second_opinion", sa.Boolean(), nullable=False),
        sa.Column("judged", sa.Boolean(), nullable=False),
        sa.Column("reason", _words("reason", *_REASONS), nullable=True),
        sa.Column("triage", _words("triage", *_TRIAGES), nullable=True),
        sa.Column("missing_latch", sa.Boolean(), nullable=False),
        sa.Column("broken_pin_housing", sa.Boolean(), nullable=False),
        sa.Column("heat_melted_housing", sa.Boolean(), nullable=False),
        sa.Column("findings", sa.JSON(), nullable=False),
        sa.Column("before", sa.JSON(), nullable=False),
        sa.Column("unseen", sa.JSON(), nullable=False),
        sa.ForeignKeyConstraint(
            ["decision_id"], ["decisions.id"], name=op.f("fk_photo_states_decision_id_decisions")
        ),
        sa.ForeignKeyConstraint(["photo_id"], ["photos.id"], name=op.f("fk_photo_states_photo_id_photos")),
        sa.ForeignKeyConstraint(
            ["verdict_id"], ["verdicts.id"], name=op.f("fk_photo_states_verdict_id_verdicts")
        ),
        sa.PrimaryKeyConstraint("photo_id", name=op.f("pk_photo_states")),
    )
    with op.batch_alter_table("photo_states", schema=None) as batch_op:
        batch_op.create_index(
            batch_op.f("ix_photo_states_queued_photo_id"), ["queued", "photo_id"], unique=False
        )


def _words(name: str, *values: str) -> sa.Enum:
    return sa.Enum(*values, name=name, native_enum=False, create_constraint=True, length=40)


def downgrade() -> None:
    """Do nothing: dropping tables would lose what is only ever added to. To go back, restore a backup."""
