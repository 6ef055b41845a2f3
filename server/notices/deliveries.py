"""What a webhook receives: a small signed JSON with ids alone, posted to an address that was checked.

Source: Standard Webhooks specification (headers webhook-id, webhook-timestamp, webhook-signature; several signatures
while a secret is changed; 410 ends it), from memory; signed by its library.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from datetime import datetime

from standardwebhooks import Webhook as Signer

from server.accounts.tables import Organisation
from server.accounts.work import Work
from server.kit.outward import Outward, Unreached
from server.kit.public_address import AddressRefused
from server.notices.outcome import Came, Outcome
from server.notices.tables import Notice, Webhook

GONE = 410


@dataclass(frozen=True)
class Delivery:
    """An event on its way to one address. `body` is the same at every try; the signature holds the time of the try."""

    url: str
    notice_id: str
    body: str
    secrets: tuple[str, ...]

    def headers(self, now: datetime) -> dict[str, str]:
        signatures = (Signer(secret).sign(self.notice_id, now, self.body) for secret in self.secrets)
        return {
            "Content-Type": "application/json",
            "webhook-id": self.notice_id,
            "webhook-timestamp": str(int(now.timestamp())),
            "webhook-signature": " ".join(signatures),
        }


def delivery_for(work: Work, notice: Notice) -> Delivery | None:
    """The delivery that a notice asks for; None where the address is gone or its organisation has ended."""
    webhook = work.session.get(Webhook, notice.webhook_id)
    organisation = work.session.get(Organisation, webhook.organisation_id) if webhook is not None else None
    if webhook is None or organisation is None or organisation.disabled_at is not None:
        return None
    secrets = [webhook.secret]
    if webhook.previous_secret and webhook.previous_until and webhook.previous_until > work.now:
        secrets.append(webhook.previous_secret)
    return Delivery(webhook.url, notice.id, body_of(work.portal.settings.address, notice), tuple(secrets))


def body_of(address: str, notice: Notice) -> str:
    """The event as JSON."""
    place = f"/cases/{notice.case_id}" if notice.case_id else "/webhooks"
    told = {
        "id": notice.id,
        "type": notice.event.value,
        "timestamp": notice.at.isoformat(),
        "data": {"case_id": notice.case_id, "round": notice.round_number, "url": address + place},
    }
    return json.dumps(told, separators=(",", ":"))


def deliver(outward: Outward, delivery: Delivery, now: datetime) -> Outcome:
    """Posts a delivery. Anything but a status of the two hundreds is a failure."""
    try:
        status = outward.post(delivery.url, delivery.headers(now), delivery.body.encode())
    except AddressRefused as refused:
        return Outcome(Came.NEVER, refused.says)
    except Unreached as failed:
        return Outcome(Came.AGAIN, failed.says)
    if 200 <= status < 300:
        return Outcome(Came.SENT, f"Answered {status}.")
    if 300 <= status < 400:
        return Outcome(Came.AGAIN, f"Answered {status}; a redirect is not followed.")
    if status == GONE:
        return Outcome(Came.NEVER, f"Answered {status}: the address is gone.")
    return Outcome(Came.AGAIN, f"Answered {status}.")
