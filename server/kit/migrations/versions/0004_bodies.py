"""The lab's catalogue of reference bodies.

Revision 0004, after 0003.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "bodies",
        sa.Column("id", sa.String(length=32), nullable=False),
        sa.Column("body_id", sa.String(length=64), nullable=False),
        sa.Column("entry", sa.JSON(none_as_null=True), nullable=False),
        sa.Column("mesh_sha256", sa.String(length=64), nullable=False),
        sa.Column("mesh_bytes", sa.BigInteger(), nullable=False),
        sa.Column("added_by", sa.String(length=32), nullable=True),
        sa.Column("added_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("superseded_at", sa.DateTime(timezone=True), nullable=True),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_bodies")),
    )
    with op.batch_alter_table("bodies", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_bodies_mesh_sha256"), ["mesh_sha256"], unique=False)
        batch_op.create_index(
            "ix_bodies_current",
            ["body_id"],
            unique=True,
            sqlite_where=sa.text("superseded_at IS NULL"),
            postgresql_where=sa.text("superseded_at IS NULL"),
        )


def downgrade() -> None:
    op.drop_table("bodies")
