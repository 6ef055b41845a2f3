"""Who gets what: for every route of the application, the answer to nobody, to the clinic whose case it is, to another
clinic, and to the lab (an administrator).

Every deed is tried on a case that has just been opened and holds one record, so that what is allowed may still be out
of turn (409) or incomplete (422). A page leads nobody to the door (303).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from tests.rules.good_set import GOOD_FORM

FORM = {**GOOD_FORM, "records": []}
TUS = {"Tus-Resumable": "1.0.0"}
PART = TUS | {"Upload-Offset": "0", "Content-Type": "application/offset+octet-stream"}


@dataclass(frozen=True)
class Answers:
    """Status for: nobody, the clinic itself, another clinic, the lab."""

    nobody: int
    own: int
    other: int
    lab: int
    json: Any = None
    data: dict[str, str] = field(default_factory=dict)
    """Fields of a form."""
    content: bytes | None = None
    headers: dict[str, str] = field(default_factory=dict)
    announces: bool = False
    """Whether it announces an upload to the case."""


def page(own: int, other: int, lab: int, **data: str) -> Answers:
    """A page that asks people to sign in."""
    return Answers(303, own, other, lab, data=data)


def ours(own: int, other: int, lab: int, **sent: Any) -> Answers:
    """A route for programs."""
    return Answers(401, own, other, lab, **sent)


DOOR = {
    ("GET", "/static/{path}"): Answers(200, 200, 200, 200),
    ("GET", "/sign-in"): Answers(200, 200, 200, 200),
    ("POST", "/sign-in"): Answers(401, 401, 401, 401, data={"email": "a@b.example", "password": "x"}),
    ("POST", "/sign-out"): Answers(303, 303, 303, 303),
    ("GET", "/join/{secret}"): Answers(404, 404, 404, 404),
    ("POST", "/join/{secret}"): Answers(404, 404, 404, 404),
}
PAGES = {
    ("GET", "/"): page(200, 200, 303),
    ("GET", "/live"): page(200, 200, 303),
    ("POST", "/cases"): page(303, 303, 403),
    ("GET", "/queue"): page(403, 403, 200),
    ("GET", "/queue/live"): page(403, 403, 200),
    ("GET", "/people"): page(403, 403, 200),
    ("POST", "/people/invite"): page(403, 403, 404, organisation="x", role="clinic", email="a@b.example"),
    ("POST", "/people/clinics"): page(403, 403, 303, clinic_name="Mill Street"),
    ("POST", "/people/{person_id}/disable"): page(403, 403, 404),
    ("GET", "/tokens"): page(200, 200, 200),
    ("POST", "/tokens"): page(200, 200, 200, name="Scanner", days="1"),
    ("POST", "/tokens/{token_id}/revoke"): page(404, 404, 404),
    ("GET", "/audit"): page(403, 403, 200),
    ("GET", "/notices"): page(200, 200, 200),
    ("POST", "/notices"): page(303, 303, 403, returned="yes"),
    ("GET", "/webhooks"): page(200, 200, 200),
    ("POST", "/webhooks"): page(422, 422, 422, url="https://127.0.0.1/"),
    ("POST", "/webhooks/{webhook_id}/secret"): page(200, 404, 404),
    ("POST", "/webhooks/{webhook_id}/trial"): page(303, 404, 404),
    ("POST", "/webhooks/{webhook_id}/remove"): page(303, 404, 404),
    ("GET", "/rules"): page(200, 200, 200),
    ("GET", "/sheets"): page(200, 200, 200),
    ("GET", "/patterns"): page(200, 200, 200),
    ("GET", "/interface"): page(200, 200, 200),
    ("GET", "/cases/{case_id}"): page(200, 404, 200),
    ("GET", "/cases/{case_id}/live"): page(200, 404, 200),
    ("GET", "/cases/{case_id}/form"): page(200, 404, 403),
    ("POST", "/cases/{case_id}/form"): page(200, 404, 403, patient_code="R-7"),
    ("POST", "/cases/{case_id}/submit"): page(303, 404, 403),
    ("POST", "/cases/{case_id}/withdraw"): page(303, 404, 403),
    ("POST", "/cases/{case_id}/messages"): page(303, 404, 303, says="The bite is next."),
    ("POST", "/cases/{case_id}/records/{record_id}/remove"): page(303, 404, 403),
    ("POST", "/cases/{case_id}/records/{record_id}/amend"): page(303, 404, 403, role="tissue"),
    ("GET", "/cases/{case_id}/records/{record_id}/file"): page(200, 404, 200),
    ("GET", "/cases/{case_id}/plate"): page(200, 404, 200),
    ("GET", "/cases/{case_id}/records/{record_id}/preview"): page(404, 404, 404),
    ("GET", "/cases/{case_id}/records/{record_id}/picture.png"): page(404, 404, 404),
    ("GET", "/cases/{case_id}/places/{name}.png"): page(404, 404, 404),
    ("POST", "/cases/{case_id}/waivers"): page(403, 404, 409, finding="x", reason="Because it is so."),
    ("POST", "/cases/{case_id}/return"): page(403, 404, 409, says="Back."),
    ("POST", "/cases/{case_id}/release"): page(403, 404, 409),
    ("GET", "/cases/{case_id}/release/package"): page(404, 404, 404),
    ("GET", "/cases/{case_id}/report.pdf"): page(404, 404, 404),
}
WAIVER = {"finding": "x", "reason": "Because it is so."}
PROGRAMS = {
    ("GET", "/api/v1/openapi.json"): ours(200, 200, 200),
    ("POST", "/api/v1/cases"): ours(201, 201, 403, json=FORM),
    ("GET", "/api/v1/cases"): ours(200, 200, 200),
    ("GET", "/api/v1/cases/{case_id}"): ours(200, 404, 200),
    ("GET", "/api/v1/cases/{case_id}/form"): ours(200, 404, 200),
    ("PUT", "/api/v1/cases/{case_id}/form"): ours(200, 404, 403, json=FORM),
    ("PATCH", "/api/v1/cases/{case_id}/form"): ours(200, 404, 403, json={"shade": "A2"}),
    ("POST", "/api/v1/cases/{case_id}/submit"): ours(200, 404, 403),
    ("POST", "/api/v1/cases/{case_id}/withdraw"): ours(200, 404, 403),
    ("GET", "/api/v1/cases/{case_id}/records"): ours(200, 404, 200),
    ("PUT", "/api/v1/cases/{case_id}/files/{file_name}"): ours(201, 404, 403, content=b"solid"),
    ("GET", "/api/v1/cases/{case_id}/records/{record_id}"): ours(200, 404, 200),
    ("PATCH", "/api/v1/cases/{case_id}/records/{record_id}"): ours(200, 404, 403, json={"role": "tissue"}),
    ("DELETE", "/api/v1/cases/{case_id}/records/{record_id}"): ours(204, 404, 403),
    ("GET", "/api/v1/cases/{case_id}/records/{record_id}/file"): ours(200, 404, 200),
    ("GET", "/api/v1/cases/{case_id}/report"): ours(404, 404, 404),
    ("GET", "/api/v1/cases/{case_id}/report.pdf"): ours(404, 404, 404),
    ("GET", "/api/v1/cases/{case_id}/findings"): ours(404, 404, 404),
    ("GET", "/api/v1/cases/{case_id}/pictures/{name}"): ours(404, 404, 404),
    ("POST", "/api/v1/cases/{case_id}/waivers"): ours(403, 404, 409, json=WAIVER),
    ("POST", "/api/v1/cases/{case_id}/return"): ours(403, 404, 409, json={"text": "Back."}),
    ("POST", "/api/v1/cases/{case_id}/release"): ours(403, 404, 409),
    ("GET", "/api/v1/cases/{case_id}/release"): ours(404, 404, 404),
    ("GET", "/api/v1/cases/{case_id}/release/package"): ours(404, 404, 404),
    ("GET", "/api/v1/cases/{case_id}/messages"): ours(200, 404, 200),
    ("POST", "/api/v1/cases/{case_id}/messages"): ours(201, 404, 201, json={"text": "The bite is next."}),
    ("GET", "/api/v1/webhooks"): ours(200, 200, 200),
    ("POST", "/api/v1/webhooks"): ours(422, 422, 422, json={"url": "https://127.0.0.1/"}),
    ("DELETE", "/api/v1/webhooks/{webhook_id}"): ours(204, 404, 404),
    ("POST", "/api/v1/webhooks/{webhook_id}/secret"): ours(200, 404, 404),
    ("POST", "/api/v1/webhooks/{webhook_id}/trial"): ours(202, 404, 404),
    ("GET", "/api/v1/webhooks/{webhook_id}/deliveries"): ours(200, 404, 404),
    ("OPTIONS", "/api/v1/uploads"): Answers(204, 204, 204, 204),
    ("POST", "/api/v1/uploads"): ours(201, 404, 403, headers=TUS, announces=True),
    ("HEAD", "/api/v1/uploads/{upload_id}"): ours(200, 404, 404, headers=TUS),
    ("PATCH", "/api/v1/uploads/{upload_id}"): ours(204, 404, 404, headers=PART, content=b"solid"),
    ("DELETE", "/api/v1/uploads/{upload_id}"): ours(204, 404, 404, headers=TUS),
}
TABLE: dict[tuple[str, str], Answers] = DOOR | PAGES | PROGRAMS
