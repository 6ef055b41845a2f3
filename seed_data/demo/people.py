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
    """organisation: the key of the lab or of a clinic."""

    email: str
    name: str
    role: DemoRole
    organisation: str


LAB = DemoOrganisation("lab", "Millrace Dental Laboratory")
CLINICS = (
    DemoOrganisation("quayside", "Quayside Implant Practice"),
    DemoOrganisation("beacon", "Beacon Hill Surgery"),
    DemoOrganisation("orchard", "Orchard Row Dental Care"),
)
PEOPLE = (
    DemoPerson("ines@millrace.invalid", "Ines Callard", DemoRole.ADMINISTRATOR, "lab"),
    DemoPerson("tomas@millrace.invalid", "Tomas Wrede", DemoRole.LAB, "lab"),
    DemoPerson("noor@millrace.invalid", "Noor Astley", DemoRole.LAB, "lab"),
    DemoPerson("frida@quayside.invalid", "Frida Hollis", DemoRole.CLINIC, "quayside"),
    DemoPerson("malik@quayside.invalid", "Malik Verran", DemoRole.CLINIC, "quayside"),
    DemoPerson("judit@beacon.invalid", "Judit Okonski", DemoRole.CLINIC, "beacon"),
    DemoPerson("emeka@orchard.invalid", "Emeka Tirado", DemoRole.CLINIC, "orchard"),
)
