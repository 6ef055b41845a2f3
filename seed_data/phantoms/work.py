"""A phantom in the making: what faults may spoil, in the order in which it comes to be."""

from __future__ import annotations

from collections.abc import Callable
from copy import deepcopy
from dataclasses import dataclass, field, replace
from enum import IntEnum

import numpy as np
from numpy.typing import NDArray

from seed_data.phantoms.dice import Dice, dice
from seed_data.phantoms.frames import own_frame, shared_frame
from seed_data.phantoms.marker_sets import MarkerSet
from seed_data.phantoms.mesh_files import Format, Habits
from seed_data.phantoms.mouth import Mouth
from seed_data.phantoms.order_form import Form
from seed_data.phantoms.rigid import Matrix
from seed_data.phantoms.scanner import Draft, Settings, Subject
from seed_data.phantoms.solids import Placed
from seed_data.phantoms.subjects import Device
from seed_data.phantoms.truth import Expectation, Vector, vector
from server.records.roles import Role, Unit
from server.records.teeth import Numbering

Floats = NDArray[np.float64]


class Stage(IntEnum):
    """When a fault strikes: before scanning, on the scanned surface, on the written file, on the filled-in form,
    on a second round."""

    MOUTH = 1
    SURFACE = 2
    FILE = 3
    FORM = 4
    ROUND = 5


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing that goes wrong. `spoil` changes the work and says what must be found."""

    name: str
    rule: str
    stage: Stage
    says: str
    spoil: Callable[[Work, Dice], list[Expectation]]


@dataclass(slots=True)
class FilePlan:
    """How one record is written. data: the bytes, once written, and written_from: the surface they hold; rescale: of
    coordinates, for a wrongly declared unit."""

    name: str
    role: Role
    form: Format
    habits: Habits
    unit: Unit
    declared_unit: Unit
    has_colour: bool = False
    body: str | None = None
    data: bytes = b""
    written_from: Draft | None = None
    is_inside_out: bool = False
    inside_out_share: float = 0.0
    double_layer_mm2: float = 0.0
    rescale: float = 1.0


@dataclass(slots=True)
class Work:
    """Keys are record keys: jaw, tissue, denture, opposing, bite-left, bite-right, bite-front, before, markers.

    shown: per record key, the bodies as they stand in that record before scanning (joint frame, by site; a site
    without a body is None). T_opposing_moved: of the opposing record from where it closes. second_round: the bytes
    of the records that a second round replaces, by key; empty where there is no second round.
    """

    seed: int
    detail: float
    random_frames: bool
    mouth: Mouth
    numbering: Numbering
    device: Device
    form: Form
    subjects: dict[str, Subject] = field(default_factory=dict)
    settings: dict[str, Settings] = field(default_factory=dict)
    shown: dict[str, tuple[Placed | None, ...]] = field(default_factory=dict)
    drafts: dict[str, Draft] = field(default_factory=dict)
    frames: dict[str, Matrix] = field(default_factory=dict)
    markers: MarkerSet | None = None
    files: dict[str, FilePlan] = field(default_factory=dict)
    T_opposing_moved: Matrix = field(default_factory=lambda: np.eye(4))
    expectations: list[Expectation] = field(default_factory=list)
    second_round: dict[str, bytes] = field(default_factory=dict)

    def copy(self) -> Work:
        """The same work, to be spoiled without harm to this one; scanned surfaces are shared."""
        return replace(
            self,
            form=deepcopy(self.form),
            subjects=dict(self.subjects),
            settings=dict(self.settings),
            shown=dict(self.shown),
            drafts=dict(self.drafts),
            frames=dict(self.frames),
            files={key: replace(plan) for key, plan in self.files.items()},
            expectations=list(self.expectations),
            second_round=dict(self.second_round),
        )

    def dice(self, *names: str) -> Dice:
        return dice(self.seed, *names)

    def frame(self, key: str) -> Matrix:
        """T_file_joint of a record. Positions from another device always have a frame of their own."""
        if key not in self.frames:
            alone = self.random_frames or key == "markers"
            rng = self.dice("frame", key)
            self.frames[key] = own_frame(rng) if alone else shared_frame(self.seed)
        return self.frames[key]

    def in_file(self, key: str, point_mm: Floats) -> Vector:
        """A joint-frame point in a record's file frame, as truth keeps it."""
        T = self.frame(key)
        return vector(T[:3, :3] @ point_mm + T[:3, 3])

    def key_of(self, role: Role) -> str:
        """The first record of a role."""
        return next(key for key, plan in self.files.items() if plan.role is role)
