"""The case form of a phantom, filled in as a careful clinic would."""

from __future__ import annotations

from typing import Any

import numpy as np

from seed_data.phantoms.dice import dice, near, pick
from seed_data.phantoms.mouth import Mouth, tooth_at
from seed_data.phantoms.rigid import angle_between_deg
from server.records.case_form import Prosthesis
from server.records.teeth import Numbering, Tooth

Form = dict[str, Any]
"""A case.json before it is written; faults may spoil it beyond what the models allow."""

NEEDED_BY = "2031-05-04T15:30:00+00:00"
SIGNED_AT = "2024-05-02T11:05:00+00:00"
PRESCRIBERS = ("A. Hollis", "M. Verran", "J. Okonski", "S. Tirado")


def draw_numbering(seed: int) -> Numbering:
    return Numbering.FDI if dice(seed, "numbering").random() < 0.65 else Numbering.UNIVERSAL


def draw_form(seed: int, mouth: Mouth, numbering: Numbering) -> Form:
    """Everything but the records."""
    rng = dice(seed, "form")
    reference = round(near(rng, 64.0, 3.0), 1)
    planned = float(rng.choice([0.0, 0.0, 0.0, 1.0, 2.0]))
    seated = round(reference + planned + near(rng, 0.0, 0.15), 1)
    form: Form = {
        "schema": "archproof.case/1",
        "patient_code": f"R-{1000 + seed % 9000}",
        "working_arch": mouth.arch.value,
        "numbering": numbering.value,
        "prosthesis": mouth.prosthesis.value,
        "material": mouth.material.value,
        "connection": "titanium-base"
        if mouth.prosthesis is Prosthesis.DEFINITIVE or rng.random() < 0.5
        else "direct",
        "opposing_dentition": "natural" if rng.random() < 0.7 else "fixed",
        "needed_by": NEEDED_BY,
        "prescriber": {
            "name": PRESCRIBERS[seed % 4],
            "licence": f"D{20000 + seed % 7000}",
            "signed_at": SIGNED_AT,
        },
        "vertical": {
            "reference_mm": reference,
            "seated_mm": seated,
            "planned_change_mm": planned,
            "repeats_mm": [round(seated + pick(rng, -0.15, 0.15), 1) for _ in range(3)],
        },
        "planned_teeth": planned_teeth(mouth, numbering),
        "sites": [_site(seed, mouth, index, numbering) for index in range(len(mouth.sites))],
        "records": [],
        "shade": ("A1", "A2", "A3", "B1")[seed % 4],
        "attested": {
            "bite_checked_in_mouth": True,
            "denture_seat_checked": True,
            "marks_unmoved": True,
            "bodies_torqued": True,
        },
    }
    covered = _covered_site(seed, mouth, numbering)
    return form | {"sites": [*form["sites"], covered]} if covered else form


def planned_teeth(mouth: Mouth, numbering: Numbering) -> str:
    """From the last implant of one side to that of the other, so that nothing hangs free."""
    return planned_range([mouth.tooth(k) for k in range(len(mouth.sites))], numbering)


def planned_range(teeth: list[Tooth], numbering: Numbering) -> str:
    """From the patient's right to the left, or in rising Universal numbers."""
    teeth = sorted(teeth, key=lambda tooth: tooth.place)
    low, high = teeth[0], teeth[-1]
    if numbering is Numbering.UNIVERSAL:
        low, high = sorted((low, high), key=lambda tooth: int(tooth.universal))
    return f"{low.code(numbering)}-{high.code(numbering)}"


def _site(seed: int, mouth: Mouth, index: int, numbering: Numbering) -> Form:
    rng = dice(seed, "form", "site", str(index))
    placed = mouth.sites[index].placed
    tilt = angle_between_deg(placed.axis, np.array([0.0, 0.0, 1.0]))
    return {
        "tooth": mouth.tooth(index).code(numbering),
        "scan_body": placed.kind,
        "abutment_angle_deg": 0.0 if tilt < 15 else (17.0 if rng.random() < 0.5 else 30.0),
        "cuff_mm": float(rng.choice([1.0, 1.5, 2.0, 2.5, 3.0])),
        "seat_confirmed": "radiograph" if rng.random() < 0.8 else "tactile",
        "interface": "abutment level, 4.8",
        "torque_ncm": 15.0,
        "loaded": True,
    }


def _covered_site(seed: int, mouth: Mouth, numbering: Numbering) -> Form | None:
    """Now and then one more implant that heals under the tissue and carries no body."""
    rng = dice(seed, "form", "covered")
    taken = {(site.side, site.number) for site in mouth.sites}
    free = [(side, number) for side in (-1, 1) for number in (4, 5, 6) if (side, number) not in taken]
    if rng.random() > 0.15 or len(mouth.sites) > 6 or not free:
        return None
    side, number = free[int(rng.integers(len(free)))]
    tooth = tooth_at(mouth.arch, mouth.layout, side, number)
    return {"tooth": tooth.code(numbering), "loaded": False, "cuff_mm": 2.0}
