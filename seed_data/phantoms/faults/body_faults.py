"""Faults of group bodies: what is wrong with scan bodies as the jaw scan shows them."""

from __future__ import annotations

from dataclasses import replace
from functools import partial

import numpy as np
from numpy.typing import NDArray

from seed_data.phantoms.bodies import KINDS
from seed_data.phantoms.dice import Dice
from seed_data.phantoms.disturb import Noise, noise_along_normals
from seed_data.phantoms.faults.expect import Found, fault
from seed_data.phantoms.faults.rebuild import shifted, tilted, with_jaw, with_site
from seed_data.phantoms.reference_mesh import reference_mesh
from seed_data.phantoms.rigid import angle_between_deg, inverse, move, unit
from seed_data.phantoms.sites import clearance_mm
from seed_data.phantoms.solids import Placed, body_field
from seed_data.phantoms.surface import without_pinches
from seed_data.phantoms.work import Stage, Work
from server.rules.limit import Level

Floats = NDArray[np.float64]

ROOM_ALSO = ("denture/thin", "space/restorative", "space/thickness", "space/screw-exit", "bodies/coverage")
JAW_ALSO = ("markers/one-off", "markers/fit", "markers/span", "markers/axis", "denture/imprint-count")


def _any_site(work: Work, rng: Dice) -> int:
    return int(rng.integers(len(work.mouth.sites)))


def _missing(work: Work, rng: Dice) -> Found:
    site = _any_site(work, rng)
    with_jaw(work, site, None)
    also = ("bodies/coverage", "bodies/site-order", "markers/count", *JAW_ALSO, "denture/impression-mismatch")
    return Found(Level.RETURN, "jaw", sites=(site,), also=also)


def _other_kind(work: Work, rng: Dice) -> Found:
    """Another kind of body was screwed on than the form says; the form and the markers know nothing of it."""
    site = _any_site(work, rng)
    own = work.mouth.placed[site]
    kinds = [kind for kind in KINDS if kind != own.kind]
    with_jaw(work, site, Placed(kinds[int(rng.integers(len(kinds)))], own.T_joint_body))
    also = ("bodies/fit", "bodies/coverage", "bodies/count", "bodies/too-close", *JAW_ALSO)
    return Found(Level.RETURN, "jaw", sites=(site,), also=(*also, "denture/impression-mismatch"))


def _one_sided(work: Work, rng: Dice) -> Found:
    """One side of a body was never seen: 170° of its turn are missing."""
    site = _any_site(work, rng)
    draft = work.drafts["jaw"]
    local = move(inverse(work.mouth.placed[site].T_joint_body), draft.vertices_mm)
    away = rng.uniform(0.0, 2 * np.pi)
    off = np.abs((np.arctan2(local[:, 1], local[:, 0]) - away + np.pi) % (2 * np.pi) - np.pi)
    top = local[:, 2] > KINDS[work.mouth.placed[site].kind].height_mm - 0.4
    lost = (draft.label == site) & ~top & (off < np.radians(85.0))
    work.drafts["jaw"] = draft.cut(without_pinches(draft.faces, ~lost))
    also = ("surface/hole", "surface/hole-at-body", *JAW_ALSO)
    return Found(Level.RETURN, "jaw", sites=(site,), also=also)


def _low_band(work: Work, rng: Dice) -> Found:
    """Saliva has drowned the lower third of a body."""
    site = _any_site(work, rng)
    draft = work.drafts["jaw"]
    placed = work.mouth.placed[site]
    local = move(inverse(placed.T_joint_body), draft.vertices_mm)
    height = KINDS[placed.kind].height_mm
    lost = (draft.label == site) & (local[:, 2] > 0.08 * height) & (local[:, 2] < 0.42 * height)
    work.drafts["jaw"] = draft.cut(without_pinches(draft.faces, ~lost))
    also = ("surface/hole", "surface/hole-at-body", "surface/islands", *JAW_ALSO)
    return Found(Level.LOOK, "jaw", sites=(site,), also=also)


def _rough_body(work: Work, rng: Dice, *, rms_mm: float, level: Level) -> Found:
    """One body was scanned badly: its surface waves."""
    site = _any_site(work, rng)
    draft = work.drafts["jaw"]
    own = draft.label == site
    lift = noise_along_normals(rng, Noise(0.5 * rms_mm, 0.87 * rms_mm, 1.5), draft.vertices_mm)
    moved = draft.vertices_mm + np.where(own, lift, 0.0)[:, None] * draft.normals
    work.drafts["jaw"] = replace(draft, vertices_mm=moved)
    also = ("surface/rough", "bodies/wrong-kind", "bodies/coverage", *JAW_ALSO)
    return Found(level, "jaw", sites=(site,), value=rms_mm, value_within=0.3 * rms_mm, unit="mm", also=also)


