"""The log as it first stood: tables, cameras, players, shots, sessions, clips, attempts, corrections."""

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "players",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(length=100), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_players")),
        sa.UniqueConstraint("name", name=op.f("uq_players_name")),
    )
    op.create_table(
        "shots",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(length=200), nullable=False),
        sa.Column("definition", sa.JSON(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_shots")),
        sa.UniqueConstraint("name", name=op.f("uq_shots_name")),
    )
    op.create_table(
        "tables",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(length=100), nullable=False),
        sa.Column("length_m", sa.Double(), nullable=False),
        sa.Column("width_m", sa.Double(), nullable=False),
        sa.Column("measures", sa.JSON(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_tables")),
        sa.UniqueConstraint("name", "length_m", "width_m", name=op.f("uq_tables_name")),
    )
    op.create_table(
        "cameras",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("table_id", sa.Integer(), nullable=False),
        sa.Column("head", sa.String(length=10), nullable=False),
        sa.Column("width_px", sa.Integer(), nullable=False),
        sa.Column("height_px", sa.Integer(), nullable=False),
        sa.Column("facts", sa.JSON(), nullable=False),
        sa.Column("setup", sa.JSON(), nullable=True),
        sa.Column("made_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["table_id"], ["tables.id"], name=op.f("fk_cameras_table_id_tables")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_cameras")),
    )
    op.create_index(op.f("ix_cameras_table_id"), "cameras", ["table_id"])
    op.create_table(
        "sessions",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("table_id", sa.Integer(), nullable=False),
        sa.Column("player_id", sa.Integer(), nullable=True),
        sa.Column("started_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("note", sa.String(length=2000), nullable=False),
        sa.ForeignKeyConstraint(["player_id"], ["players.id"], name=op.f("fk_sessions_player_id_players")),
        sa.ForeignKeyConstraint(["table_id"], ["tables.id"], name=op.f("fk_sessions_table_id_tables")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_sessions")),
    )
    op.create_index(op.f("ix_sessions_player_id"), "sessions", ["player_id"])
    op.create_index(op.f("ix_sessions_started_at"), "sessions", ["started_at"])
    op.create_index(op.f("ix_sessions_table_id"), "sessions", ["table_id"])
    op.create_table(
        "clips",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("session_id", sa.Integer(), nullable=False),
        sa.Column("shot_id", sa.Integer(), nullable=False),
        sa.Column("camera_id", sa.Integer(), nullable=True),
        sa.Column("sha256", sa.String(length=64), nullable=False),
        sa.Column("name", sa.String(length=400), nullable=False),
        sa.Column("reader", sa.String(length=40), nullable=False),
        sa.Column("facts", sa.JSON(), nullable=False),
        sa.Column("common_bearing_sd_rad", sa.Double(), nullable=True),
        sa.Column("not_attempts", sa.JSON(), nullable=False),
        sa.Column("warnings", sa.JSON(), nullable=False),
        sa.Column("read_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["camera_id"], ["cameras.id"], name=op.f("fk_clips_camera_id_cameras")),
        sa.ForeignKeyConstraint(["session_id"], ["sessions.id"], name=op.f("fk_clips_session_id_sessions")),
        sa.ForeignKeyConstraint(["shot_id"], ["shots.id"], name=op.f("fk_clips_shot_id_shots")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_clips")),
        sa.UniqueConstraint("sha256", "shot_id", name=op.f("uq_clips_sha256")),
    )
    op.create_index(op.f("ix_clips_camera_id"), "clips", ["camera_id"])
    op.create_index(op.f("ix_clips_session_id"), "clips", ["session_id"])
    op.create_index(op.f("ix_clips_shot_id"), "clips", ["shot_id"])
    op.create_table(
        "attempts",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("session_id", sa.Integer(), nullable=False),
        sa.Column("shot_id", sa.Integer(), nullable=False),
        sa.Column("clip_id", sa.Integer(), nullable=True),
        sa.Column("source", sa.String(length=10), nullable=False),
        sa.Column("t_s", sa.Double(), nullable=True),
        sa.Column("t_sd_s", sa.Double(), nullable=True),
        sa.Column("ball", sa.String(length=40), nullable=False),
        sa.Column("start_x_m", sa.Double(), nullable=True),
        sa.Column("start_y_m", sa.Double(), nullable=True),
        sa.Column("start_sd_m", sa.Double(), nullable=True),
        sa.Column("bearing_rad", sa.Double(), nullable=True),
        sa.Column("bearing_sd_rad", sa.Double(), nullable=True),
        sa.Column("speed_mps", sa.Double(), nullable=True),
        sa.Column("speed_sd_mps", sa.Double(), nullable=True),
        sa.Column("cue_start_x_m", sa.Double(), nullable=True),
        sa.Column("cue_start_y_m", sa.Double(), nullable=True),
        sa.Column("cue_bearing_rad", sa.Double(), nullable=True),
        sa.Column("cut_rad", sa.Double(), nullable=True),
        sa.Column("contacts", sa.JSON(), nullable=False),
        sa.Column("ball_contacts", sa.JSON(), nullable=False),
        sa.Column("pocketed", sa.JSON(), nullable=False),
        sa.Column("outcome", sa.String(length=10), nullable=False),
        sa.Column("miss_m", sa.Double(), nullable=True),
        sa.Column("miss_sd_m", sa.Double(), nullable=True),
        sa.Column("miss_per_rad_m", sa.Double(), nullable=True),
        sa.Column("flags", sa.JSON(), nullable=False),
        sa.Column("path", sa.LargeBinary(), nullable=False),
        sa.ForeignKeyConstraint(["clip_id"], ["clips.id"], name=op.f("fk_attempts_clip_id_clips")),
        sa.ForeignKeyConstraint(["session_id"], ["sessions.id"], name=op.f("fk_attempts_session_id_sessions")),
        sa.ForeignKeyConstraint(["shot_id"], ["shots.id"], name=op.f("fk_attempts_shot_id_shots")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_attempts")),
    )
    op.create_index(op.f("ix_attempts_clip_id"), "attempts", ["clip_id"])
    op.create_index(op.f("ix_attempts_session_id"), "attempts", ["session_id"])
    op.create_index(op.f("ix_attempts_shot_id"), "attempts", ["shot_id"])
    op.create_table(
        "corrections",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("attempt_id", sa.Integer(), nullable=False),
        sa.Column("field", sa.String(length=40), nullable=False),
        sa.Column("value", sa.JSON(), nullable=False),
        sa.Column("note", sa.String(length=2000), nullable=False),
        sa.Column("made_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["attempt_id"], ["attempts.id"], name=op.f("fk_corrections_attempt_id_attempts")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_corrections")),
    )
    op.create_index(op.f("ix_corrections_attempt_id"), "corrections", ["attempt_id"])


def downgrade() -> None:
    for name in ("corrections", "attempts", "clips", "sessions", "cameras", "tables", "shots", "players"):
        op.drop_table(name)
