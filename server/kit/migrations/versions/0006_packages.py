"""The package of a release: whether it is made, and its bytes.

Revision 0006, after 0005.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0006"
down_revision = "0005"
branch_labels = None
depends_on = None


def upgrade() -> None:
    with op.batch_alter_table("releases", schema=None) as batch_op:
        batch_op.add_column(sa.Column("package_sha256", sa.String(length=64), nullable=True))
        batch_op.add_column(sa.Column("package_bytes", sa.BigInteger(), nullable=True))
        batch_op.add_column(
            sa.Column("package_says", sa.String(length=400), nullable=False, server_default="")
        )


def downgrade() -> None:
    with op.batch_alter_table("releases", schema=None) as batch_op:
        batch_op.drop_column("package_says")
        batch_op.drop_column("package_bytes")
        batch_op.drop_column("package_sha256")
