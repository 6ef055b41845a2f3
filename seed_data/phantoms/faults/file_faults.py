"""Faults of group file: what is wrong with the bytes, before any surface is looked at."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import partial

import numpy as np

from seed_data.phantoms.dice import Dice, dice
from seed_data.phantoms.faults.expect import Found, fault
from seed_data.phantoms.mesh_files import Format, mesh_bytes, stl_bytes, stl_text
from seed_data.phantoms.work import Stage, Work
from server.records.roles import Unit
from server.rules.limit import Level

WEB_PAGE = (
    b"<!DOCTYPE html>\n<html><head><title>Sign in</title></head><body>Your session has ended.</body></html>\n"
)
POINTER = b"version https://example.invalid/large-file/v1\noid sha256:" + b"0" * 64 + b"\nsize 11250084\n"
INVENTED_PATIENT = "Patient: Wren Okafor-Lind, born 1961-04-17"
SIZE_ALSO = tuple(
    f"surface/{rule}" for rule in ("coarse", "degenerate", "hole", "islands", "rough", "spikes")
)
"""A surface of the wrong size is wrong in every length and area."""
TOO_MANY_FACETS = 20_240_000
"""Just over what a reader takes (20 million)."""


def _renamed(work: Work, key: str, form: Format) -> None:
    """Gives a record another format, and its name the ending of it."""
    plan = work.files[key]
    plan.form = form
    plan.name = f"{plan.name.rsplit('.', 1)[0]}.{form.ending}"


def _binary_stl(work: Work, key: str) -> bytes:
    """The record as a plain binary STL, whatever it was."""
    _renamed(work, key, Format.STL)
    draft, plan = work.drafts[key], work.files[key]
    return stl_bytes(draft.in_file() / (plan.unit.in_mm or 1.0), draft.faces)


def _replaced(key: str, content: bytes) -> Callable[[Work, Dice], Found]:
    def spoil(work: Work, _rng: Dice) -> Found:
        _renamed(work, key, Format.STL)
        work.files[key].data = content
        return Found(Level.RETURN, key)

    return spoil


def _truncated(work: Work, rng: Dice) -> Found:
    data = _binary_stl(work, "opposing")
    work.files["opposing"].data = data[: int(len(data) * rng.uniform(0.4, 0.9))]
    return Found(Level.RETURN, "opposing")


def _count_too_small(work: Work, _rng: Dice) -> Found:
    data = bytearray(_binary_stl(work, "tissue"))
    stated = int.from_bytes(data[80:84], "little") - 5000
    data[80:84] = stated.to_bytes(4, "little")
    work.files["tissue"].data = bytes(data)
    return Found(Level.RETURN, "tissue", also=("file/unreadable", "file/truncated"))


def _no_end(work: Work, _rng: Dice) -> Found:
    _renamed(work, "bite-left", Format.STL)
    draft = work.drafts["bite-left"]
    text = stl_text(draft.in_file(), draft.faces)
    work.files["bite-left"].unit = work.files["bite-left"].declared_unit = Unit.MM
    work.files["bite-left"].data = text[: int(len(text) * 0.8)]
    return Found(Level.RETURN, "bite-left")


def _point_cloud(work: Work, _rng: Dice) -> Found:
    _renamed(work, "tissue", Format.PLY)
    draft, plan = work.drafts["tissue"], work.files["tissue"]
    none = np.zeros((0, 3), dtype=np.int64)
    points = draft.in_file() / (plan.unit.in_mm or 1.0)
    habits = replace(plan.habits, is_shuffled=False, has_separate_corners=False)
    plan.data = mesh_bytes(points, none, Format.PLY, habits, rng=dice(work.seed, "cloud"))
    return Found(Level.RETURN, "tissue")


def _header_only(work: Work, _rng: Dice) -> Found:
    _renamed(work, "bite-right", Format.STL)
    work.files["bite-right"].data = stl_bytes(
        np.zeros((0, 3)), np.zeros((0, 3), dtype=np.int64), header="binary surface export"
    )
    return Found(Level.RETURN, "bite-right")


def _not_finite(work: Work, rng: Dice) -> Found:
    data = bytearray(_binary_stl(work, "jaw"))
    count = int.from_bytes(data[80:84], "little")
    for facet in rng.choice(count, 37, replace=False):
        at = 84 + 50 * int(facet) + 12 + 4 * int(rng.integers(9))
        data[at : at + 4] = np.float32(np.nan if rng.random() < 0.6 else np.inf).tobytes()
    work.files["jaw"].data = bytes(data)
    return Found(Level.RETURN, "jaw", value=37.0)


def _too_heavy(work: Work, rng: Dice) -> Found:
    """A legal PLY of polygons with 255 corners: 20 MB on disk, more than 20 million triangles in memory."""
    _renamed(work, "tissue", Format.PLY)
    points = work.drafts["tissue"].in_file()[:255].astype("<f4")
    polygons = TOO_MANY_FACETS // 253
    head = (
        f"ply\nformat binary_little_endian 1.0\nelement vertex 255\nproperty float x\nproperty float y\n"
        f"property float z\nelement face {polygons}\nproperty list uchar uchar vertex_indices\nend_header\n"
    )
    ring = bytes([255, *rng.permutation(255).astype(np.uint8).tolist()])
    work.files["tissue"].unit = work.files["tissue"].declared_unit = Unit.MM
    work.files["tissue"].data = head.encode() + points.tobytes() + ring * polygons
    return Found(Level.RETURN, "tissue")


def _unit(
    key: str, written: Unit, declared: Unit, level: Level, *, scale: float = 1.0
) -> Callable[[Work, Dice], Found]:
    def spoil(work: Work, rng: Dice) -> Found:
        plan, draft = work.files[key], work.drafts[key]
        plan.unit, plan.declared_unit, plan.rescale = written, declared, scale
        points = draft.in_file() * (scale / (written.in_mm or 1.0))
        plan.data = mesh_bytes(points, draft.faces, plan.form, plan.habits, rng=rng)
        also = (*SIZE_ALSO, "bite/missing", "bite/no-contact", "form/role-doubtful")
        return Found(level, key, also=also)

    return spoil


def _far(work: Work, rng: Dice, *, away_mm: float, level: Level, step_mm: float) -> Found:
    plan, draft = work.files["opposing"], work.drafts["opposing"]
    T = work.frame("opposing").copy()
    T[0, 3] += away_mm
    work.frames["opposing"] = T
    work.drafts["opposing"] = draft = replace(draft, T_file_joint=T)
    plan.unit = plan.declared_unit = Unit.MM
    if plan.form not in (Format.STL, Format.PLY):
        _renamed(work, "opposing", Format.STL)
    plan.data = mesh_bytes(draft.in_file(), draft.faces, plan.form, plan.habits, rng=rng)
    also = ("surface/rough", "surface/degenerate", "surface/non-manifold")
    return Found(level, "opposing", value=step_mm, value_within=1e-6, unit="mm", also=also)


def _same_surface(work: Work, rng: Dice) -> Found:
    """The working jaw's scan, exported once more, stands where the opposing jaw should be."""
    plan = work.files["opposing"]
    draft = work.drafts["jaw"]
    work.drafts["opposing"] = replace(draft, name="opposing", role=plan.role)
    work.frames["opposing"] = work.frame("jaw")
    habits = replace(plan.habits, is_shuffled=True)
    plan.data = mesh_bytes(
        draft.in_file() / (plan.unit.in_mm or 1.0), draft.faces, plan.form, habits, rng=rng
    )
    also = (
        "form/role-doubtful",
        "surface/no-fit",
        "bite/missing",
        "bite/scan-disagrees",
        "bite/no-contact",
        "bite/penetration",
    )
    return Found(Level.LOOK, "opposing", also=(*also, "bite/tilt", "bite/one-sided"))


