"""Verdicts, decisions, and what stands for each photo."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "verdicts",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("photo_id", sa.Integer(), nullable=False),
        sa.Column("made_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("model_version", sa.String(length=255), nullable=False),
        sa.Column(
            "outcome",
            sa.Enum(
                "scored", "cannot_judge", name="outcome", native_enum=False, create_constraint=True, length=40
            ),
            nullable=False,
        ),
        sa.Column(
            "reason",
            sa.Enum(
                "unreadable_file",
                "no_coupler_face",
                "more_than_one_face",
                "part_out_of_frame",
                "too_blurred",
                "too_dark",
                "too_bright",
                "too_small",
                "hidden",
                name="reason",
                native_enum=False,
                create_constraint=True,
                length=40,
            ),
            nullable=True,
        ),
        sa.Column(
            "triage",
            sa.Enum(
                "clear", "flag", "unsure", name="triage", native_enum=False, create_constraint=True, length=40
            ),
            nullable=True,
        ),
        sa.Column("p_missing_latch", sa.Float(), nullable=True),
        sa.Column("p_broken_pin_housing", sa.Float(), nullable=True),
        sa.Column("p_heat_melted_housing", sa.Float(), nullable=True),
        sa.Column("judgement", sa.JSON(), nullable=False),
        sa.ForeignKeyConstraint(["photo_id"], ["photos.id"], name=op.f("fk_verdicts_photo_id_photos")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_verdicts")),
    )
    with op.batch_alter_table("verdicts", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_verdicts_model_version"), ["model_version"], unique=False)
        batch_op.create_index(batch_op.f("ix_verdicts_photo_id"), ["photo_id"], unique=False)

    op.create_table(
        "decisions",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("photo_id", sa.Integer(), nullable=False),
        sa.Column("verdict_id", sa.Integer(), nullable=False),
        sa.Column(
            "kind",
            sa.Enum(
                "confirmed",
                "corrected",
                "cannot_tell",
                "second_opinion_asked",
                "withdrawn",
                name="kind",
                native_enum=False,
                create_constraint=True,
                length=40,
            ),
            nullable=False,
        ),
        sa.Column("judged", sa.Boolean(), nullable=False),
        sa.Column("findings", sa.JSON(), nullable=False),
        sa.Column("decided_by", sa.String(length=255), nullable=False),
        sa.Column("decided_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("seconds", sa.Float(), nullable=True),
        sa.Column("comment", sa.Text(), nullable=False),
        sa.Column("evidence_shown", sa.Boolean(), nullable=False),
        sa.Column("withdraws_id", sa.Integer(), nullable=True),
        sa.ForeignKeyConstraint(["photo_id"], ["photos.id"], name=op.f("fk_decisions_photo_id_photos")),
        sa.ForeignKeyConstraint(
            ["verdict_id"], ["verdicts.id"], name=op.f("fk_decisions_verdict_id_verdicts")
        ),
        sa.ForeignKeyConstraint(
            ["withdraws_id"], ["decisions.id"], name=op.f("fk_decisions_withdraws_id_decisions")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_decisions")),
        sa.UniqueConstraint("withdraws_id", name=op.f("uq_decisions_withdraws_id")),
    )
    with op.batch_alter_table("decisions", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_decisions_decided_at"), ["decided_at"], unique=False)
        batch_op.create_index(batch_op.f("ix_decisions_photo_id"), ["photo_id"], unique=False)

    op.create_table(
        "photo_states",
        sa.Column("photo_id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("verdict_id", sa.Integer(), nullable=False),
        sa.Column("decision_id", sa.Integer(), nullable=True),
        sa.Column("queued", sa.Boolean(), nullable=False),
        sa.Column("conflict", sa.Boolean(), nullable=False),
        sa.Column("second_opinion", sa.Boolean(), nullable=False),
        sa.Column("judged", sa.Boolean(), nullable=False),
        sa.Column(
            "reason",
            sa.Enum(
                "unreadable_file",
                "no_coupler_face",
                "more_than_one_face",
                "part_out_of_frame",
                "too_blurred",
                "too_dark",
                "too_bright",
                "too_small",
                "hidden",
                name="reason",
                native_enum=False,
                create_constraint=True,
                length=40,
            ),
            nullable=True,
        ),
        sa.Column(
            "triage",
            sa.Enum(
                "clear", "flag", "unsure", name="triage", native_enum=False, create_constraint=True, length=40
            ),
            nullable=True,
        ),
        sa.Column("missing_latch", sa.Boolean(), nullable=False),
        sa.Column("broken_pin_housing", sa.Boolean(), nullable=False),
        sa.Column("heat_melted_housing", sa.Boolean(), nullable=False),
        sa.Column("findings", sa.JSON(), nullable=False),
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


def downgrade() -> None:
    """Do nothing: dropping tables would lose what is only ever added to. To go back, restore a backup."""
