"""The records of a mouth: what each shows, how far it reaches, from where it is seen, and how well it is scanned."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import partial

import numpy as np
from numpy.typing import NDArray

from seed_data.phantoms.dice import Dice, dice, pick
from seed_data.phantoms.disturb import Drift, Noise, draw_drift, draw_noise
from seed_data.phantoms.height_map import HeightMap, grid_places, map_from
from seed_data.phantoms.layout import JawLayout
from seed_data.phantoms.mesher import Field
from seed_data.phantoms.mouth import Mouth
from seed_data.phantoms.rigid import FLIP, Matrix, tiny_motion
from seed_data.phantoms.scanner import Part, Settings, Subject
from seed_data.phantoms.sight import directions
from seed_data.phantoms.solids import Placed, body_field
from server.records.case_form import Prosthesis
from server.records.roles import Role

Floats = NDArray[np.float64]

LOW_MM = np.array([-44.0, -24.0, -40.0])
HIGH_MM = np.array([44.0, 62.0, 16.0])
BITE_HALF_HEIGHT_MM = 10.5
BITE_ACROSS_MM = (-7.0, 6.0)
"""From behind to before the curve through edges and outer cusps: facial surfaces, cusps, and a little gum."""
BITE_LENGTHS_MM = {"left": (1, -9.0, 43.0), "right": (-1, -9.0, 43.0), "front": (0, -27.0, 27.0)}


@dataclass(frozen=True, slots=True)
class Device:
    """How finely and how well one clinic's scanner works in this case. detail 1 is real size; less is lighter."""

    spacing_mm: float
    coarse_mm: float
    noise: Noise
    drift_mm: float


def draw_device(seed: int, prosthesis: Prosthesis, *, detail: float, noise_um: float | None = None) -> Device:
    """Spacing 0.25 to 0.30 mm at detail 1, at most 0.37 mm where bodies are and 0.46 mm elsewhere."""
    rng = dice(seed, "device")
    spacing = pick(rng, 0.25, 0.30) / detail
    definitive = prosthesis is Prosthesis.DEFINITIVE
    noise = draw_noise(rng, 0.005, 0.016 if definitive else 0.024)
    if noise_um is not None:
        scale = noise_um / 1000.0 / noise.rms_mm
        noise = Noise(noise.white_mm * scale, noise.correlated_mm * scale, noise.patch_mm)
    return Device(
        spacing_mm=float(np.clip(spacing, 0.15, 0.37)),
        coarse_mm=float(np.clip(spacing * pick(rng, 1.0, 1.1), 0.15, 0.46)),
        noise=noise,
        drift_mm=0.015 if definitive else 0.035,
    )


def subjects_of(seed: int, mouth: Mouth) -> dict[str, Subject]:
    """The records of a clean set, in the order of events: sometimes without a third bite scan, seldom with a before."""
    rng = dice(seed, "records")
    made = [jaw_subject(mouth), tissue_subject(mouth), denture_subject(mouth), opposing_subject(mouth)]
    bites = ("left", "right", "front") if rng.random() < 0.5 else ("left", "right")
    made += [bite_subject(mouth, place) for place in bites]
    made += [before_subject(mouth)] if rng.random() < 0.25 else []
    return {subject.name: subject for subject in made}


def jaw_subject(mouth: Mouth, shown: tuple[Placed | None, ...] | None = None) -> Subject:
    """The working jaw. shown: by site, the bodies to be scanned where they are not the mouth's own; a site without
    one wears its cap."""
    standing = mouth.placed if shown is None else shown
    jaw = replace(
        mouth.jaw,
        standing=tuple(placed for placed in standing if placed is not None),
        capped=tuple(own for own, placed in zip(mouth.placed, standing, strict=True) if placed is None),
    )
    bodies = tuple(None if p is None else partial(_body, p, mouth.jaw.rounding_mm) for p in standing)
    part = Part(jaw.distance, LOW_MM, HIGH_MM)
    return Subject("jaw", Role.JAW, (part,), _flat_extent(mouth.edges.jaw), _s_of(mouth.layout), bodies)


def tissue_subject(mouth: Mouth) -> Subject:
    part = Part(mouth.tissue.distance, LOW_MM, HIGH_MM)
    return Subject("tissue", Role.TISSUE, (part,), _flat_extent(mouth.edges.jaw), _s_of(mouth.layout))


def before_subject(mouth: Mouth) -> Subject:
    part = Part(mouth.before.distance, LOW_MM, HIGH_MM)
    return Subject("before", Role.BEFORE, (part,), _flat_extent(mouth.edges.jaw), _s_of(mouth.layout))


def denture_subject(mouth: Mouth) -> Subject:
    part = Part(mouth.denture.distance, LOW_MM, HIGH_MM)
    return Subject("denture", Role.DENTURE, (part,), None, _s_of(mouth.layout))


def opposing_subject(mouth: Mouth) -> Subject:
    part = Part(mouth.opposing.distance, *_other_box())
    edge = mouth.edges.opposing
    return Subject(
        "opposing", Role.OPPOSING, (part,), lambda p: edge.at(p[:, :2] * (-1.0, 1.0)), _s_of(mouth.layout)
    )


