"""Keys by which surfaces like a given one are found among all cases.

Revision 0003, after 0002.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "surface_keys",
        sa.Column("key", sa.BigInteger(), nullable=False),
        sa.Column("measurement_key", sa.String(length=64), nullable=False),
        sa.ForeignKeyConstraint(
            ["measurement_key"],
            ["measurements.key"],
            name=op.f("fk_surface_keys_measurement_key_measurements"),
            ondelete="CASCADE",
        ),
        sa.PrimaryKeyConstraint("key", "measurement_key", name=op.f("pk_surface_keys")),
    )
    with op.batch_alter_table("surface_keys", schema=None) as batch_op:
        batch_op.create_index(
            batch_op.f("ix_surface_keys_measurement_key"), ["measurement_key"], unique=False
        )


def downgrade() -> None:
    op.drop_table("surface_keys")
