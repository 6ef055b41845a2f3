"""3MF against a general library's export, and its unit, places and faults."""

from __future__ import annotations

import io
import zipfile

import numpy as np
import pytest
import trimesh

from server.metrology.readers import read_scan
from server.metrology.readers.reading import Unreadable

CORE = "http://schemas.microsoft.com/3dmanufacturing/core/2015/02"
MESH = (
    "<mesh><vertices>"
    '<vertex x="0" y="0" z="0"/><vertex x="1" y="0" z="0"/><vertex x="0" y="1" z="0"/><vertex x="0" y="0" z="1"/>'
    '</vertices><triangles><triangle v1="0" v2="2" v3="1"/><triangle v1="0" v2="1" v3="3"/>'
    '<triangle v1="0" v2="3" v3="2"/><triangle v1="1" v2="2" v3="3"/></triangles></mesh>'
)


def _file(body: str, unit: str = "millimeter", before: str = "") -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("3D/3dmodel.model", f'{before}<model unit="{unit}" xmlns="{CORE}">{body}</model>')
    return out.getvalue()


def _built(*items: str, objects: str = f'<object id="1">{MESH}</object>') -> str:
    return f"<resources>{objects}</resources><build>{''.join(items)}</build>"


def test_what_a_library_writes_is_read_as_it_was() -> None:
    ball = trimesh.creation.icosphere(subdivisions=3)
    reading = read_scan(ball.export(file_type="3mf"), "ball.3mf")
    assert (reading.scan.n_faces, reading.scan.n_vertices) == (1280, 642)
    assert np.abs(np.sort(reading.scan.vertices, axis=0) - np.sort(ball.vertices, axis=0)).max() < 1e-6


def test_an_inch_is_25_4_mm() -> None:
    """3MF Core 1.4.0: the unit attribute, millimetre by default."""
    assert read_scan(_file(_built('<item objectid="1"/>'), "inch"), "a.3mf").unit_mm == 25.4
    assert read_scan(_file(_built('<item objectid="1"/>')), "a.3mf").unit_mm == 1.0


def test_a_place_moves_and_a_component_is_placed_within_it() -> None:
    objects = (
        f'<object id="1">{MESH}</object><object id="2"><components>'
        '<component objectid="1" transform="1 0 0 0 1 0 0 0 1 0 0 5"/></components></object>'
    )
    body = _built('<item objectid="2" transform="1 0 0 0 1 0 0 0 1 10 0 0"/>', objects=objects)
    low = read_scan(_file(body), "a.3mf").scan.vertices.min(axis=0)
    assert low.tolist() == [10.0, 0.0, 5.0]


def test_a_mirrored_place_keeps_the_outer_side_out() -> None:
    body = _built('<item objectid="1" transform="-1 0 0 0 1 0 0 0 1 0 0 0"/>')
    reading = read_scan(_file(body), "a.3mf")
    assert [note.code for note in reading.notes] == ["mirrored-parts"]
    mesh = trimesh.Trimesh(reading.scan.vertices, reading.scan.faces, process=False)
    assert mesh.volume == pytest.approx(1 / 6)


@pytest.mark.parametrize(
    ("data", "reason"),
    [
        (lambda: _file(_built('<item objectid="9"/>')), "bad-statement"),
        (
            lambda: _file(
                _built(
                    '<item objectid="1"/>',
                    objects='<object id="1"><components><component objectid="1"/></components></object>',
                )
            ),
            "bad-statement",
        ),
        (lambda: _file(_built('<item objectid="1"/>'), "furlong"), "bad-statement"),
        (lambda: _file(_built('<item objectid="1"/>').replace('v3="1"', 'v3="8"')), "bad-statement"),
        (lambda: _file(_built('<item objectid="1"/>').replace('z="1"', 'z="up"')), "bad-number"),
        (lambda: _file(_built('<item objectid="1"/>').replace('z="1"', 'z="nan"')), "not-finite"),
        (
            lambda: _file(_built('<item objectid="1"/>'), before='<!DOCTYPE a [<!ENTITY b "c">]>'),
            "bad-statement",
        ),
        (lambda: _file("<resources>"), "bad-statement"),
        (lambda: _file(_built()).replace(b"", b"")[:-40], "archive-damaged"),
    ],
    ids=["no such part", "endless", "unit", "index", "word", "nan", "entities", "not well formed", "cut"],
)
def test_faults_are_refused_with_their_reason(data, reason: str) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(Unreadable) as caught:
        read_scan(data(), "a.3mf")
    assert caught.value.reason == reason
