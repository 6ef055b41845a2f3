"""Faults of group form, and those of other groups that lie in the form alone."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import partial
from typing import Any

from seed_data.phantoms.dice import Dice
from seed_data.phantoms.faults.expect import Found, fault
from seed_data.phantoms.mesh_files import mesh_bytes
from seed_data.phantoms.scanner import scan
from seed_data.phantoms.work import Stage, Work
from server.records.teeth import Arch, Numbering
from server.rules.limit import Level


def _loaded(work: Work, rng: Dice) -> int:
    return int(rng.integers(len(work.mouth.sites)))


def _licence_missing(work: Work, _rng: Dice) -> Found:
    del work.form["prescriber"]["licence"]
    return Found(Level.RETURN)


def _seat_missing(work: Work, rng: Dice) -> Found:
    index = _loaded(work, rng)
    del work.form["sites"][index]["seat_confirmed"]
    return Found(Level.RETURN, sites=(index,))


def _without(work: Work, role: str) -> None:
    """Takes a record away: it is neither listed nor there."""
    work.form["records"] = [entry for entry in work.form["records"] if entry["role"] != role]
    for key in [key for key, plan in work.files.items() if plan.role.value == role]:
        del work.files[key]


def _no_opposing(work: Work, _rng: Dice) -> Found:
    _without(work, "opposing")
    return Found(Level.RETURN, also=("bite/missing", "bite/scan-disagrees"))


def _no_bite(work: Work, _rng: Dice) -> Found:
    """No bite scan, and the opposing jaw exported in a frame of its own."""
    if not work.random_frames:
        raise LookupError(
            "a bite is only missing where nothing delivers the relation: make it with random frames"
        )
    _without(work, "bite")
    return Found(Level.RETURN)


def _tooth_code(work: Work, rng: Dice) -> Found:
    index = _loaded(work, rng)
    work.form["sites"][index]["tooth"] = "49" if work.numbering is Numbering.FDI else "33"
    return Found(Level.RETURN, sites=(index,))


def _other_arch(work: Work, _rng: Dice) -> Found:
    other = Arch.LOWER if work.mouth.arch is Arch.UPPER else Arch.UPPER
    work.form["working_arch"] = other.value
    sites = tuple(range(len(work.form["sites"])))
    return Found(
        Level.RETURN, sites=sites, also=("form/numbering-doubtful", "bodies/site-order", "form/role-doubtful")
    )


def _duplicate(work: Work, rng: Dice) -> Found:
    index = int(rng.integers(1, len(work.mouth.sites)))
    work.form["sites"][index]["tooth"] = work.form["sites"][index - 1]["tooth"]
    return Found(Level.RETURN, sites=(index - 1, index), also=("bodies/site-order",))


def _other_numbering(work: Work, _rng: Dice) -> Found:
    """The codes are of one system and the form declares the other."""
    other = Numbering.UNIVERSAL if work.numbering is Numbering.FDI else Numbering.FDI
    work.form["numbering"] = other.value
    return Found(Level.LOOK, also=("form/tooth-code", "form/arch-mismatch", "bodies/site-order"))


def _roles_swapped(work: Work, _rng: Dice) -> Found:
    """Opposing jaw and tissue scan change places in the form."""
    for entry in work.form["records"]:
        entry["role"] = {"opposing": "tissue", "tissue": "opposing"}.get(entry["role"], entry["role"])
    also = (
        "bite/missing",
        "surface/no-fit",
        "bite/scan-disagrees",
        "bite/no-contact",
        "bite/penetration",
        "bite/tilt",
        "bite/one-sided",
    )
    return Found(Level.LOOK, "opposing", also=(*also, "denture/impression-mismatch", "space/restorative"))


def _angle(work: Work, rng: Dice) -> Found:
    index = _loaded(work, rng)
    work.form["sites"][index]["abutment_angle_deg"] = 45.0
    return Found(Level.LOOK, sites=(index,))


def _unattested(work: Work, _rng: Dice) -> Found:
    work.form["attested"]["marks_unmoved"] = False
    return Found(Level.NOTE)


def _no_markers(work: Work, _rng: Dice) -> Found:
    definitive = work.form["prosthesis"] == "definitive"
    _without(work, "markers")
    return Found(Level.RETURN if definitive else Level.LOOK)


def _set(
    place: tuple[str, ...], value: Any, level: Level, *, also: tuple[str, ...] = ()
) -> Callable[[Work, Dice], Found]:
    def spoil(work: Work, _rng: Dice) -> Found:
        part = work.form
        for name in place[:-1]:
            part = part[name]
        part[place[-1]] = value
        return Found(level, also=also)

    return spoil


def _second_jaw(work: Work, rng: Dice) -> Found:
    """The opposing jaw was scanned twice, and both scans were sent."""
    first = work.files["opposing"]
    draft = scan(work.seed, work.subjects["opposing"], work.settings["opposing"], take="3")
    work.drafts["opposing-2"] = draft = replace(draft, T_file_joint=work.frame("opposing"))
    work.frames["opposing-2"] = work.frame("opposing")
    points = draft.in_file() / (first.unit.in_mm or 1.0)
    data = mesh_bytes(points, draft.faces, first.form, first.habits, rng=rng)
    plan = replace(first, name=f"opposing-2.{first.form.ending}", data=data)
    work.files["opposing-2"] = plan
    entry = {"role": plan.role.value, "file": plan.name, "unit": plan.declared_unit.value}
    work.form["records"].append(entry)
    return Found(Level.LOOK, "opposing")


def _unconfirmed(work: Work, rng: Dice) -> Found:
    index = _loaded(work, rng)
    work.form["sites"][index]["seat_confirmed"] = "no"
    return Found(Level.LOOK, sites=(index,))


def _unknown_body(work: Work, rng: Dice) -> Found:
    index = _loaded(work, rng)
    work.form["sites"][index]["scan_body"] = "rb-75"
    return Found(
        Level.LOOK, sites=(index,), also=("form/connection-unsupported", "bodies/count", "bodies/wrong-kind")
    )


def _swapped_codes(work: Work, rng: Dice) -> Found:
    """Two neighbours' tooth codes change places."""
    index = int(rng.integers(1, len(work.mouth.sites)))
    one, two = work.form["sites"][index - 1], work.form["sites"][index]
    one["tooth"], two["tooth"] = two["tooth"], one["tooth"]
    return Found(Level.LOOK, "jaw", sites=(index - 1, index))