def _named_header(work: Work, _rng: Dice) -> Found:
    _renamed(work, "jaw", Format.STL)
    draft, plan = work.drafts["jaw"], work.files["jaw"]
    plan.data = stl_bytes(draft.in_file() / (plan.unit.in_mm or 1.0), draft.faces, header=INVENTED_PATIENT)
    return Found(Level.NOTE, "jaw")


def _named_file(work: Work, _rng: Dice) -> Found:
    plan = work.files["opposing"]
    plan.name = f"Okafor-Lind_Wren_1961-04-17_upper.{plan.form.ending}"
    return Found(Level.NOTE, "opposing")


F = Stage.FILE
FILE_FAULTS = (
    fault(
        "file-unreadable", "file/unreadable", F, "a web page saved as a scan", _replaced("tissue", WEB_PAGE)
    ),
    fault(
        "file-unreadable-pointer",
        "file/unreadable",
        F,
        "a stand-in of a large-file store",
        _replaced("opposing", POINTER),
    ),
    fault("file-unreadable-empty", "file/unreadable", F, "an empty file", _replaced("bite-left", b"")),
    fault("file-unreadable-count", "file/unreadable", F, "fewer facets stated than stored", _count_too_small),
    fault("file-truncated", "file/truncated", F, "a binary STL cut short", _truncated),
    fault("file-truncated-ascii", "file/truncated", F, "an ASCII STL cut short", _no_end),
    fault("file-no-triangles", "file/no-triangles", F, "a cloud of points", _point_cloud),
    fault("file-no-triangles-header", "file/no-triangles", F, "a header and no facet", _header_only),
    fault("file-non-finite", "file/non-finite", F, "coordinates that are no numbers", _not_finite),
    fault("file-too-heavy", "file/too-heavy", F, "more triangles than are taken", _too_heavy),
    fault(
        "file-unit-doubtful",
        "file/unit-doubtful",
        F,
        "metres declared as millimetres",
        _unit("opposing", Unit.M, Unit.MM, Level.LOOK),
    ),
    fault(
        "file-unit-doubtful-inch",
        "file/unit-doubtful",
        F,
        "inches declared as millimetres",
        _unit("tissue", Unit.INCH, Unit.MM, Level.LOOK),
    ),
    fault(
        "file-unit-doubtful-none",
        "file/unit-doubtful",
        F,
        "a size that fits no unit",
        _unit("tissue", Unit.MM, Unit.MM, Level.RETURN, scale=20.0),
    ),
    fault(
        "file-far-origin",
        "file/far-origin",
        F,
        "200 m from the origin",
        partial(_far, away_mm=200_000.0, level=Level.LOOK, step_mm=2.0**-6),
    ),
    fault(
        "file-far-origin-return",
        "file/far-origin",
        F,
        "900 m from the origin",
        partial(_far, away_mm=900_000.0, level=Level.RETURN, step_mm=2.0**-4),
    ),
    fault("file-same-surface", "file/same-surface", F, "one scan under two roles", _same_surface),
    fault("file-personal-data", "file/personal-data", F, "a name in a header", _named_header),
    fault("file-personal-data-name", "file/personal-data", F, "a name as file name", _named_file),
)