def bite_subject(mouth: Mouth, place: str) -> Subject:
    """Facial surfaces of both jaws closed, on one side or in front; the denture is in place."""
    s, t = _facial_maps(mouth.layout)
    side, near, far = BITE_LENGTHS_MM[place]
    sign = side * mouth.layout.right_sign * -1.0 if side else 0.0

    def extent(p: Floats) -> Floats:
        uv = p[:, :2]
        along = s.at(uv) * sign if side else s.at(uv)
        beside = np.maximum(near - along, along - far)
        tall = np.abs(p[:, 2] - mouth.layout.occlusal_mm(uv)) - BITE_HALF_HEIGHT_MM
        across = t.at(uv)
        return np.maximum(
            np.maximum(beside, tall), np.maximum(BITE_ACROSS_MM[0] - across, across - BITE_ACROSS_MM[1])
        )

    parts = (Part(mouth.denture.distance, LOW_MM, HIGH_MM), Part(mouth.opposing.distance, *_other_box()))
    return Subject(f"bite-{place}", Role.BITE, parts, extent, _s_of(mouth.layout))


def settings_for(seed: int, subject: Subject, mouth: Mouth, device: Device) -> Settings:
    """Settings of one clean record, drawn for it alone."""
    rng = dice(seed, "settings", subject.name)
    drift_mm = device.drift_mm * {Role.JAW: 1.0, Role.BITE: 0.3, Role.OPPOSING: 0.6}.get(subject.role, 0.5)
    drift = draw_drift(rng, most_mm=drift_mm)
    return Settings(
        spacing_mm=device.spacing_mm if subject.role is Role.JAW else device.coarse_mm,
        noise=_own_noise(rng, device.noise),
        drift=drift,
        ragged_mm={Role.BITE: 0.8}.get(subject.role, pick(rng, 0.8, 1.4)),
        views=_views(subject, mouth),
        holes=0 if subject.role in (Role.DENTURE, Role.BITE) else int(rng.integers(0, 3)),
        specks=0 if subject.role in (Role.DENTURE, Role.BITE) else int(rng.integers(0, 4)),
        tags=0 if subject.role is Role.DENTURE else int(rng.integers(0, 4)),
        body_moves=body_moves(rng, subject, mouth, drift),
        part_moves=_part_moves(rng, mouth) if subject.role is Role.BITE else (),
    )


def _own_noise(rng: Dice, noise: Noise) -> Noise:
    scale = pick(rng, 0.85, 1.0)
    return Noise(noise.white_mm * scale, noise.correlated_mm * scale, noise.patch_mm)


def body_moves(rng: Dice, subject: Subject, mouth: Mouth, drift: Drift) -> tuple[Matrix, ...]:
    """Stitching carries each body along as a whole, and turns it by a few hundredths of a degree."""
    if not subject.bodies:
        return ()
    seats = np.array([placed.seat_mm for placed in mouth.placed])
    shifts = drift.at(subject.s_of(seats))
    angles = rng.uniform(0.0, 0.05, len(seats))
    return tuple(
        tiny_motion(rng, seat, angle_deg=float(a), shift_mm=d)
        for seat, a, d in zip(seats, angles, shifts, strict=True)
    )


def _part_moves(rng: Dice, mouth: Mouth) -> tuple[Matrix, ...]:
    """In a bite scan the other jaw lies a few microns off."""
    at = np.array([0.0, mouth.layout.pole_v_mm, 0.0])
    return (
        np.eye(4),
        tiny_motion(rng, at, angle_deg=pick(rng, 0.0, 0.015), shift_mm=rng.uniform(-0.008, 0.008, 3)),
    )


def _views(subject: Subject, mouth: Mouth) -> Floats | None:
    """Directions from which a scanner's tip looks: over the arch and from its sides; a bite from the cheeks' side."""
    up = np.array([0.0, 0.0, 1.0])
    if subject.role is Role.DENTURE:
        return None
    if subject.role is Role.OPPOSING:
        return directions(FLIP @ up, (0.0, 30.0, 55.0, 75.0, 88.0), 14)
    if subject.role is Role.BITE:
        _, near, far = BITE_LENGTHS_MM[subject.name.removeprefix("bite-")]
        side = BITE_LENGTHS_MM[subject.name.removeprefix("bite-")][0]
        sign = -side * mouth.layout.right_sign if side else 1
        out = mouth.layout.facial.outward_at(sign * 0.5 * (near + far))
        return directions(np.array([out[0], out[1], 0.0]), (0.0, 20.0, 38.0), 10)
    return directions(up, (0.0, 25.0, 45.0, 62.0, 76.0, 88.0), 16)


def _flat_extent(edge: HeightMap) -> Field:
    return lambda p: edge.at(p[:, :2])


def _s_of(layout: JawLayout) -> Field:
    s, _ = _facial_maps(layout)
    return lambda p: s.at(p[:, :2])


def _facial_maps(layout: JawLayout) -> tuple[HeightMap, HeightMap]:
    """Arc length and offset from the facial curve, as smooth maps."""
    key = id(layout)
    if key not in _MAPS:
        _MAPS.clear()
        s, t = layout.facial.along(grid_places())
        _MAPS[key] = (layout, map_from(s, blur_mm=2.0), map_from(t, blur_mm=0.8))
    return _MAPS[key][1], _MAPS[key][2]


_MAPS: dict[int, tuple[JawLayout, HeightMap, HeightMap]] = {}


def _other_box() -> tuple[Floats, Floats]:
    return np.array([-44.0, -24.0, -16.0]), np.array([44.0, 64.0, 40.0])


def _body(placed: Placed, rounding_mm: float, points: Floats) -> Floats:
    return body_field(placed, points, rounding_mm=rounding_mm)
