"""Faults of group bite: how the jaws meet, and what bite scans say of it."""

from __future__ import annotations

from dataclasses import replace
from functools import partial

import numpy as np

from seed_data.phantoms.dice import Dice
from seed_data.phantoms.faults.expect import Found, fault
from seed_data.phantoms.faults.rebuild import another_mouth
from seed_data.phantoms.rigid import Matrix, motion_about, rigid
from seed_data.phantoms.subjects import bite_subject
from seed_data.phantoms.work import Stage, Work
from server.rules.limit import Level

BACK_TEETH_MM = 20.0
"""Half the distance between the back teeth of both sides."""
CONTACT_ALSO = ("bite/no-contact", "bite/penetration", "bite/tilt", "bite/one-sided", "vertical/changed")


def _opposing_moved(work: Work, T: Matrix) -> None:
    """Moves the other jaw, in its own record and in every bite scan: the patient closed so."""
    work.T_opposing_moved = T
    work.settings["opposing"] = replace(work.settings["opposing"], part_moves=(T,))
    for key in [key for key in work.settings if key.startswith("bite")]:
        own, other = work.settings[key].part_moves
        work.settings[key] = replace(work.settings[key], part_moves=(own, T @ other))


def _raised(work: Work, _rng: Dice, *, by_mm: float, level: Level) -> Found:
    """Chewing surfaces slope, so the gap across them grows by less than the other jaw is raised."""
    _opposing_moved(work, rigid(np.eye(3), np.array([0.0, 0.0, by_mm])))
    value = by_mm + work.mouth.denture.ground_gap_mm
    also = tuple(
        rule for rule in CONTACT_ALSO if rule != ("bite/no-contact" if by_mm > 0 else "bite/penetration")
    )
    return Found(
        level,
        "opposing",
        value=abs(value),
        value_within=0.1 + 0.2 * abs(by_mm),
        unit="mm",
        also=(*also, "space/restorative"),
    )


def _tilted(work: Work, rng: Dice, *, difference_mm: float, rule: str, level: Level) -> Found:
    """The other jaw is turned about the direction to the front: one side still touches, the other stands open."""
    side = 1.0 if rng.random() < 0.5 else -1.0
    angle = difference_mm / (2.0 * BACK_TEETH_MM)
    pivot = np.array([side * BACK_TEETH_MM, 0.0, 0.0])
    _opposing_moved(work, motion_about(pivot, np.array([0.0, 1.0, 0.0]), side * angle, np.zeros(3)))
    also = tuple(other for other in CONTACT_ALSO if other != rule)
    return Found(
        level, "opposing", value=difference_mm, value_within=0.4 * difference_mm, unit="mm", also=also
    )


def _disagrees(work: Work, rng: Dice, *, by_mm: float, level: Level) -> Found:
    """The patient did not close quite the same when one bite was scanned."""
    own, other = work.settings["bite-left"].part_moves
    angle = rng.uniform(0.0, 2 * np.pi)
    step = by_mm * np.array([np.cos(angle), np.sin(angle), 0.0])
    moved = rigid(np.eye(3), step) @ other
    work.settings["bite-left"] = replace(work.settings["bite-left"], part_moves=(own, moved))
    return Found(level, "bite-left", value=by_mm, value_within=0.3 * by_mm, unit="mm")


def _foreign(work: Work, _rng: Dice) -> Found:
    """A bite scan of another patient."""
    work.subjects["bite-left"] = bite_subject(another_mouth(work), "left")
    return Found(Level.RETURN, "bite-left", also=("bite/missing", "surface/no-fit"))


M = Stage.MOUTH
BITE_FAULTS = (
    fault(
        "bite-no-contact",
        "bite/no-contact",
        M,
        "open by 0.3 mm",
        partial(_raised, by_mm=0.30, level=Level.LOOK),
    ),
    fault(
        "bite-no-contact-return",
        "bite/no-contact",
        M,
        "open by 1.2 mm",
        partial(_raised, by_mm=1.2, level=Level.RETURN),
    ),
    fault(
        "bite-penetration",
        "bite/penetration",
        M,
        "0.3 mm into one another",
        partial(_raised, by_mm=-0.32, level=Level.LOOK),
    ),
    fault(
        "bite-penetration-return",
        "bite/penetration",
        M,
        "0.8 mm into one another",
        partial(_raised, by_mm=-0.8, level=Level.RETURN),
    ),
    fault(
        "bite-tilt",
        "bite/tilt",
        M,
        "one side 0.35 mm higher",
        partial(_tilted, difference_mm=0.35, rule="bite/tilt", level=Level.LOOK),
    ),
    fault(
        "bite-tilt-return",
        "bite/tilt",
        M,
        "one side 0.9 mm higher",
        partial(_tilted, difference_mm=0.9, rule="bite/tilt", level=Level.RETURN),
    ),
    fault(
        "bite-one-sided",
        "bite/one-sided",
        M,
        "contact on one side only",
        partial(_tilted, difference_mm=0.25, rule="bite/one-sided", level=Level.LOOK),
    ),
    fault(
        "bite-scan-disagrees",
        "bite/scan-disagrees",
        M,
        "one bite scan 0.25 mm beside the others",
        partial(_disagrees, by_mm=0.25, level=Level.LOOK),
    ),
    fault(
        "bite-scan-disagrees-return",
        "bite/scan-disagrees",
        M,
        "one bite scan 0.7 mm beside the others",
        partial(_disagrees, by_mm=0.7, level=Level.RETURN),
    ),
    fault(
        "bite-scan-disagrees-foreign", "bite/scan-disagrees", M, "a bite scan of another patient", _foreign
    ),
)
