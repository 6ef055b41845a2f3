"""A mouth of landscapes: a jaw, the tissue beneath it, a denture that fits it, an opposing jaw, and bite scans that show
denture and opposing jaw together. Each record is meshed with noise of its own; the true relation of all is known."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cache

import numpy as np
from numpy.typing import NDArray

from server.measures.bench import RecordBench
from server.measures.case_bench import CaseBench
from server.metrology.rigid import apply, inverse
from server.metrology.scan import Scan
from server.records.roles import Role, Unit
from tests.measures.files import stl
from tests.metrology.registration.landscapes import frame, hills, meshed
from tests.rules.good_set import form

Floats = NDArray[np.float64]

EDGE, OTHER = hills(22), hills(23)
UP_24 = np.array([0.0, 0.0, 24.0])
ABOVE = np.array([[1.0, 0.0, 0.0, 0.0], [0.0, 1.0, 0.0, 0.0], [0.0, 0.0, 1.0, 12.0], [0.0, 0.0, 0.0, 1.0]])
LEFT, RIGHT = (
    {"half_mm": (10.0, 20.0), "centre_mm": (18.0, 0.0)},
    {"half_mm": (10.0, 20.0), "centre_mm": (-18.0, 0.0)},
)


def GUM(x: Floats, y: Floats) -> Floats:  # noqa: N802 - a landscape like the others
    """Hills on a dome, so that the side that faced the scanner shows."""
    return np.asarray(hills(21)(x, y) - (x * x + y * y) / 70.0)


def _joined(one: Scan, other: Scan) -> Scan:
    return Scan(
        np.concatenate([one.vertices, other.vertices]),
        np.concatenate([one.faces, other.faces + one.n_vertices]).astype(np.int32),
    )


def _lifted(scan: Scan) -> Scan:
    return Scan(apply(ABOVE, scan.vertices), scan.faces)


def _slab(seed: int, half_mm: tuple[float, float] = (30.0, 22.0), spacing_mm: float = 0.5) -> Scan:
    """A closed body between the gum below and EDGE, 12 mm above, on a grid of its own, with walls all round."""
    rng = np.random.default_rng(seed)
    steps = [np.arange(-h + rng.uniform(0.0, spacing_mm), h, spacing_mm) for h in half_mm]
    x, y = np.meshgrid(*steps, indexing="ij")
    n, m = x.shape
    low = np.stack([x, y, GUM(x, y)], axis=-1).reshape(-1, 3)
    high = np.stack([x, y, EDGE(x, y) + 12.0], axis=-1).reshape(-1, 3)
    points = np.concatenate([low, high])
    points[:, 2] += rng.normal(scale=0.01, size=len(points))
    number = np.arange(n * m).reshape(n, m)
    a, b, c, d = number[:-1, :-1], number[1:, :-1], number[1:, 1:], number[:-1, 1:]
    up = np.concatenate([np.stack([a, b, c], -1).reshape(-1, 3), np.stack([a, c, d], -1).reshape(-1, 3)])
    rim = np.concatenate([number[:-1, 0], number[-1, :-1], number[:0:-1, -1], number[0, :0:-1]])
    after, over = np.roll(rim, -1), n * m
    walls = [np.stack([rim, after, after + over], 1), np.stack([rim, after + over, rim + over], 1)]
    return Scan(points, np.concatenate([up[:, ::-1], up + over, *walls]).astype(np.int32))


@cache
def _records() -> dict[str, Scan]:
    """In one frame. The denture's chewing side is EDGE, 12 mm above the gum; the opposing jaw is OTHER, looking at it."""
    denture = _slab(3)
    opposing = meshed(OTHER, 5, is_turned=True)
    lifted = Scan(opposing.vertices + UP_24, opposing.faces)
    made = {
        "jaw.stl": meshed(GUM, 1),
        "tissue.stl": meshed(GUM, 2),
        "denture.stl": denture,
        "opposing.stl": lifted,
    }
    for seed, (name, place) in enumerate({"bite-left.stl": LEFT, "bite-right.stl": RIGHT}.items()):
        above = meshed(OTHER, 30 + seed, is_turned=True, **place)
        made[name] = _joined(
            _lifted(meshed(EDGE, 20 + seed, **place)), Scan(above.vertices + UP_24, above.faces)
        )
    return made


def _role(file: str) -> Role:
    return Role(file.split(".")[0].split("-")[0])


@dataclass
class LandMouth:
    """records: by file, in its own frame; T: by file, (4, 4) of its frame from the common one."""

    records: dict[str, Scan] = field(default_factory=lambda: dict(_records()))
    T: dict[str, Floats] = field(default_factory=dict)

    def moved(self, file: str, T: Floats) -> None:
        scan = self.records[file]
        self.records[file] = Scan(apply(T, scan.vertices), scan.faces)
        self.T[file] = T @ self.T.get(file, np.eye(4))

    def apart(self) -> LandMouth:
        """Every record in a frame of its own."""
        for seed, file in enumerate(self.records):
            self.moved(file, frame(40 + seed))
        return self

    def mirrored(self, file: str) -> None:
        scan = self.records[file]
        self.records[file] = Scan(scan.vertices * (-1.0, 1.0, 1.0), scan.faces[:, ::-1].copy())

    def inside_out(self, file: str) -> None:
        scan = self.records[file]
        self.records[file] = Scan(scan.vertices, scan.faces[:, ::-1].copy())

    def relation(self, moving: str, fixed: str) -> Floats:
        """T_fixed_moving as it truly is."""
        return self.T.get(fixed, np.eye(4)) @ inverse(self.T.get(moving, np.eye(4)))

    def bench(self, *files: str) -> CaseBench:
        """The records laid on the bench, all of them where none are named."""
        return CaseBench(
            form(),
            {
                file: RecordBench(
                    stl(self.records[file].vertices[self.records[file].faces]),
                    file_name=file,
                    role=_role(file),
                    unit=Unit.MM,
                )
                for file in files or self.records
            },
            {},
        )
