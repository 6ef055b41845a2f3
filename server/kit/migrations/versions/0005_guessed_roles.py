"""What a record probably is, as its shape says, and whether its role was filled in from that.

Revision 0005, after 0004.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"
branch_labels = None
depends_on = None


def upgrade() -> None:
    with op.batch_alter_table("records", schema=None) as batch_op:
        batch_op.add_column(
            sa.Column("role_is_guessed", sa.Boolean(), nullable=False, server_default=sa.false())
        )
        batch_op.add_column(sa.Column("likely_roles", sa.JSON(none_as_null=True), nullable=True))


def downgrade() -> None:
    with op.batch_alter_table("records", schema=None) as batch_op:
        batch_op.drop_column("likely_roles")
        batch_op.drop_column("role_is_guessed")
