"""Rigid motions as 4 × 4 matrices, and the small algebra they need."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from seed_data.phantoms.dice import Dice

Matrix = NDArray[np.float64]
Vectors = NDArray[np.float64]


def rigid(rotation: Matrix, shift_mm: Vectors) -> Matrix:
    """The motion p → rotation · p + shift."""
    T = np.eye(4)
    T[:3, :3] = rotation
    T[:3, 3] = shift_mm
    return T


def move(T: Matrix, points_mm: Vectors) -> Vectors:
    """Points of shape (n, 3) or (3,), moved."""
    moved: Vectors = points_mm @ T[:3, :3].T + T[:3, 3]
    return moved


def turn(T: Matrix, directions: Vectors) -> Vectors:
    """Directions of shape (n, 3) or (3,), turned."""
    turned: Vectors = directions @ T[:3, :3].T
    return turned


def inverse(T: Matrix) -> Matrix:
    R = T[:3, :3]
    return rigid(R.T, -R.T @ T[:3, 3])


def unit(v: Vectors) -> Vectors:
    """The same directions with length 1, along the last axis."""
    scaled: Vectors = v / np.linalg.norm(v, axis=-1, keepdims=True)
    return scaled


def about(axis: Vectors, angle_rad: float) -> Matrix:
    """Rotation by an angle about an axis through the origin (Rodrigues)."""
    k = unit(np.asarray(axis, dtype=np.float64))
    K = np.array([[0.0, -k[2], k[1]], [k[2], 0.0, -k[0]], [-k[1], k[0], 0.0]])
    R: Matrix = np.eye(3) + np.sin(angle_rad) * K + (1.0 - np.cos(angle_rad)) * (K @ K)
    return R


def motion_about(point_mm: Vectors, axis: Vectors, angle_rad: float, shift_mm: Vectors) -> Matrix:
    """Turns about an axis through a point, then shifts."""
    R = about(axis, angle_rad)
    return rigid(R, point_mm - R @ point_mm + shift_mm)


def any_rotation(rng: Dice) -> Matrix:
    """A rotation drawn evenly from all of them (QR of a Gaussian matrix, det +1)."""
    Q, R = np.linalg.qr(rng.standard_normal((3, 3)))
    Q = Q * np.sign(np.diag(R))
    if np.linalg.det(Q) < 0:
        Q[:, 0] = -Q[:, 0]
    return np.asarray(Q, dtype=np.float64)


def any_direction(rng: Dice) -> Vectors:
    return unit(rng.standard_normal(3))


def frame_on(axis: Vectors, towards: Vectors) -> Matrix:
    """Rotation whose third column is `axis` and whose first is `towards`, made square to it."""
    z = unit(axis)
    x = unit(towards - z * float(towards @ z))
    return np.stack([x, np.cross(z, x), z], axis=1)


def angle_between_deg(a: Vectors, b: Vectors) -> float:
    """Angle between two directions; atan2 keeps small angles true."""
    return float(np.degrees(np.arctan2(np.linalg.norm(np.cross(a, b)), a @ b)))


FLIP = np.diag([-1.0, 1.0, -1.0])
"""From one jaw's frame to the other's: half a turn about the direction to the front. Its own inverse."""


def tiny_motion(rng: Dice, at_mm: Vectors, *, angle_deg: float, shift_mm: Vectors) -> Matrix:
    """A turn about a random axis through a point, and a shift."""
    return motion_about(at_mm, any_direction(rng), np.radians(angle_deg), shift_mm)