def _marks(work: Work, _rng: Dice, *, by_mm: float, level: Level) -> Found:
    marks = work.form["vertical"]
    marks["seated_mm"] = round(marks["seated_mm"] + by_mm, 1)
    marks["repeats_mm"] = [round(r + by_mm, 1) for r in marks["repeats_mm"]]
    change = marks["seated_mm"] - marks["reference_mm"] - marks["planned_change_mm"]
    return Found(level, value=change, value_within=0.35, unit="mm")


def _repeats(work: Work, _rng: Dice, *, spread_mm: float, level: Level) -> Found:
    marks = work.form["vertical"]
    seated = marks["seated_mm"]
    marks["repeats_mm"] = [round(seated - spread_mm / 2, 1), seated, round(seated + spread_mm / 2, 1)]
    return Found(level, value=spread_mm, value_within=0.11, unit="mm", also=("vertical/changed",))


R = Stage.FORM
FORM_FAULTS = (
    fault("form-missing", "form/missing", R, "no licence number", _licence_missing),
    fault("form-missing-site", "form/missing", R, "nobody says how a seat was confirmed", _seat_missing),
    fault(
        "form-missing-opposing",
        "form/missing",
        R,
        "no opposing jaw",
        _no_opposing,
    ),
    fault("form-tooth-code", "form/tooth-code", R, "a code that names no tooth", _tooth_code),
    fault("form-arch-mismatch", "form/arch-mismatch", R, "the other jaw declared", _other_arch),
    fault("form-duplicate-site", "form/duplicate-site", R, "two sites with one code", _duplicate),
    fault(
        "form-numbering-doubtful",
        "form/numbering-doubtful",
        R,
        "the other numbering declared",
        _other_numbering,
    ),
    fault("form-role-doubtful", "form/role-doubtful", R, "two roles exchanged", _roles_swapped),
    fault("form-role-repeated", "form/role-repeated", R, "two opposing jaws", _second_jaw),
    fault(
        "form-connection-unsupported",
        "form/connection-unsupported",
        R,
        "an angle the body is not for",
        _angle,
    ),
    fault("form-unattested", "form/unattested", R, "a confirmation not given", _unattested),
    fault(
        "form-needed-by",
        "form/needed-by",
        R,
        "needed in the past",
        _set(("needed_by",), "2019-03-04T10:00:00+00:00", Level.LOOK),
    ),
    fault(
        "form-needed-by-signed",
        "form/needed-by",
        R,
        "signed in the future",
        _set(("prescriber", "signed_at"), "2098-03-04T10:00:00+00:00", Level.LOOK),
    ),
    fault(
        "form-personal-data",
        "form/personal-data",
        R,
        "a mail address in the notes",
        _set(("notes",), "Please write to wren.okafor-lind@example.invalid, born 17.04.1961.", Level.NOTE),
    ),
    fault("bodies-seat-unconfirmed", "bodies/seat-unconfirmed", R, "a seat nobody confirmed", _unconfirmed),
    fault("bodies-not-in-catalogue", "bodies/not-in-catalogue", R, "an unknown scan body", _unknown_body),
    fault("bodies-site-order", "bodies/site-order", R, "two tooth codes exchanged", _swapped_codes),
    fault("markers-missing", "markers/missing", R, "no implant positions", _no_markers),
    fault("bite-missing", "bite/missing", R, "no bite scan and no shared frame", _no_bite),
    fault("vertical-missing", "vertical/missing", R, "no skin marks", _set(("vertical",), {}, Level.LOOK)),
    fault(
        "vertical-changed",
        "vertical/changed",
        R,
        "3 mm too high by the marks",
        partial(_marks, by_mm=3.6, level=Level.RETURN),
    ),
    fault(
        "vertical-changed-closed",
        "vertical/changed",
        R,
        "3 mm too low by the marks",
        partial(_marks, by_mm=-3.6, level=Level.RETURN),
    ),
    fault(
        "vertical-unrepeatable",
        "vertical/unrepeatable",
        R,
        "readings 1.6 mm apart",
        partial(_repeats, spread_mm=1.6, level=Level.LOOK),
    ),
)
