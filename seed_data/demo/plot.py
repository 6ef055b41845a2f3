"""The eight cases of the demo: which mouth, which fault, whose turn, and what was said."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import timedelta
from enum import StrEnum

from server.records.teeth import Arch


class DemoState(StrEnum):
    """Whose turn it is; the same words as the portal's."""

    COLLECTING = "collecting"
    WITH_LAB = "with-lab"
    WITH_CLINIC = "with-clinic"
    RELEASED = "released"
    WITHDRAWN = "withdrawn"


@dataclass(frozen=True, slots=True)
class Message:
    """What somebody wrote, `ago` before now. author: a person's mail address."""

    author: str
    ago: timedelta
    text: str


@dataclass(frozen=True, slots=True)
class Waiver:
    """A lab person's reasoned acceptance of one finding: of a rule, on the record of a role where it is about one."""

    rule: str
    role: str | None
    reason: str
    person: str
    ago: timedelta


@dataclass(frozen=True, slots=True)
class RoundPlot:
    """One submission. opened, submitted, returned: how long ago, None where it has not happened. faults: what was
    wrong with it; retaken: record keys that this round scanned anew; keys: the records it holds, None for all."""

    opened: timedelta
    submitted: timedelta | None = None
    returned: timedelta | None = None
    faults: tuple[str, ...] = ()
    retaken: tuple[str, ...] = ()
    keys: tuple[str, ...] | None = None


@dataclass(frozen=True, slots=True)
class CasePlot:
    """seed, arch, sites: of the phantom. needed_in: from now. closed: how long ago it was released or withdrawn."""

    key: str
    patient_code: str
    clinic: str
    author: str
    state: DemoState
    story: str
    seed: int
    arch: Arch
    sites: int
    needed_in: timedelta
    rounds: tuple[RoundPlot, ...]
    random_frames: bool = False
    messages: tuple[Message, ...] = ()
    waivers: tuple[Waiver, ...] = ()
    closed: timedelta | None = None
    notes: str = ""
    form_changes: dict[str, str] = field(default_factory=dict)


def _h(hours: float) -> timedelta:
    return timedelta(hours=hours)


