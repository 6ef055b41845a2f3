"""The invented lab, its clinics and their people. Nobody here exists; the mail domains cannot."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class DemoRole(StrEnum):
    CLINIC = "clinic"
    LAB = "lab"
    ADMINISTRATOR = "administrator"


@dataclass(frozen=True, slots=True)
class DemoOrganisation:
    key: str
    name: str


@dataclass(frozen=True, slots=True)
class DemoPerson:
    """organisation: the key of the lab or of a clinic. does: what there is to see for who is no author of cases."""

    email: str
    name: str
    role: DemoRole
    organisation: str
    does: str = ""


LAB = DemoOrganisation("lab", "Millrace Dental Laboratory")
CLINICS = (
    DemoOrganisation("quayside", "Quayside Implant Practice"),
    DemoOrganisation("beacon", "Beacon Hill Surgery"),
    DemoOrganisation("orchard", "Orchard Row Dental Care"),
)
LOOKS_AFTER = "The same, and who may do what: people, clinics, and the trail of what was done."
REVIEWS = (
    "The queue of all clinics: three cases wait. One can be released, two want a look: waive, or return them."
)
PEOPLE = (
    DemoPerson("frida@quayside.invalid", "Frida Hollis", DemoRole.CLINIC, "quayside"),
    DemoPerson("malik@quayside.invalid", "Malik Verran", DemoRole.CLINIC, "quayside"),
    DemoPerson("judit@beacon.invalid", "Judit Okonski", DemoRole.CLINIC, "beacon"),
    DemoPerson("emeka@orchard.invalid", "Emeka Tirado", DemoRole.CLINIC, "orchard"),
    DemoPerson("noor@millrace.invalid", "Noor Astley", DemoRole.LAB, "lab", REVIEWS),
    DemoPerson("tomas@millrace.invalid", "Tomas Wrede", DemoRole.LAB, "lab", REVIEWS),
    DemoPerson("ines@millrace.invalid", "Ines Callard", DemoRole.ADMINISTRATOR, "lab", LOOKS_AFTER),
)