def _too_close(work: Work, _rng: Dice, *, clearance: float, level: Level) -> Found:
    """Two implants stand too near to one another."""
    placed = work.mouth.placed
    one = min(range(len(placed) - 1), key=lambda k: clearance_mm(placed[k], placed[k + 1]))
    way = unit(placed[one + 1].seat_mm - placed[one].seat_mm)
    low, high = 0.0, 14.0
    for _ in range(24):
        middle = 0.5 * (low + high)
        moved = _on_ridge(work, placed[one], way * middle)
        apart = _surface_clearance_mm(moved, placed[one + 1])
        low, high = (middle, high) if apart > clearance else (low, middle)
    with_site(work, one, _on_ridge(work, placed[one], way * low))
    value = _surface_clearance_mm(work.mouth.placed[one], work.mouth.placed[one + 1])
    return Found(
        level,
        "jaw",
        sites=(one, one + 1),
        value=value,
        value_within=0.1,
        unit="mm",
        also=(*ROOM_ALSO, "space/cantilever"),
    )


def _surface_clearance_mm(one: Placed, other: Placed) -> float:
    """Least distance of points over one body to the other's solid: finer than between the points of both."""
    body = reference_mesh(KINDS[one.kind])
    corners = body.vertices[body.faces]
    spread = np.concatenate([np.tensordot(corners, np.array(w), axes=(1, 0)) for w in _SPREAD])
    return float(body_field(other, move(one.T_joint_body, spread), rounding_mm=0.0).min())


_SPREAD = [(i / 6, j / 6, (6 - i - j) / 6) for i in range(7) for j in range(7 - i)]


def _on_ridge(work: Work, placed: Placed, by_mm: Floats) -> Placed:
    """Shifted in the plane, keeping its height over the ridge."""
    surface = work.mouth.soft.surface
    old, new = placed.seat_mm[None, :2], (placed.seat_mm + by_mm)[None, :2]
    rise = float(surface.at(new)[0] - surface.at(old)[0])
    return shifted(placed, np.array([by_mm[0], by_mm[1], rise]))


def _divergent(work: Work, _rng: Dice, *, angle_deg: float, level: Level) -> Found:
    """The last implant of one side leans too far back."""
    placed = work.mouth.placed
    site = max(range(len(placed)), key=lambda k: abs(placed[k].seat_mm[0]))
    sideways = np.array([1.0, 0.0, 0.0])
    others = [p for k, p in enumerate(placed) if k != site]
    for extra in np.arange(0.0, 80.0, 0.25):
        leaning = tilted(placed[site], sideways, float(extra))
        angles = [angle_between_deg(leaning.axis, other.axis) for other in others]
        widest = max(angles)
        if widest >= angle_deg:
            break
    with_site(work, site, shifted(leaning, np.array([0.0, 0.0, 1.2])))
    also = (
        *ROOM_ALSO,
        "bodies/too-close",
        "surface/hole-at-body",
        "form/connection-unsupported",
        "bite/penetration",
    )
    rest = [k for k in range(len(placed)) if k != site]
    pair = tuple(sorted((site, rest[angles.index(widest)])))
    return Found(level, "jaw", sites=pair, value=widest, value_within=0.5, unit="°", also=also)


def _spots_on_nothing(work: Work, rng: Dice) -> Found:
    """Somebody has matched spots of a body high above the ridge, where none stands."""
    placed = work.mouth.placed[_any_site(work, rng)]
    on_body = np.array([[1.6, 0.0, 2.0], [1.0, 1.2, 3.5], [1.0, -1.2, 3.0]])
    on_scan = move(placed.T_joint_body, on_body) + 20.0 * placed.axis
    spots = {
        "body": placed.kind,
        "scan_mm": [list(work.in_file("jaw", point)) for point in on_scan],
        "body_mm": on_body.tolist(),
    }
    for entry in work.form["records"]:
        if entry["role"] == "jaw":
            entry["spots"] = [spots]
    return Found(Level.LOOK, "jaw")


M, S = Stage.MOUTH, Stage.SURFACE
BODY_FAULTS = (
    fault(
        "bodies-by-hand",
        "bodies/by-hand",
        Stage.FORM,
        "spots of a body matched by hand where none stands",
        _spots_on_nothing,
    ),
    fault("bodies-count", "bodies/count", M, "a site without its body", _missing),
    fault("bodies-coverage", "bodies/coverage", S, "a body caught on one side only", _one_sided),
    fault("bodies-coverage-look", "bodies/coverage", S, "the lower third of a body lost", _low_band),
    fault(
        "bodies-fit",
        "bodies/fit",
        S,
        "one body badly scanned",
        partial(_rough_body, rms_mm=0.06, level=Level.LOOK),
    ),
    fault(
        "bodies-fit-return",
        "bodies/fit",
        S,
        "one body very badly scanned",
        partial(_rough_body, rms_mm=0.12, level=Level.RETURN),
    ),
    fault("bodies-wrong-kind", "bodies/wrong-kind", M, "another kind of body at one site", _other_kind),
    fault(
        "bodies-too-close",
        "bodies/too-close",
        M,
        "two bodies 0.6 mm apart",
        partial(_too_close, clearance=0.6, level=Level.LOOK),
    ),
    fault(
        "bodies-divergence",
        "bodies/divergence",
        M,
        "axes 48° apart",
        partial(_divergent, angle_deg=48.0, level=Level.LOOK),
    ),
)
