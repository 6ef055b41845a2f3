"""The gates: what may be undone at the chair now, by what has arrived and what was found.

A gate opens on measurements only as far as they go; what no measure covers is said beside it. Where what the gate is
about was not measured at all, it does not open: the clinic is told to judge with its own eyes.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass

from server.records.roles import Role
from server.rules.finding import Finding
from server.rules.limit import Level, Outcome
from server.rules.wording import count_words, listed, sentence
from server.web.pages.chair.page import GateView


@dataclass(frozen=True, slots=True)
class Gate:
    """roles: the records it depends on; groups: rules that hold it whatever they are about; rests_on: rules without whose
    answer it stays shut, saying `unseen`."""

    stays: str
    may: str
    roles: tuple[Role, ...]
    groups: tuple[str, ...]
    absent: str
    rests_on: tuple[str, ...] = ()
    unseen: str = ""


MARKERS_OFF = Gate(
    "The markers stay on",
    "The markers may come off",
    (Role.MARKERS,),
    ("markers",),
    "The implant positions have not arrived. Without them nothing independent checks the span of the jaw scan.",
    ("markers/count",),
    "The markers themselves were not measured. Look at every one of them in the record before any comes off.",
)
BODIES_OFF = Gate(
    "The scan bodies stay on",
    "The scan bodies may come off",
    (Role.JAW,),
    ("bodies",),
    "The jaw scan with scan bodies has not arrived.",
    ("bodies/count", "bodies/coverage"),
    "The scan bodies themselves were not measured. Look at every one of them, all round, before any comes off.",
)
BITE_BROKEN = Gate(
    "The bite stays as it is",
    "The bite may be broken",
    (Role.BITE, Role.OPPOSING),
    ("bite", "vertical"),
    "The bite scan or the opposing jaw scan has not arrived.",
    ("bite/scan-disagrees",),
    "The bite itself was not measured. Compare the scans with the mouth before it is broken.",
)
ALL_DONE = Gate(
    "The patient stays",
    "Nothing more to rescan by what could be measured",
    (Role.DENTURE,),
    ("file", "surface", "form", "round", "bodies", "markers", "bite", "denture", "vertical", "space"),
    "The denture scan has not arrived.",
)


@dataclass(frozen=True, slots=True)
class GateEvidence:
    """roles: by file name, of the records at hand; busy: roles still being measured; findings: those not waived;
    is_judged: whether there is a report on exactly what is at hand."""

    roles: Mapping[str, Role]
    busy: Collection[Role]
    findings: Collection[Finding]
    is_judged: bool


def gate_view(gate: Gate, seen: GateEvidence) -> GateView:
    """The gate as it stands."""
    here = set(seen.roles.values())
    if any(role not in here for role in gate.roles):
        return GateView("shut", gate.stays, gate.absent)
    awaited = set(Role) if gate is ALL_DONE else set(gate.roles)
    if awaited & set(seen.busy) or not seen.is_judged:
        return GateView("shut", gate.stays, "Being measured.")
    about = [f for f in seen.findings if _concerns(f, gate, seen.roles)]
    grave = [f for f in about if f.level is Level.RETURN]
    if grave:
        redo = dict.fromkeys(
            seen.roles[file].words for f in grave for file in f.records if file in seen.roles
        )
        words = f"To be done again: {listed(list(redo))}." if redo else "Complete the form first."
        return GateView("hold", gate.stays, words)
    answered = {f.rule for f in seen.findings if f.outcome in _ANSWERS}
    if any(rule not in answered for rule in gate.rests_on):
        return GateView("shut", gate.stays, gate.unseen)
    looks = sum(1 for f in about if f.level is Level.LOOK)
    also = f" The lab will look at {count_words(looks, 'thing')}." if looks else ""
    return GateView(
        "may", gate.may, sentence(f"by what could be measured; what could not is listed at the foot.{also}")
    )


_ANSWERS = (Outcome.PASSED, Outcome.DOUBTFUL, Outcome.FAILED)


def _concerns(finding: Finding, gate: Gate, roles: Mapping[str, Role]) -> bool:
    if finding.rule.split("/")[0] in gate.groups:
        return True
    return any(roles.get(file) in gate.roles for file in finding.records)
