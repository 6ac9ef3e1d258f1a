"""What was done to units, model versions, and long work."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "jobs",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("kind", sa.String(length=40), nullable=False),
        sa.Column("started_by", sa.String(length=255), nullable=False),
        sa.Column("started_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("beat_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("stage", sa.String(length=255), nullable=False),
        sa.Column("progress", sa.Float(), nullable=False),
        sa.Column("stop_asked", sa.Boolean(), nullable=False),
        sa.Column("finished_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("message", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_jobs")),
    )
    op.create_table(
        "model_versions",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("version", sa.String(length=255), nullable=False),
        sa.Column("path", sa.String(length=255), nullable=False),
        sa.Column("digest", sa.String(length=64), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column("metrics", sa.JSON(), nullable=False),
        sa.Column("training_set", sa.String(length=64), nullable=False),
        sa.Column("registered_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("registered_by", sa.String(length=255), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_model_versions")),
        sa.UniqueConstraint("version", name=op.f("uq_model_versions_version")),
    )
    op.create_table(
        "live_model",
        sa.Column("id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("version_id", sa.Integer(), nullable=True),
        sa.Column("moved_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(
            ["version_id"], ["model_versions.id"], name=op.f("fk_live_model_version_id_model_versions")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_live_model")),
    )
    op.create_table(
        "model_events",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("version_id", sa.Integer(), nullable=True),
        sa.Column(
            "kind",
            sa.Enum(
                "registered",
                "promoted",
                "held",
                "went_back",
                name="kind",
                native_enum=False,
                create_constraint=True,
                length=40,
            ),
            nullable=False,
        ),
        sa.Column("why", sa.Text(), nullable=False),
        sa.Column("done_by", sa.String(length=255), nullable=False),
        sa.Column("done_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(
            ["version_id"], ["model_versions.id"], name=op.f("fk_model_events_version_id_model_versions")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_model_events")),
    )
    op.create_table(
        "condition_events",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("unit_id", sa.Integer(), nullable=False),
        sa.Column("coupler_id", sa.Integer(), nullable=True),
        sa.Column("new_coupler_id", sa.Integer(), nullable=True),
        sa.Column(
            "kind",
            sa.Enum(
                "out_of_service",
                "replaced",
                "returned_to_service",
                "observed",
                name="kind",
                native_enum=False,
                create_constraint=True,
                length=40,
            ),
            nullable=False,
        ),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("done_by", sa.String(length=255), nullable=False),
        sa.Column("done_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(
            ["coupler_id"], ["couplers.id"], name=op.f("fk_condition_events_coupler_id_couplers")
        ),
        sa.ForeignKeyConstraint(
            ["new_coupler_id"], ["couplers.id"], name=op.f("fk_condition_events_new_coupler_id_couplers")
        ),
        sa.ForeignKeyConstraint(["unit_id"], ["units.id"], name=op.f("fk_condition_events_unit_id_units")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_condition_events")),
    )
    with op.batch_alter_table("condition_events", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_condition_events_unit_id"), ["unit_id"], unique=False)

    op.create_table(
        "observations",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("unit_id", sa.Integer(), nullable=False),
        sa.Column("coupler_id", sa.Integer(), nullable=True),
        sa.Column(
            "what",
            sa.Enum(
                "release_button_sticks",
                "cable_cut_or_frayed",
                "debris_in_face",
                "indicator_shows_fault",
                "other",
                name="what",
                native_enum=False,
                create_constraint=True,
                length=40,
            ),
            nullable=False,
        ),
        sa.Column("blinks", sa.Integer(), nullable=True),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column("done_by", sa.String(length=255), nullable=False),
        sa.Column("done_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(
            ["coupler_id"], ["couplers.id"], name=op.f("fk_observations_coupler_id_couplers")
        ),
        sa.ForeignKeyConstraint(["unit_id"], ["units.id"], name=op.f("fk_observations_unit_id_units")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_observations")),
    )
    with op.batch_alter_table("observations", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_observations_unit_id"), ["unit_id"], unique=False)


def downgrade() -> None:
    """Do nothing: dropping tables would lose what is only ever added to. To go back, restore a backup."""
