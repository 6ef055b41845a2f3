"""A surface drawn in greys by our own means: every facet on a grid of pixels, the nearest in front, lit from the upper left."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Faces = NDArray[np.int32]
Greys = NDArray[np.uint8]

PAPER = 255
FINER = 2
"""Drawn this much finer each way, and brought down by averaging."""
LIGHT = (-0.45, 0.5, 0.74)
"""Toward the light: right, up, toward the eye."""
DARKEST, BRIGHTEST, BEHIND = 70.0, 242.0, 0.55
"""Greys of the front; the back of a surface is darker by the factor."""
STEP_MM, LINE = 1.2, 60.0
"""Where the surface behind is farther back than this, a line is drawn, in this grey."""


@dataclass(frozen=True, slots=True)
class Eye:
    """From where a surface is seen, far off. right, up, toward: (3,) orthonormal, right-handed; centre_mm: (3,) what is in the
    middle of the picture; span_mm: its width there."""

    right: Floats
    up: Floats
    toward: Floats
    centre_mm: Floats
    span_mm: float

    def on_paper(self, points: Floats) -> Floats:
        """(n, 2) right and up of the middle, mm."""
        off = np.asarray(points) - self.centre_mm
        return np.stack([off @ self.right, off @ self.up], axis=-1)


def shaded(vertices: Floats, faces: Faces, eye: Eye, width: int, height: int) -> Greys:
    """The surface as greys (height, width), PAPER where there is none. vertices (n, 3) mm, faces (m, 3)."""
    scale = FINER * width / eye.span_mm
    right, up = eye.on_paper(vertices).T
    x = 0.5 * FINER * width + scale * right
    y = 0.5 * FINER * height - scale * up
    depth = (vertices - eye.centre_mm) @ eye.toward
    axes = np.stack([eye.right, eye.up, eye.toward])
    light = np.array(LIGHT) / np.linalg.norm(LIGHT)
    normals = _vertex_normals(vertices, faces) @ axes.T
    fine = _drawn(np.stack([x, y, depth], axis=1), normals, faces, light, FINER * height, FINER * width)
    return np.asarray(np.rint(fine.reshape(height, FINER, width, FINER).mean(axis=(1, 3))), dtype=np.uint8)


@njit(cache=True, nogil=True)
def _vertex_normals(vertices: Floats, faces: Faces) -> Floats:
    out = np.zeros((len(vertices), 3))
    for f in range(len(faces)):
        a, b, c = faces[f, 0], faces[f, 1], faces[f, 2]
        u, v = vertices[b] - vertices[a], vertices[c] - vertices[a]
        n = np.cross(u, v)
        for d in range(3):
            out[a, d] += n[d]
            out[b, d] += n[d]
            out[c, d] += n[d]
    for i in range(len(out)):
        length = np.sqrt(out[i, 0] ** 2 + out[i, 1] ** 2 + out[i, 2] ** 2)
        if length > 0.0:
            out[i] /= length
    return out


@njit(cache=True, nogil=True)
def _drawn(places: Floats, normals: Floats, faces: Faces, light: Floats, height: int, width: int) -> Floats:
    """places (n, 3): pixels right and down, depth toward the eye."""
    grey = np.full((height, width), float(PAPER))
    front = np.full((height, width), -np.inf)
    for f in range(len(faces)):
        _facet(places, normals, faces[f], light, grey, front)
    _outlined(grey, front)
    return grey


@njit(cache=True, nogil=True)
def _facet(
    places: Floats, normals: Floats, corners: Faces, light: Floats, grey: Floats, front: Floats
) -> None:
    """One facet onto the pixels whose middle it covers and where it is in front."""
    a, b, c = corners[0], corners[1], corners[2]
    ax, ay, bx, by = places[a, 0], places[a, 1], places[b, 0], places[b, 1]
    cx, cy = places[c, 0], places[c, 1]
    area = (bx - ax) * (cy - ay) - (by - ay) * (cx - ax)
    if area == 0.0:
        return
    height, width = grey.shape
    left, right = max(int(np.ceil(min(ax, bx, cx) - 0.5)), 0), min(int(max(ax, bx, cx) - 0.5), width - 1)
    top, low = max(int(np.ceil(min(ay, by, cy) - 0.5)), 0), min(int(max(ay, by, cy) - 0.5), height - 1)
    for j in range(top, low + 1):
        for i in range(left, right + 1):
            px, py = i + 0.5, j + 0.5
            wa = ((bx - px) * (cy - py) - (by - py) * (cx - px)) / area
            wb = ((cx - px) * (ay - py) - (cy - py) * (ax - px)) / area
            wc = 1.0 - wa - wb
            if min(wa, wb, wc) < -1e-9:
                continue
            z = wa * places[a, 2] + wb * places[b, 2] + wc * places[c, 2]
            if z > front[j, i]:
                front[j, i] = z
                grey[j, i] = _tone(wa * normals[a] + wb * normals[b] + wc * normals[c], light)


@njit(cache=True, nogil=True)
def _tone(normal: Floats, light: Floats) -> float:
    lit: float = normal[0] * light[0] + normal[1] * light[1] + normal[2] * light[2]
    if normal[2] < 0.0:
        return float(BEHIND * (DARKEST + (BRIGHTEST - DARKEST) * max(-lit, 0.0)))
    return float(DARKEST + (BRIGHTEST - DARKEST) * max(lit, 0.0))


@njit(cache=True, nogil=True)
def _outlined(grey: Floats, front: Floats) -> None:
    """Lines where the surface ends before what lies farther back."""
    height, width = grey.shape
    for j in range(1, height - 1):
        for i in range(1, width - 1):
            farthest = min(front[j, i + 1], front[j, i - 1], front[j + 1, i], front[j - 1, i])
            if front[j, i] > -np.inf and front[j, i] - farthest > STEP_MM:
                grey[j, i] = LINE
