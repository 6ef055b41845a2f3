"""How much a clinic may keep."""

from __future__ import annotations

from sqlmodel import col, func, select

from server.accounts.tables import Organisation
from server.accounts.work import Work
from server.cases.tables import Record
from server.errors import BadRequest
from server.uploads.tables import Upload, UploadState


class QuotaReached(BadRequest):
    code = "quota"
    http_status = 413


def check_quota(work: Work, clinic_id: str, more_bytes: int) -> None:
    """Raises QuotaReached where a file of that size would go beyond what the clinic may keep, counting what is on its
    way. Locks the clinic's row, so that two uploads at once cannot both take the last place."""
    clinic = work.session.exec(
        select(Organisation).where(Organisation.id == clinic_id).with_for_update()
    ).one()
    settings = work.portal.settings
    kept_bytes, kept_files = work.session.exec(
        select(func.coalesce(func.sum(Record.size_bytes), 0), func.count()).where(
            Record.clinic_id == clinic_id
        )
    ).one()
    coming_bytes, coming_files = work.session.exec(
        select(func.coalesce(func.sum(Upload.length_bytes), 0), func.count()).where(
            Upload.clinic_id == clinic_id, col(Upload.state) == UploadState.OPEN
        )
    ).one()
    if kept_files + coming_files + 1 > (clinic.quota_files or settings.clinic_quota_files):
        raise QuotaReached("The clinic keeps as many files as it may; ask the lab to make room.")
    if kept_bytes + coming_bytes + more_bytes > (clinic.quota_bytes or settings.clinic_quota_bytes):
        raise QuotaReached("The clinic keeps as many bytes as it may; ask the lab to make room.")
