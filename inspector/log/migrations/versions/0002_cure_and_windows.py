"""How pours cured, what windows are to meet and how they changed, and defects noted without a photo."""

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "temperature_record",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("pour_id", sa.Integer(), nullable=False),
        sa.Column("constant_degc", sa.Double(), nullable=True),
        sa.Column("source", sa.String(), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("withdrawn_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("withdrawn_why", sa.Text(), nullable=True),
        sa.ForeignKeyConstraint(["pour_id"], ["pour.id"], name=op.f("fk_temperature_record_pour_id_pour")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_temperature_record")),
    )
    op.create_index(op.f("ix_temperature_record_pour_id"), "temperature_record", ["pour_id"], unique=False)
    op.create_table(
        "temperature_reading",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("record_id", sa.Integer(), nullable=False),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("offset_min", sa.SmallInteger(), nullable=False),
        sa.Column("temperature_degc", sa.Double(), nullable=False),
        sa.ForeignKeyConstraint(
            ["record_id"], ["temperature_record.id"], name=op.f("fk_temperature_reading_record_id_temperature_record")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_temperature_reading")),
    )
    op.create_index(op.f("ix_temperature_reading_record_id"), "temperature_reading", ["record_id"], unique=False)
    op.create_table(
        "expected_temperature",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("temperature_degc", sa.Double(), nullable=False),
        sa.Column("from_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("from_offset_min", sa.SmallInteger(), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_expected_temperature")),
    )
    op.create_table(
        "wet_cure",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("pour_id", sa.Integer(), nullable=True),
        sa.Column("piece_id", sa.Integer(), nullable=True),
        sa.Column("until_h", sa.Double(), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.CheckConstraint("(pour_id IS NULL) <> (piece_id IS NULL)", name=op.f("ck_wet_cure_pour_or_piece")),
        sa.ForeignKeyConstraint(["piece_id"], ["piece.id"], name=op.f("fk_wet_cure_piece_id_piece")),
        sa.ForeignKeyConstraint(["pour_id"], ["pour.id"], name=op.f("fk_wet_cure_pour_id_pour")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_wet_cure")),
    )
    op.create_index(op.f("ix_wet_cure_piece_id_id"), "wet_cure", ["piece_id", "id"], unique=False)
    op.create_index(op.f("ix_wet_cure_pour_id_id"), "wet_cure", ["pour_id", "id"], unique=False)
    op.create_table(
        "break_test",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("pour_id", sa.Integer(), nullable=True),
        sa.Column("mix_id", sa.Integer(), nullable=True),
        sa.Column("tested_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("tested_offset_min", sa.SmallInteger(), nullable=False),
        sa.Column("age_h", sa.Double(), nullable=True),
        sa.Column("cure_degc", sa.Double(), nullable=True),
        sa.Column("strength_mpa", sa.Double(), nullable=True),
        sa.Column("word", sa.String(), nullable=True),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("withdrawn_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("withdrawn_why", sa.Text(), nullable=True),
        sa.CheckConstraint("(mix_id IS NULL) = (age_h IS NULL)", name=op.f("ck_break_test_age_of_mix")),
        sa.CheckConstraint("(mix_id IS NULL) = (cure_degc IS NULL)", name=op.f("ck_break_test_cure_of_mix")),
        sa.CheckConstraint("(pour_id IS NULL) <> (mix_id IS NULL)", name=op.f("ck_break_test_pour_or_mix")),
        sa.CheckConstraint("(strength_mpa IS NULL) <> (word IS NULL)", name=op.f("ck_break_test_strength_or_word")),
        sa.CheckConstraint(
            "word IN ('crumbles', 'snaps with a sandy face', 'snaps clean')", name=op.f("ck_break_test_word")
        ),
        sa.ForeignKeyConstraint(["mix_id"], ["mix.id"], name=op.f("fk_break_test_mix_id_mix")),
        sa.ForeignKeyConstraint(["pour_id"], ["pour.id"], name=op.f("fk_break_test_pour_id_pour")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_break_test")),
    )
    op.create_index(op.f("ix_break_test_mix_id"), "break_test", ["mix_id"], unique=False)
    op.create_index(op.f("ix_break_test_pour_id"), "break_test", ["pour_id"], unique=False)
    op.create_table(
        "mold_setting",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("mold_id", sa.Integer(), nullable=False),
        sa.Column("target_loss", sa.Double(), nullable=False),
        sa.Column("piece_cost", sa.Double(), nullable=True),
        sa.Column("mold_hour_cost", sa.Double(), nullable=True),
        sa.Column("turnaround_h", sa.Double(), nullable=True),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.CheckConstraint("target_loss > 0 AND target_loss < 1", name=op.f("ck_mold_setting_target_loss")),
        sa.ForeignKeyConstraint(["mold_id"], ["mold.id"], name=op.f("fk_mold_setting_mold_id_mold")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_mold_setting")),
    )
    op.create_index(op.f("ix_mold_setting_mold_id_id"), "mold_setting", ["mold_id", "id"], unique=False)
    op.create_table(
        "window_change",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("mold_id", sa.Integer(), nullable=False),
        sa.Column("mix_id", sa.Integer(), nullable=True),
        sa.Column("temperature_degc", sa.Double(), nullable=False),
        sa.Column("earliest_h", sa.Double(), nullable=True),
        sa.Column("latest_h", sa.Double(), nullable=True),
        sa.Column("cheapest_h", sa.Double(), nullable=True),
        sa.Column("earliest_fraction", sa.Double(), nullable=True),
        sa.Column("latest_fraction", sa.Double(), nullable=True),
        sa.Column("cheapest_fraction", sa.Double(), nullable=True),
        sa.Column("enough_evidence", sa.Boolean(), nullable=False),
        sa.Column("evidence", sa.JSON(), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["mix_id"], ["mix.id"], name=op.f("fk_window_change_mix_id_mix")),
        sa.ForeignKeyConstraint(["mold_id"], ["mold.id"], name=op.f("fk_window_change_mold_id_mold")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_window_change")),
    )
    op.create_index(op.f("ix_window_change_mold_id_id"), "window_change", ["mold_id", "id"], unique=False)
    op.create_table(
        "defect_note",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("piece_id", sa.Integer(), nullable=False),
        sa.Column("source", sa.String(), nullable=False),
        sa.Column("line", sa.Integer(), nullable=False),
        sa.Column("fingerprint", sa.LargeBinary(length=32), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["piece_id"], ["piece.id"], name=op.f("fk_defect_note_piece_id_piece")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_defect_note")),
    )
    op.create_index(op.f("ix_defect_note_fingerprint"), "defect_note", ["fingerprint"], unique=False)
    op.create_index(op.f("ix_defect_note_piece_id_id"), "defect_note", ["piece_id", "id"], unique=False)
    op.create_table(
        "noted_defect",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("note_id", sa.Integer(), nullable=False),
        sa.Column("kind", sa.String(), nullable=False),
        sa.ForeignKeyConstraint(["note_id"], ["defect_note.id"], name=op.f("fk_noted_defect_note_id_defect_note")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_noted_defect")),
    )
    op.create_index(op.f("ix_noted_defect_note_id"), "noted_defect", ["note_id"], unique=False)
