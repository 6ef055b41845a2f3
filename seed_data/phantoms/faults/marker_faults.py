"""Faults of group markers: positions from photogrammetry against the jaw scan."""

from __future__ import annotations

from dataclasses import replace
from functools import partial

import numpy as np
from numpy.typing import NDArray

from seed_data.phantoms.bodies import KINDS
from seed_data.phantoms.dice import Dice, pick
from seed_data.phantoms.disturb import Drift
from seed_data.phantoms.faults.expect import Found, fault
from seed_data.phantoms.faults.rebuild import (
    as_mesh,
    as_table,
    markers_of,
    move_marker,
    shifted,
    tilted,
    with_jaw,
)
from seed_data.phantoms.rigid import Matrix, any_direction, motion_about, rigid
from seed_data.phantoms.solids import Placed
from seed_data.phantoms.subjects import body_moves
from seed_data.phantoms.work import Stage, Work
from server.rules.limit import Level

Floats = NDArray[np.float64]

FIT_ALSO = ("markers/fit", "markers/span", "markers/one-off", "markers/axis", "markers/scale")


def _any_site(work: Work, rng: Dice) -> int:
    return int(rng.integers(len(work.mouth.sites)))


def _one_short(work: Work, rng: Dice) -> Found:
    site = _any_site(work, rng)
    markers = markers_of(work)
    keep = [k for k, s in enumerate(markers.sites) if s != site]
    work.markers = replace(
        markers,
        placed=tuple(markers.placed[k] for k in keep),
        sites=tuple(markers.sites[k] for k in keep),
        teeth=tuple(markers.teeth[k] for k in keep),
    )
    return Found(Level.RETURN, "markers", sites=(site,))


def _other_kind(work: Work, rng: Dice) -> Found:
    """The mesh shows another kind of body than the form says."""
    as_mesh(work)
    shown = {p.kind for p in markers_of(work).placed} | {work.mouth.placed[0].kind}
    others = [kind for kind in KINDS if kind not in shown]
    if not others:
        raise LookupError("this phantom uses every kind of body")
    kind = others[int(rng.integers(len(others)))]
    markers = markers_of(work)
    work.markers = replace(
        markers, placed=tuple(Placed(kind, p.T_joint_body) for p in markers.placed), body=None
    )
    work.files["markers"].body = None
    return Found(Level.RETURN, "markers", also=(*FIT_ALSO, "bodies/fit", "bodies/coverage"))


def _mirrored(work: Work, _rng: Dice) -> Found:
    as_table(work)
    markers = markers_of(work)
    mirror = np.diag([-1.0, 1.0, 1.0, 1.0])
    work.markers = replace(
        markers, placed=tuple(Placed(p.kind, mirror @ p.T_joint_body) for p in markers.placed)
    )
    return Found(Level.RETURN, "markers", also=FIT_ALSO)


def _one_off(work: Work, rng: Dice, *, by_mm: float, level: Level) -> Found:
    """One implant's position is wrong in the photogrammetry."""
    site = _any_site(work, rng)
    step = any_direction(rng) * by_mm
    move_marker(work, site, lambda T: rigid(np.eye(3), step) @ T)
    also = ("markers/fit", "markers/span", "markers/axis", "markers/scale")
    return Found(
        level, "markers", sites=(site,), value=by_mm, value_within=0.35 * by_mm, unit="mm", also=also
    )


def _unseated(work: Work, rng: Dice) -> Found:
    """One scan body was not screwed home when the jaw was scanned: it stands high and leans."""
    site = _any_site(work, rng)
    own = work.mouth.placed[site]
    leaning = tilted(own, any_direction(rng), pick(rng, 0.3, 0.5))
    with_jaw(work, site, shifted(leaning, own.axis * 0.3))
    also = (
        "markers/fit",
        "markers/span",
        "markers/axis",
        "markers/scale",
        "denture/impression-mismatch",
        "bodies/coverage",
    )
    return Found(Level.RETURN, "jaw", sites=(site,), value=0.3, value_within=0.1, unit="mm", also=also)


def _scattered(work: Work, rng: Dice) -> Found:
    """Every position is a little wrong, each in its own direction."""
    for site in range(len(work.mouth.sites)):
        move_marker(work, site, partial(np.matmul, rigid(np.eye(3), any_direction(rng) * 0.19)))
    return Found(Level.LOOK, also=("markers/span", "markers/one-off", "markers/scale"))