CASES = (
    CasePlot(
        key="heron",
        patient_code="Q-2207",
        clinic="quayside",
        author="frida@quayside.invalid",
        state=DemoState.COLLECTING,
        story="In the chair now: the jaw scan has an opening beside a body, and the patient is still there.",
        seed=21,
        arch=Arch.UPPER,
        sites=6,
        needed_in=_h(5.5),
        rounds=(RoundPlot(opened=_h(0.6), faults=("surface-hole-at-body-return",), keys=("markers", "jaw")),),
    ),
    CasePlot(
        key="linnet",
        patient_code="Q-2210",
        clinic="quayside",
        author="malik@quayside.invalid",
        state=DemoState.COLLECTING,
        story="In the next room: markers, jaw and tissue are in and clear; the denture is being relined.",
        seed=24,
        arch=Arch.LOWER,
        sites=4,
        needed_in=_h(7.0),
        rounds=(RoundPlot(opened=_h(0.9), keys=("markers", "jaw", "tissue")),),
    ),
    CasePlot(
        key="plover",
        patient_code="B-0418",
        clinic="beacon",
        author="judit@beacon.invalid",
        state=DemoState.WITH_LAB,
        story="Everything measured and clear; the chair needs it in three hours.",
        seed=8,
        arch=Arch.LOWER,
        sites=6,
        needed_in=_h(3.0),
        rounds=(RoundPlot(opened=_h(3.2), submitted=_h(1.1)),),
        messages=(
            Message(
                "judit@beacon.invalid", _h(1.0), "Midline and smile line as the denture, please; shade stays."
            ),
        ),
    ),
    CasePlot(
        key="curlew",
        patient_code="O-1163",
        clinic="orchard",
        author="emeka@orchard.invalid",
        state=DemoState.WITH_LAB,
        story="A seam in the opposing scan and loose shells over the tissue: the lab looks, and has accepted one.",
        seed=30,
        arch=Arch.UPPER,
        sites=4,
        needed_in=_h(4.5),
        rounds=(
            RoundPlot(opened=_h(4.0), submitted=_h(1.9), faults=("surface-double-layer", "surface-islands")),
        ),
        random_frames=True,
        messages=(
            Message(
                "noor@millrace.invalid",
                _h(1.4),
                "The opposing scan lies twice over itself on one molar. Did the patient move there, or was it joined later?",
            ),
            Message(
                "emeka@orchard.invalid",
                _h(1.2),
                "Joined later, she had to cough. The bite scans were taken after.",
            ),
        ),
        waivers=(
            Waiver(
                rule="surface/islands",
                role="tissue",
                reason="Loose shells are tongue, well above the ridge; the surface below them is whole.",
                person="noor@millrace.invalid",
                ago=_h(1.1),
            ),
        ),
    ),
    CasePlot(
        key="avocet",
        patient_code="B-0421",
        clinic="beacon",
        author="judit@beacon.invalid",
        state=DemoState.WITH_CLINIC,
        story="Returned: the opposing scan has an opening of a centimetre where the lower molars meet it.",
        seed=14,
        arch=Arch.UPPER,
        sites=6,
        needed_in=_h(6.0),
        rounds=(
            RoundPlot(
                opened=_h(5.0),
                submitted=_h(2.6),
                returned=_h(0.8),
                faults=("surface-hole-return", "surface-inside-out"),
            ),
        ),
        messages=(
            Message(
                "tomas@millrace.invalid",
                _h(0.8),
                "Please scan the opposing jaw again: it has an opening of about 11 mm. All other records may stay. "
                "The jaw scan came inside out; that was turned here, nothing to do.",
            ),
        ),
    ),
    CasePlot(
        key="siskin",
        patient_code="O-1158",
        clinic="orchard",
        author="emeka@orchard.invalid",
        state=DemoState.WITH_LAB,
        story="Came back once for a rough tissue scan; the rescan is in, and only that was measured again.",
        seed=19,
        arch=Arch.LOWER,
        sites=6,
        needed_in=_h(2.0),
        rounds=(
            RoundPlot(
                opened=_h(26.0), submitted=_h(23.5), returned=_h(22.8), faults=("surface-rough-return",)
            ),
            RoundPlot(opened=_h(22.8), submitted=_h(1.6), retaken=("tissue",)),
        ),
        messages=(
            Message(
                "tomas@millrace.invalid",
                _h(22.8),
                "The tissue scan scatters by more than a tenth of a millimetre. Please dry the ridge and scan it once more.",
            ),
            Message("emeka@orchard.invalid", _h(1.6), "Done, with a new tip."),
        ),
    ),
    CasePlot(
        key="dunlin",
        patient_code="Q-2198",
        clinic="quayside",
        author="frida@quayside.invalid",
        state=DemoState.RELEASED,
        story="Released to design yesterday.",
        seed=4,
        arch=Arch.LOWER,
        sites=7,
        needed_in=_h(-20.0),
        rounds=(RoundPlot(opened=_h(31.0), submitted=_h(28.5)),),
        closed=_h(27.9),
    ),
    CasePlot(
        key="wigeon",
        patient_code="O-1149",
        clinic="orchard",
        author="emeka@orchard.invalid",
        state=DemoState.WITHDRAWN,
        story="Withdrawn: the implants were left covered after all. The jaw file carried a name in its header.",
        seed=37,
        arch=Arch.UPPER,
        sites=4,
        needed_in=_h(-50.0),
        rounds=(
            RoundPlot(
                opened=_h(77.0), submitted=_h(74.0), faults=("file-personal-data",), keys=("jaw", "opposing")
            ),
        ),
        closed=_h(70.0),
        messages=(
            Message(
                "emeka@orchard.invalid",
                _h(70.0),
                "Torque was too low on two sites, we closed the tissue. Withdrawn.",
            ),
        ),
    ),
)
