"""Releases, workers' heartbeats, requests that may be sent twice; a judgement says what it rests on.

Revision 0002, after 0001.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "heartbeats",
        sa.Column("executor_id", sa.String(length=120), nullable=False),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.PrimaryKeyConstraint("executor_id", name=op.f("pk_heartbeats")),
    )
    op.create_table(
        "repeats",
        sa.Column("key_digest", sa.String(length=64), nullable=False),
        sa.Column("asked_digest", sa.String(length=64), nullable=False),
        sa.Column("made_id", sa.String(length=32), nullable=False),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.PrimaryKeyConstraint("key_digest", name=op.f("pk_repeats")),
    )
    with op.batch_alter_table("repeats", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_repeats_at"), ["at"], unique=False)

    op.create_table(
        "releases",
        sa.Column("id", sa.String(length=32), nullable=False),
        sa.Column("case_id", sa.String(length=32), nullable=False),
        sa.Column("round_number", sa.Integer(), nullable=False),
        sa.Column("judgement_id", sa.String(length=32), nullable=False),
        sa.Column("manifest", sa.JSON(none_as_null=True), nullable=False),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(
            ["case_id"], ["cases.id"], name=op.f("fk_releases_case_id_cases"), ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_releases")),
    )
    with op.batch_alter_table("releases", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_releases_case_id"), ["case_id"], unique=False)

    with op.batch_alter_table("measurements", schema=None) as batch_op:
        batch_op.add_column(sa.Column("about", sa.String(length=64), nullable=False, server_default=""))
        batch_op.create_index(batch_op.f("ix_measurements_about"), ["about"], unique=False)

    with op.batch_alter_table("judgements", schema=None) as batch_op:
        batch_op.add_column(sa.Column("fingerprint", sa.String(length=64), nullable=False, server_default=""))


def downgrade() -> None:
    with op.batch_alter_table("measurements", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_measurements_about"))
        batch_op.drop_column("about")

    with op.batch_alter_table("judgements", schema=None) as batch_op:
        batch_op.drop_column("fingerprint")

    op.drop_table("releases")
    op.drop_table("repeats")
    op.drop_table("heartbeats")