def _bent(work: Work, rng: Dice, *, end_mm: float, level: Level) -> Found:
    """The jaw scan was stitched with an error that grows along the arch; the positions are right."""
    settings, subject = work.settings["jaw"], work.subjects["jaw"]
    side = 1.0 if rng.random() < 0.5 else -1.0
    drift = Drift(
        np.array([side, rng.uniform(-0.3, 0.3), rng.uniform(-0.3, 0.3)]) * end_mm, -50.0 * side, 100.0
    )
    moves = body_moves(rng, subject, work.mouth, drift)
    work.settings["jaw"] = replace(settings, drift=drift, body_moves=moves)
    seats = np.array([p.seat_mm for p in work.mouth.placed])
    moved = seats + drift.at(subject.s_of(seats))
    value = float(np.abs(_lengths(moved) - _lengths(seats)).max())
    also = ("markers/fit", "markers/one-off", "markers/axis", "markers/scale", "denture/impression-mismatch")
    return Found(
        level,
        value=value,
        value_within=0.05 + 0.1 * value,
        unit="mm",
        also=(*also, "bite/scan-disagrees", "bite/tilt", "denture/thin", "space/thickness"),
    )


def _lengths(points: Floats) -> Floats:
    i, j = np.triu_indices(len(points), 1)
    return np.asarray(np.linalg.norm(points[i] - points[j], axis=1), dtype=np.float64)


def _axis_turned(work: Work, rng: Dice, *, angle_deg: float, level: Level) -> Found:
    site = _any_site(work, rng)
    own = work.mouth.placed[site]
    across = np.cross(own.axis, any_direction(rng))
    turn = motion_about(own.seat_mm, across, np.radians(angle_deg), np.zeros(3))
    move_marker(work, site, lambda T: turn @ T)
    return Found(level, sites=(site,), value=angle_deg, value_within=0.2, unit="°", also=("markers/one-off",))


def _scaled(work: Work, _rng: Dice, *, ratio: float, level: Level) -> Found:
    markers = markers_of(work)
    as_table(work)

    def grown(T: Matrix) -> Matrix:
        return rigid(T[:3, :3], T[:3, 3] * ratio)

    for site in markers.sites:
        move_marker(work, site, grown)
    also = ("markers/fit", "markers/span", "markers/one-off")
    return Found(level, "markers", value=ratio - 1.0, value_within=0.002, also=also)


M = Stage.MOUTH
MARKER_FAULTS = (
    fault("markers-count", "markers/count", M, "one position too few", _one_short),
    fault("markers-wrong-kind", "markers/wrong-kind", M, "positions shown with another body", _other_kind),
    fault("markers-mirrored", "markers/mirrored", M, "positions mirrored", _mirrored),
    fault(
        "markers-one-off",
        "markers/one-off",
        M,
        "one position 0.24 mm off",
        partial(_one_off, by_mm=0.24, level=Level.RETURN),
    ),
    fault("markers-one-off-unseated", "markers/one-off", M, "a body not seated in the jaw scan", _unseated),
    fault("markers-fit", "markers/fit", M, "every position a little off", _scattered),
    fault(
        "markers-span",
        "markers/span",
        M,
        "the jaw scan bent by 0.3 mm",
        partial(_bent, end_mm=0.3, level=Level.LOOK),
    ),
    fault(
        "markers-span-return",
        "markers/span",
        M,
        "the jaw scan bent by 1.1 mm",
        partial(_bent, end_mm=1.1, level=Level.RETURN),
    ),
    fault(
        "markers-axis",
        "markers/axis",
        M,
        "an axis 0.8° off",
        partial(_axis_turned, angle_deg=0.8, level=Level.LOOK),
    ),
    fault(
        "markers-axis-return",
        "markers/axis",
        M,
        "an axis 1.6° off",
        partial(_axis_turned, angle_deg=1.6, level=Level.RETURN),
    ),
    fault(
        "markers-scale",
        "markers/scale",
        M,
        "positions 0.6 % too large",
        partial(_scaled, ratio=1.006, level=Level.LOOK),
    ),
    fault(
        "markers-scale-return",
        "markers/scale",
        M,
        "positions 2 % too large",
        partial(_scaled, ratio=1.02, level=Level.RETURN),
    ),
)
