"""Strokes at none of a clip's shots, and how far an attempt's balls lay from their places."""

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "unassigned",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("session_id", sa.Integer(), nullable=False),
        sa.Column("sha256", sa.String(length=64), nullable=False),
        sa.Column("clip_name", sa.String(length=400), nullable=False),
        sa.Column("t_s", sa.Double(), nullable=True),
        sa.Column("why", sa.Text(), nullable=False),
        sa.Column("measured", sa.JSON(), nullable=False),
        sa.Column("path", sa.LargeBinary(), nullable=False),
        sa.ForeignKeyConstraint(["session_id"], ["sessions.id"], name=op.f("fk_unassigned_session_id_sessions")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_unassigned")),
    )
    op.create_index(op.f("ix_unassigned_session_id"), "unassigned", ["session_id"])
    op.create_index(op.f("ix_unassigned_sha256"), "unassigned", ["sha256"])
    # Attempts that are there already were read when placement was not measured.
    op.add_column("attempts", sa.Column("placement", sa.JSON(), nullable=False, server_default=sa.text("'[]'")))


def downgrade() -> None:
    with op.batch_alter_table("attempts") as attempts:
        attempts.drop_column("placement")
    op.drop_table("unassigned")
