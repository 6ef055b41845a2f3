"""Notices: the outbox, webhooks, and which mails people want.

Revision 0008, after 0007.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0008"
down_revision = "0007"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "mail_choices",
        sa.Column("person_id", sa.String(length=32), nullable=False),
        sa.Column("returned", sa.Boolean(), nullable=False),
        sa.Column("released", sa.Boolean(), nullable=False),
        sa.ForeignKeyConstraint(
            ["person_id"], ["people.id"], name=op.f("fk_mail_choices_person_id_people"), ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("person_id", name=op.f("pk_mail_choices")),
    )
    op.create_table(
        "webhooks",
        sa.Column("id", sa.String(length=32), nullable=False),
        sa.Column("organisation_id", sa.String(length=32), nullable=False),
        sa.Column("url", sa.String(length=500), nullable=False),
        sa.Column("secret", sa.String(length=80), nullable=False),
        sa.Column("previous_secret", sa.String(length=80), nullable=True),
        sa.Column("previous_until", sa.DateTime(timezone=True), nullable=True),
        sa.Column("made_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(
            ["organisation_id"],
            ["organisations.id"],
            name=op.f("fk_webhooks_organisation_id_organisations"),
            ondelete="CASCADE",
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_webhooks")),
    )
    with op.batch_alter_table("webhooks", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_webhooks_organisation_id"), ["organisation_id"], unique=False)
    _make_outbox()


def _make_outbox() -> None:
    keys = {"case_id": "cases", "person_id": "people", "webhook_id": "webhooks"}
    op.create_table(
        "notices",
        sa.Column("id", sa.String(length=32), nullable=False),
        sa.Column("way", sa.String(length=32), nullable=False),
        sa.Column("event", sa.String(length=32), nullable=False),
        *(sa.Column(name, sa.String(length=32), nullable=True) for name in keys),
        sa.Column("round_number", sa.Integer(), nullable=True),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("state", sa.String(length=32), nullable=False),
        sa.Column("tries", sa.Integer(), nullable=False),
        sa.Column("next_try_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("asked_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("ended_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("says", sa.String(length=200), nullable=False),
        *(
            sa.ForeignKeyConstraint(
                [name], [f"{table}.id"], name=op.f(f"fk_notices_{name}_{table}"), ondelete="CASCADE"
            )
            for name, table in keys.items()
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_notices")),
    )
    with op.batch_alter_table("notices", schema=None) as batch_op:
        for columns in (
            ["case_id"],
            ["person_id"],
            ["ended_at"],
            ["state", "next_try_at"],
            ["webhook_id", "at"],
        ):
            batch_op.create_index(batch_op.f("ix_notices_" + "_".join(columns)), columns, unique=False)


def downgrade() -> None:
    op.drop_table("notices")
    op.drop_table("webhooks")
    op.drop_table("mail_choices")
