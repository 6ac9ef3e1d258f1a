"""First tables. Written by Alembic from the schema; never edited after a release."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
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
        "rejected_files",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("sha256", sa.String(length=64), nullable=False),
        sa.Column("file_name", sa.String(length=255), nullable=False),
        sa.Column("received_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("received_by", sa.String(length=255), nullable=False),
        sa.Column("why", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_rejected_files")),
        sa.UniqueConstraint("sha256", name=op.f("uq_rejected_files_sha256")),
    )
    op.create_table(
        "sites",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("key", sa.String(length=255), nullable=False),
        sa.Column("name", sa.String(length=255), nullable=False),
        sa.Column("timezone", sa.String(length=255), nullable=False),
        sa.Column("added_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("added_by", sa.String(length=255), nullable=False),
        sa.Column("closed_at", sa.DateTime(timezone=True), nullable=True),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_sites")),
        sa.UniqueConstraint("key", name=op.f("uq_sites_key")),
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
        "rounds",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("site_id", sa.Integer(), nullable=False),
        sa.Column("iso_year", sa.Integer(), nullable=False),
        sa.Column("iso_week", sa.Integer(), nullable=False),
        sa.Column("opened_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("opened_by", sa.String(length=255), nullable=False),
        sa.ForeignKeyConstraint(["site_id"], ["sites.id"], name=op.f("fk_rounds_site_id_sites")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_rounds")),
        sa.UniqueConstraint(
            "site_id", "iso_year", "iso_week", name=op.f("uq_rounds_site_id_iso_year_iso_week")
        ),
    )
    op.create_table(
        "units",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("site_id", sa.Integer(), nullable=False),
        sa.Column("key", sa.String(length=255), nullable=False),
        sa.Column("name", sa.String(length=255), nullable=False),
        sa.Column(
            "status",
            sa.Enum(
                "in service",
                "out of service",
                name="status",
                native_enum=False,
                create_constraint=True,
                length=40,
            ),
            nullable=False,
        ),
        sa.Column("added_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("added_by", sa.String(length=255), nullable=False),
        sa.ForeignKeyConstraint(["site_id"], ["sites.id"], name=op.f("fk_units_site_id_sites")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_units")),
        sa.UniqueConstraint("key", name=op.f("uq_units_key")),
    )
    with op.batch_alter_table("units", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_units_site_id"), ["site_id"], unique=False)

    op.create_table(
        "couplers",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("unit_id", sa.Integer(), nullable=False),
        sa.Column("position", sa.String(length=40), nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("family", sa.String(length=40), nullable=False),
        sa.Column("part_number", sa.String(length=255), nullable=False),
        sa.Column("installed_on", sa.Date(), nullable=False),
        sa.Column("removed_on", sa.Date(), nullable=True),
        sa.Column("put_on_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["unit_id"], ["units.id"], name=op.f("fk_couplers_unit_id_units")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_couplers")),
        sa.UniqueConstraint(
            "unit_id", "position", "number", name=op.f("uq_couplers_unit_id_position_number")
        ),
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

    op.create_table(
        "photos",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("sha256", sa.String(length=64), nullable=False),
        sa.Column("file_name", sa.String(length=255), nullable=False),
        sa.Column("coupler_id", sa.Integer(), nullable=False),
        sa.Column("round_id", sa.Integer(), nullable=False),
        sa.Column("taken_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("received_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("seen_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("received_by", sa.String(length=255), nullable=False),
        sa.Column("width", sa.Integer(), nullable=False),
        sa.Column("height", sa.Integer(), nullable=False),
        sa.Column("camera", sa.String(length=255), nullable=False),
        sa.Column("blind_audit", sa.Boolean(), nullable=False),
        sa.ForeignKeyConstraint(["coupler_id"], ["couplers.id"], name=op.f("fk_photos_coupler_id_couplers")),
        sa.ForeignKeyConstraint(["round_id"], ["rounds.id"], name=op.f("fk_photos_round_id_rounds")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_photos")),
        sa.UniqueConstraint("sha256", name=op.f("uq_photos_sha256")),
    )
    with op.batch_alter_table("photos", schema=None) as batch_op:
        batch_op.create_index(
            batch_op.f("ix_photos_coupler_id_seen_at"), ["coupler_id", "seen_at"], unique=False
        )
        batch_op.create_index(batch_op.f("ix_photos_round_id"), ["round_id"], unique=False)
        batch_op.create_index(batch_op.f("ix_photos_seen_at"), ["seen_at"], unique=False)

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
        "waiting_files",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("sha256", sa.String(length=64), nullable=False),
        sa.Column("file_name", sa.String(length=255), nullable=False),
        sa.Column("site_id", sa.Integer(), nullable=True),
        sa.Column("received_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("received_by", sa.String(length=255), nullable=False),
        sa.Column("why", sa.Text(), nullable=False),
        sa.Column("settled_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("settled_by", sa.String(length=255), nullable=True),
        sa.Column("photo_id", sa.Integer(), nullable=True),
        sa.ForeignKeyConstraint(["photo_id"], ["photos.id"], name=op.f("fk_waiting_files_photo_id_photos")),
        sa.ForeignKeyConstraint(["site_id"], ["sites.id"], name=op.f("fk_waiting_files_site_id_sites")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_waiting_files")),
        sa.UniqueConstraint("sha256", name=op.f("uq_waiting_files_sha256")),
    )
    with op.batch_alter_table("waiting_files", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_waiting_files_settled_at"), ["settled_at"], unique=False)

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
    """Take back is by restoring a backup: dropping tables would lose what is only ever added to."""
