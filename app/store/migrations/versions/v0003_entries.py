"""Attempts entered by hand or imported, and attempts taken out."""

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "entries",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("attempt_id", sa.Integer(), nullable=False),
        sa.Column("replaces_id", sa.Integer(), nullable=True),
        sa.Column("line", sa.Text(), nullable=False),
        sa.Column("file", sa.Text(), nullable=False),
        sa.Column("at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("at_text", sa.Text(), nullable=True),
        sa.Column("outcome", sa.String(length=10), nullable=True),
        sa.Column("miss_side", sa.String(length=10), nullable=True),
        sa.Column("margin_left_rad", sa.Double(), nullable=True),
        sa.Column("margin_right_rad", sa.Double(), nullable=True),
        sa.Column("english", sa.Text(), nullable=True),
        sa.Column("tips", sa.Double(), nullable=True),
        sa.Column("clip", sa.Text(), nullable=True),
        sa.Column("common_bearing_sd_rad", sa.Double(), nullable=True),
        sa.Column("note", sa.Text(), nullable=True),
        sa.Column("entered_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["attempt_id"], ["attempts.id"], name=op.f("fk_entries_attempt_id_attempts")),
        sa.ForeignKeyConstraint(["replaces_id"], ["attempts.id"], name=op.f("fk_entries_replaces_id_attempts")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_entries")),
        sa.UniqueConstraint("attempt_id", name=op.f("uq_entries_attempt_id")),
    )
    op.add_column("attempts", sa.Column("withdrawn_at", sa.DateTime(timezone=True), nullable=True))


def downgrade() -> None:
    with op.batch_alter_table("attempts") as attempts:
        attempts.drop_column("withdrawn_at")
    op.drop_table("entries")
