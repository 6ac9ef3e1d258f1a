"""Sites, units, couplers, rounds, photos, and the files that wait or were rejected."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None


def upgrade() -> None:
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


def downgrade() -> None:
    """Do nothing: dropping tables would lose what is only ever added to. To go back, restore a backup."""
