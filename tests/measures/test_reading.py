from __future__ import annotations

import io

import pytest
from PIL import Image

from server.measures.measure import Measurement, Status
from server.measures.reading import READING, ReadingResult
from server.records.roles import Role
from tests.measures.files import TABLE, bench, obj, patch, stl


def _read(data: bytes, name: str = "jaw.stl", role: Role = Role.JAW) -> ReadingResult:
    (made,) = bench(data, name, role).run([READING], {})
    assert made.status is Status.MEASURED
    return ReadingResult.model_validate(made.result)


def test_a_mesh_is_counted() -> None:
    result = _read(stl(patch(40.0)))
    assert (result.format, result.n_facets_stored, result.n_vertices) == ("stl-binary", 50, 36)
    assert (result.n_collapsed_facets, result.stated_unit_mm, result.refusal) == (0, None, None)
    assert result.is_single_precision


@pytest.mark.parametrize("role", [role for role in Role if role is not Role.PHOTO])
def test_every_role_is_read(role: Role) -> None:
    assert _read(obj(patch(40.0)), "a.obj", role).format == "obj"


@pytest.mark.parametrize(
    ("data", "rule"),
    [
        (b"", "file/unreadable"),
        (b"<!DOCTYPE html><html>" + b" " * 200, "file/unreadable"),
        (stl(patch(40.0))[:-700], "file/truncated"),
        (stl(patch(40.0)[:0], b"scan"), "file/no-triangles"),
        (stl(patch(float("nan"))), "file/non-finite"),
    ],
)
def test_a_refusal_is_data(data: bytes, rule: str) -> None:
    refusal = _read(data).refusal
    assert refusal is not None
    assert refusal.rule == rule
    assert refusal.reason
    assert refusal.says
    assert refusal.remedy


def test_a_table_of_positions_is_read_and_refused_under_the_same_rules() -> None:
    result = _read(TABLE, "positions.csv", Role.MARKERS)
    assert (result.format, result.n_rows, result.stated_unit_mm) == ("table-csv", 4, 1.0)
    broken = _read(TABLE.replace(b"20", b"inf"), "positions.csv", Role.MARKERS)
    assert broken.refusal is not None
    assert (broken.refusal.rule, broken.refusal.reason) == ("file/non-finite", "not-finite")


def test_a_table_under_another_role_is_no_scan() -> None:
    assert _read(TABLE, "jaw.csv", Role.JAW).refusal is not None


def test_photos_are_read_as_pictures() -> None:
    held = io.BytesIO()
    Image.new("RGB", (8, 6), (200, 120, 90)).save(held, "PNG")
    assert _read(held.getvalue(), "smile.png", Role.PHOTO).format == "png"
    cut = _read(held.getvalue()[:40], "smile.png", Role.PHOTO)
    assert cut.refusal is not None
    assert _read(stl(patch(40.0)), "smile.png", Role.PHOTO).refusal is not None


def test_the_kept_reading_is_not_made_again() -> None:
    first: list[Measurement] = bench(stl(patch(40.0))).run([READING], {})
    again = bench(stl(patch(40.0))).run([READING], {first[0].key: first[0]})
    assert again[0] is first[0]
