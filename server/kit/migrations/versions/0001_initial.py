"""The first tables.

Revision 0001, the first.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "audit_entries",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("person_id", sa.String(length=32), nullable=True),
        sa.Column("organisation_id", sa.String(length=32), nullable=True),
        sa.Column("action", sa.String(length=64), nullable=False),
        sa.Column("object_id", sa.String(length=64), nullable=False),
        sa.Column("detail", sa.JSON(none_as_null=True), nullable=False),
        sa.Column("chain", sa.String(length=64), nullable=True),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_audit_entries")),
    )
    with op.batch_alter_table("audit_entries", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_audit_entries_object_id_id"), ["object_id", "id"], unique=False)
        batch_op.create_index(batch_op.f("ix_audit_entries_person_id"), ["person_id"], unique=False)

    op.create_table(
        "blobs",
        sa.Column("sha256", sa.String(length=64), nullable=False),
        sa.Column("size_bytes", sa.BigInteger(), nullable=False),
        sa.Column("kept_at", sa.DateTime(timezone=True), nullable=False),
        sa.PrimaryKeyConstraint("sha256", name=op.f("pk_blobs")),
    )
    op.create_table(
        "changes",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("topic", sa.String(length=80), nullable=False),
        sa.Column("kind", sa.String(length=32), nullable=False),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_changes")),
    )
    with op.batch_alter_table("changes", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_changes_at"), ["at"], unique=False)

    op.create_table(
        "failed_logins",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("key_digest", sa.String(length=64), nullable=False),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_failed_logins")),
    )
    with op.batch_alter_table("failed_logins", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_failed_logins_at"), ["at"], unique=False)
        batch_op.create_index(
            batch_op.f("ix_failed_logins_key_digest_at"), ["key_digest", "at"], unique=False
        )

    op.create_table(
        "measurements",
        sa.Column("key", sa.String(length=64), nullable=False),
        sa.Column("measure", sa.String(length=80), nullable=False),
        sa.Column("made", sa.JSON(none_as_null=True), nullable=False),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.PrimaryKeyConstraint("key", name=op.f("pk_measurements")),
    )
    with op.batch_alter_table("measurements", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_measurements_measure"), ["measure"], unique=False)

    op.create_table(
        "organisations",
        sa.Column("id", sa.String(length=32), nullable=False),
        sa.Column("kind", sa.String(length=32), nullable=False),
        sa.Column("name", sa.String(length=120), nullable=False),
        sa.Column("quota_bytes", sa.BigInteger(), nullable=True),
        sa.Column("quota_files", sa.Integer(), nullable=True),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("disabled_at", sa.DateTime(timezone=True), nullable=True),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_organisations")),
    )
    op.create_table(
        "people",
        sa.Column("id", sa.String(length=32), nullable=False),
        sa.Column("organisation_id", sa.String(length=32), nullable=False),
        sa.Column("role", sa.String(length=32), nullable=False),
        sa.Column("email", sa.String(length=254), nullable=False),
        sa.Column("name", sa.String(length=120), nullable=False),
        sa.Column("password_hash", sa.String(length=255), nullable=False),
        sa.Column("is_demo", sa.Boolean(), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("disabled_at", sa.DateTime(timezone=True), nullable=True),
        sa.ForeignKeyConstraint(
            ["organisation_id"], ["organisations.id"], name=op.f("fk_people_organisation_id_organisations")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_people")),
        sa.UniqueConstraint("email", name=op.f("uq_people_email")),
    )
    with op.batch_alter_table("people", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_people_organisation_id"), ["organisation_id"], unique=False)

    op.create_table(
        "api_tokens",
        sa.Column("id", sa.String(length=32), nullable=False),
        sa.Column("person_id", sa.String(length=32), nullable=False),
        sa.Column("name", sa.String(length=80), nullable=False),
        sa.Column("token_digest", sa.String(length=64), nullable=False),
        sa.Column("may_write", sa.Boolean(), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("expires_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("revoked_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("used_at", sa.DateTime(timezone=True), nullable=True),
        sa.ForeignKeyConstraint(["person_id"], ["people.id"], name=op.f("fk_api_tokens_person_id_people")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_api_tokens")),
        sa.UniqueConstraint("token_digest", name=op.f("uq_api_tokens_token_digest")),
    )
    with op.batch_alter_table("api_tokens", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_api_tokens_person_id"), ["person_id"], unique=False)

    op.create_table(
        "cases",
        sa.Column("id", sa.String(length=32), nullable=False),
        sa.Column("clinic_id", sa.String(length=32), nullable=False),
        sa.Column("state", sa.String(length=32), nullable=False),
        sa.Column("patient_code", sa.String(length=64), nullable=False),
        sa.Column("form", sa.JSON(none_as_null=True), nullable=False),
        sa.Column("round_number", sa.Integer(), nullable=False),
        sa.Column("needed_by", sa.DateTime(timezone=True), nullable=True),
        sa.Column("queue_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("lightness", sa.Integer(), nullable=False),
        sa.Column("verdict", sa.String(length=16), nullable=True),
        sa.Column("headline", sa.String(length=2000), nullable=False),
        sa.Column("open_returns", sa.Integer(), nullable=False),
        sa.Column("open_looks", sa.Integer(), nullable=False),
        sa.Column("created_by", sa.String(length=32), nullable=True),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("updated_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("submitted_at", sa.DateTime(timezone=True), nullable=True),
        sa.ForeignKeyConstraint(
            ["clinic_id"], ["organisations.id"], name=op.f("fk_cases_clinic_id_organisations")
        ),
        sa.ForeignKeyConstraint(["created_by"], ["people.id"], name=op.f("fk_cases_created_by_people")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_cases")),
    )
    with op.batch_alter_table("cases", schema=None) as batch_op:
        batch_op.create_index(
            "ix_cases_clinic_queue", ["clinic_id", "queue_at", "lightness", "id"], unique=False
        )
        batch_op.create_index("ix_cases_clinic_recent", ["clinic_id", "updated_at", "id"], unique=False)
        batch_op.create_index(
            "ix_cases_clinic_state_queue", ["clinic_id", "state", "queue_at", "lightness", "id"], unique=False
        )
        batch_op.create_index("ix_cases_queue", ["queue_at", "lightness", "id"], unique=False)
        batch_op.create_index("ix_cases_state_queue", ["state", "queue_at", "lightness", "id"], unique=False)
        batch_op.create_index(
            "ix_cases_state_verdict_queue", ["state", "verdict", "queue_at", "lightness", "id"], unique=False
        )

    op.create_table(
        "invitations",
        sa.Column("token_digest", sa.String(length=64), nullable=False),
        sa.Column("organisation_id", sa.String(length=32), nullable=False),
        sa.Column("role", sa.String(length=32), nullable=False),
        sa.Column("email", sa.String(length=254), nullable=False),
        sa.Column("invited_by", sa.String(length=32), nullable=True),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("expires_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("used_at", sa.DateTime(timezone=True), nullable=True),
        sa.ForeignKeyConstraint(["invited_by"], ["people.id"], name=op.f("fk_invitations_invited_by_people")),
        sa.ForeignKeyConstraint(
            ["organisation_id"],
            ["organisations.id"],
            name=op.f("fk_invitations_organisation_id_organisations"),
        ),
        sa.PrimaryKeyConstraint("token_digest", name=op.f("pk_invitations")),
    )
    with op.batch_alter_table("invitations", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_invitations_organisation_id"), ["organisation_id"], unique=False)

    op.create_table(
        "sessions",
        sa.Column("token_digest", sa.String(length=64), nullable=False),
        sa.Column("person_id", sa.String(length=32), nullable=False),
        sa.Column("csrf_token", sa.String(length=64), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("seen_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["person_id"], ["people.id"], name=op.f("fk_sessions_person_id_people")),
        sa.PrimaryKeyConstraint("token_digest", name=op.f("pk_sessions")),
    )
    with op.batch_alter_table("sessions", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_sessions_person_id"), ["person_id"], unique=False)
        batch_op.create_index(batch_op.f("ix_sessions_seen_at"), ["seen_at"], unique=False)

    op.create_table(
        "case_words",
        sa.Column("word", sa.String(length=64), nullable=False),
        sa.Column("case_id", sa.String(length=32), nullable=False),
        sa.ForeignKeyConstraint(
            ["case_id"], ["cases.id"], name=op.f("fk_case_words_case_id_cases"), ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("word", "case_id", name=op.f("pk_case_words")),
    )
    with op.batch_alter_table("case_words", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_case_words_case_id"), ["case_id"], unique=False)

    op.create_table(
        "judgements",
        sa.Column("id", sa.String(length=32), nullable=False),
        sa.Column("case_id", sa.String(length=32), nullable=False),
        sa.Column("round_number", sa.Integer(), nullable=False),
        sa.Column("verdict", sa.String(length=16), nullable=False),
        sa.Column("report", sa.JSON(none_as_null=True), nullable=False),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(
            ["case_id"], ["cases.id"], name=op.f("fk_judgements_case_id_cases"), ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_judgements")),
    )
    with op.batch_alter_table("judgements", schema=None) as batch_op:
        batch_op.create_index(
            batch_op.f("ix_judgements_case_id_round_number"), ["case_id", "round_number"], unique=False
        )

    op.create_table(
        "messages",
        sa.Column("id", sa.String(length=32), nullable=False),
        sa.Column("case_id", sa.String(length=32), nullable=False),
        sa.Column("round_number", sa.Integer(), nullable=False),
        sa.Column("kind", sa.String(length=32), nullable=False),
        sa.Column("person_id", sa.String(length=32), nullable=True),
        sa.Column("from_name", sa.String(length=120), nullable=False),
        sa.Column("from_lab", sa.Boolean(), nullable=False),
        sa.Column("text", sa.String(length=4000), nullable=False),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(
            ["case_id"], ["cases.id"], name=op.f("fk_messages_case_id_cases"), ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_messages")),
    )
    with op.batch_alter_table("messages", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_messages_case_id"), ["case_id"], unique=False)

    op.create_table(
        "records",
        sa.Column("id", sa.String(length=32), nullable=False),
        sa.Column("case_id", sa.String(length=32), nullable=False),
        sa.Column("clinic_id", sa.String(length=32), nullable=False),
        sa.Column("role", sa.String(length=32), nullable=True),
        sa.Column("unit", sa.String(length=32), nullable=False),
        sa.Column("body", sa.String(length=200), nullable=True),
        sa.Column("file_name", sa.String(length=255), nullable=False),
        sa.Column("sha256", sa.String(length=64), nullable=False),
        sa.Column("size_bytes", sa.BigInteger(), nullable=False),
        sa.Column("replaces", sa.String(length=32), nullable=True),
        sa.Column("first_round", sa.Integer(), nullable=False),
        sa.Column("last_round", sa.Integer(), nullable=True),
        sa.Column("measuring", sa.String(length=32), nullable=False),
        sa.Column("measuring_since", sa.DateTime(timezone=True), nullable=False),
        sa.Column("added_by", sa.String(length=32), nullable=True),
        sa.Column("added_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(
            ["case_id"], ["cases.id"], name=op.f("fk_records_case_id_cases"), ondelete="CASCADE"
        ),
        sa.ForeignKeyConstraint(
            ["clinic_id"], ["organisations.id"], name=op.f("fk_records_clinic_id_organisations")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_records")),
    )
    with op.batch_alter_table("records", schema=None) as batch_op:
        batch_op.create_index(
            batch_op.f("ix_records_case_id_first_round"), ["case_id", "first_round"], unique=False
        )
        batch_op.create_index(batch_op.f("ix_records_clinic_id"), ["clinic_id"], unique=False)
        batch_op.create_index(batch_op.f("ix_records_measuring"), ["measuring"], unique=False)
        batch_op.create_index(batch_op.f("ix_records_sha256"), ["sha256"], unique=False)

    op.create_table(
        "rounds",
        sa.Column("id", sa.String(length=32), nullable=False),
        sa.Column("case_id", sa.String(length=32), nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("form", sa.JSON(none_as_null=True), nullable=True),
        sa.Column("opened_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("submitted_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("submitted_by", sa.String(length=32), nullable=True),
        sa.Column("judgement_id", sa.String(length=32), nullable=True),
        sa.ForeignKeyConstraint(
            ["case_id"], ["cases.id"], name=op.f("fk_rounds_case_id_cases"), ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_rounds")),
        sa.UniqueConstraint("case_id", "number", name=op.f("uq_rounds_case_id_number")),
    )
    op.create_table(
        "uploads",
        sa.Column("id", sa.String(length=32), nullable=False),
        sa.Column("case_id", sa.String(length=32), nullable=False),
        sa.Column("clinic_id", sa.String(length=32), nullable=False),
        sa.Column("person_id", sa.String(length=32), nullable=True),
        sa.Column("state", sa.String(length=32), nullable=False),
        sa.Column("file_name", sa.String(length=255), nullable=False),
        sa.Column("role", sa.String(length=32), nullable=True),
        sa.Column("unit", sa.String(length=32), nullable=False),
        sa.Column("body", sa.String(length=200), nullable=True),
        sa.Column("replaces", sa.String(length=32), nullable=True),
        sa.Column("length_bytes", sa.BigInteger(), nullable=False),
        sa.Column("offset_bytes", sa.BigInteger(), nullable=False),
        sa.Column("sha256_expected", sa.String(length=64), nullable=False),
        sa.Column("refusal", sa.String(length=400), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("touched_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(
            ["case_id"], ["cases.id"], name=op.f("fk_uploads_case_id_cases"), ondelete="CASCADE"
        ),
        sa.ForeignKeyConstraint(
            ["clinic_id"], ["organisations.id"], name=op.f("fk_uploads_clinic_id_organisations")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_uploads")),
    )
    with op.batch_alter_table("uploads", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_uploads_case_id"), ["case_id"], unique=False)
        batch_op.create_index(batch_op.f("ix_uploads_clinic_id_state"), ["clinic_id", "state"], unique=False)
        batch_op.create_index(
            batch_op.f("ix_uploads_state_touched_at"), ["state", "touched_at"], unique=False
        )

    op.create_table(
        "waivers",
        sa.Column("id", sa.String(length=32), nullable=False),
        sa.Column("case_id", sa.String(length=32), nullable=False),
        sa.Column("finding_key", sa.String(length=64), nullable=False),
        sa.Column("rule", sa.String(length=80), nullable=False),
        sa.Column("level", sa.String(length=16), nullable=False),
        sa.Column("reason", sa.String(length=2000), nullable=False),
        sa.Column("has_consent", sa.Boolean(), nullable=False),
        sa.Column("person_id", sa.String(length=32), nullable=True),
        sa.Column("person_name", sa.String(length=120), nullable=False),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(
            ["case_id"], ["cases.id"], name=op.f("fk_waivers_case_id_cases"), ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_waivers")),
    )
    with op.batch_alter_table("waivers", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_waivers_case_id"), ["case_id"], unique=False)

    op.create_table(
        "upload_parts",
        sa.Column("key", sa.String(length=120), nullable=False),
        sa.Column("upload_id", sa.String(length=32), nullable=False),
        sa.Column("offset_bytes", sa.BigInteger(), nullable=False),
        sa.Column("size_bytes", sa.BigInteger(), nullable=False),
        sa.Column("sha256", sa.String(length=64), nullable=False),
        sa.ForeignKeyConstraint(
            ["upload_id"], ["uploads.id"], name=op.f("fk_upload_parts_upload_id_uploads"), ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("key", name=op.f("pk_upload_parts")),
        sa.UniqueConstraint("upload_id", "offset_bytes", name=op.f("uq_upload_parts_upload_id_offset_bytes")),
    )
    with op.batch_alter_table("upload_parts", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_upload_parts_upload_id"), ["upload_id"], unique=False)


def downgrade() -> None:
    with op.batch_alter_table("upload_parts", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_upload_parts_upload_id"))

    op.drop_table("upload_parts")
    with op.batch_alter_table("waivers", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_waivers_case_id"))

    op.drop_table("waivers")
    with op.batch_alter_table("uploads", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_uploads_state_touched_at"))
        batch_op.drop_index(batch_op.f("ix_uploads_clinic_id_state"))
        batch_op.drop_index(batch_op.f("ix_uploads_case_id"))

    op.drop_table("uploads")
    op.drop_table("rounds")
    with op.batch_alter_table("records", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_records_sha256"))
        batch_op.drop_index(batch_op.f("ix_records_measuring"))
        batch_op.drop_index(batch_op.f("ix_records_clinic_id"))
        batch_op.drop_index(batch_op.f("ix_records_case_id_first_round"))

    op.drop_table("records")
    with op.batch_alter_table("messages", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_messages_case_id"))

    op.drop_table("messages")
    with op.batch_alter_table("judgements", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_judgements_case_id_round_number"))

    op.drop_table("judgements")
    with op.batch_alter_table("case_words", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_case_words_case_id"))

    op.drop_table("case_words")
    with op.batch_alter_table("sessions", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_sessions_seen_at"))
        batch_op.drop_index(batch_op.f("ix_sessions_person_id"))

    op.drop_table("sessions")
    with op.batch_alter_table("invitations", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_invitations_organisation_id"))

    op.drop_table("invitations")
    with op.batch_alter_table("cases", schema=None) as batch_op:
        batch_op.drop_index("ix_cases_state_verdict_queue")
        batch_op.drop_index("ix_cases_state_queue")
        batch_op.drop_index("ix_cases_queue")
        batch_op.drop_index("ix_cases_clinic_state_queue")
        batch_op.drop_index("ix_cases_clinic_recent")
        batch_op.drop_index("ix_cases_clinic_queue")

    op.drop_table("cases")
    with op.batch_alter_table("api_tokens", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_api_tokens_person_id"))

    op.drop_table("api_tokens")
    with op.batch_alter_table("people", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_people_organisation_id"))

    op.drop_table("people")
    op.drop_table("organisations")
    with op.batch_alter_table("measurements", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_measurements_measure"))

    op.drop_table("measurements")
    with op.batch_alter_table("failed_logins", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_failed_logins_key_digest_at"))
        batch_op.drop_index(batch_op.f("ix_failed_logins_at"))

    op.drop_table("failed_logins")
    with op.batch_alter_table("changes", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_changes_at"))

    op.drop_table("changes")
    op.drop_table("blobs")
    with op.batch_alter_table("audit_entries", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_audit_entries_person_id"))
        batch_op.drop_index(batch_op.f("ix_audit_entries_object_id_id"))

    op.drop_table("audit_entries")
