"""How the files of a record set are called and written: format, unit, habits of the exporter."""

from __future__ import annotations

from seed_data.phantoms.dice import Dice, dice
from seed_data.phantoms.marker_sets import MarkerForm
from seed_data.phantoms.mesh_files import Format, draw_habits
from seed_data.phantoms.work import FilePlan, Work
from server.records.roles import Role, Unit

NAMES: tuple[dict[str, str], ...] = (
    {},
    {
        "jaw": "LowerJaw",
        "tissue": "Tissue",
        "denture": "Denture360",
        "opposing": "Antagonist",
        "markers": "Positions",
    },
    {
        "jaw": "working arch with bodies",
        "tissue": "working arch",
        "opposing": "opposing arch",
        "markers": "bodies",
    },
)


def plan_files(work: Work) -> dict[str, FilePlan]:
    """A plan for every record of the work, in the order in which they will be listed."""
    rng = dice(work.seed, "files")
    names = dict(NAMES[int(rng.integers(len(NAMES)))])
    if "LowerJaw" in names.values() and work.mouth.arch.value == "upper":
        names["jaw"] = "UpperJaw"
    unit = (Unit.MM, Unit.M, Unit.CM, Unit.INCH)[int(rng.choice(4, p=[0.82, 0.08, 0.05, 0.05]))]
    plans = {}
    for key, subject in work.subjects.items():
        form = _format(rng, subject.role)
        plans[key] = FilePlan(
            name=f"{names.get(key, key)}.{form.ending}",
            role=subject.role,
            form=form,
            habits=draw_habits(rng),
            unit=unit,
            declared_unit=unit,
            has_colour=form.ending == "ply" and rng.random() < 0.8,
        )
    if work.markers is not None:
        is_mesh = work.markers.form is MarkerForm.MESH
        ending = "stl" if is_mesh else work.markers.form.value
        plans["markers"] = FilePlan(
            name=f"{names.get('markers', 'markers')}.{ending}",
            role=Role.MARKERS,
            form=Format.STL,
            habits=draw_habits(rng),
            unit=Unit.MM,
            declared_unit=Unit.MM,
            body=work.markers.body,
        )
    return plans


def _format(rng: Dice, role: Role) -> Format:
    drawn = rng.random()
    if role in (Role.JAW, Role.DENTURE, Role.OPPOSING):
        return Format.STL if drawn < 0.85 else Format.PLY
    if drawn < 0.6:
        return Format.STL
    if drawn < 0.8:
        return Format.PLY
    return (Format.PLY_BIG, Format.OBJ, Format.PLY_ASCII)[int(rng.integers(3))]
