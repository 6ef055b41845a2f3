"""Faults of a surface against the other records: of the other hand, or of another patient."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from seed_data.phantoms.dice import Dice
from seed_data.phantoms.faults.expect import Found, fault
from seed_data.phantoms.faults.rebuild import another_mouth
from seed_data.phantoms.subjects import tissue_subject
from seed_data.phantoms.work import Stage, Work
from server.rules.limit import Level

MIRROR = np.array([-1.0, 1.0, 1.0])


def _foreign(work: Work, _rng: Dice) -> Found:
    work.subjects["tissue"] = tissue_subject(another_mouth(work))
    return Found(Level.LOOK, "tissue", also=("denture/impression-mismatch",))


def _mirrored(work: Work, _rng: Dice) -> Found:
    draft = work.drafts["jaw"]
    work.drafts["jaw"] = replace(draft, vertices_mm=draft.vertices_mm * MIRROR, faces=draft.faces[:, ::-1])
    work.shown["jaw"] = ()
    also = (
        "markers/mirrored",
        "markers/fit",
        "markers/one-off",
        "markers/span",
        "markers/axis",
        "markers/scale",
    )
    more = (
        "bodies/site-order",
        "bodies/fit",
        "bodies/wrong-kind",
        "bodies/count",
        "denture/impression-mismatch",
    )
    return Found(Level.RETURN, "jaw", also=(*also, *more, "bite/scan-disagrees", "denture/imprint-count"))


BELONGING_FAULTS = (
    fault("surface-mirrored", "surface/mirrored", Stage.SURFACE, "the jaw scan mirrored", _mirrored),
    fault("surface-no-fit", "surface/no-fit", Stage.MOUTH, "the tissue scan of another patient", _foreign),
)
