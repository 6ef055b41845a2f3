"""The bridge is needed sooner than it can be, or the order was signed in the future.

Why: a time already past is a slip of the pen, and the queue is ordered by it; a signature of tomorrow is no
signature.
How: hours from now to the time needed, against the least notice (0 unless the lab's sheet asks for more);
hours from now to the signature, where a quarter of an hour is allowed for clocks that differ. A time
without a zone is taken as UTC.
Not seen: whether the lab has the hours. That is for the lab to say.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime
from types import MappingProxyType

from server.rules.evidence import CaseEvidence, Lacking
from server.rules.limit import Limit, Sense
from server.rules.rule import Observation, Rule


def _observe(case: CaseEvidence) -> Iterator[Observation]:
    needed = case.form.needed_by
    signed = case.form.prescriber.signed_at if case.form.prescriber else None
    if needed is None and signed is None:
        raise Lacking("neither the time needed nor the signature is dated", because="form/missing")
    if needed is not None:
        notice_h = _hours(case.now, needed)
        says = f"The bridge is needed {_when(notice_h)}."
        yield Observation(says, value=notice_h, limit="notice")
    if signed is not None:
        ahead_h = _hours(case.now, signed)
        remedy = "Correct the date of the signature, and look at the clock of the device it was signed on."
        yield Observation(
            f"The order was signed {_when(ahead_h)}.", value=ahead_h, limit="signed-ahead", remedy=remedy
        )


def _hours(now: datetime, then: datetime) -> float:
    return ((then if then.tzinfo else then.replace(tzinfo=UTC)) - now).total_seconds() / 3600.0


def _when(hours: float) -> str:
    amount = f"{abs(hours):.1f} h" if abs(hours) < 48 else f"{abs(hours) / 24:.0f} days"
    return f"{amount} ago" if hours < 0 else f"in {amount}"


_PROPOSAL = "Our own proposal; a lab sets here how much notice it needs."

RULE = Rule(
    id="form/needed-by",
    revision=1,
    title="The time needed is past, or the signature lies ahead",
    remedy="Correct the time, or agree with the lab by telephone when the bridge can be had.",
    source="Common practice.",
    of_case=_observe,
    limits=MappingProxyType(
        {
            "notice": Limit.look_only(0.0, "h", _PROPOSAL, sense=Sense.LOWER),
            "signed-ahead": Limit.look_only(0.25, "h", "Our own proposal: clocks differ by minutes."),
        }
    ),
)
