"""What a residual figure shows: where positions and jaw scan differ at each site, seen onto the occlusal surface."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray
from pydantic import BaseModel, ConfigDict

from server.measures.markers import MarkersResult, poses_of
from server.measures.sites import SitesResult
from server.measures.vectors import Vector3, vector
from server.metrology.constellation.poses import Paired, angles_rad
from server.metrology.constellation.seating import misfit_of, seated
from server.metrology.constellation.suspects import Account
from server.records.teeth import Arch
from server.rules.body_evidence import BodyAt
from server.rules.wording import listed

ENLARGEMENTS = (10, 20, 50, 100, 200, 500)
LONGEST_ARROW_MM = 11.0
"""Of the longest arrow, in the plan's own millimetres, at most."""
WIDEST_CIRCLE_MM = 5.0
"""Of the largest circle of uncertainty, in radius: what is not known must not be blown up over the whole plan."""

Floats = NDArray[np.float64]


class SitePosition(BaseModel):
    """One site. plan_mm: where the positions have it, x to the right and y to the top of the page; across_mm: from there
    to where the jaw scan has it, the same way; height_mm: + where the jaw scan has it higher, toward the opposing jaw.
    u95_mm, u95_axis_deg: of the differences. seat_mm, shift_mm: the same in space, in the jaw's frame; None in reports of
    before."""

    model_config = ConfigDict(frozen=True)

    label: str
    site_index: int | None
    plan_mm: tuple[float, float]
    across_mm: tuple[float, float]
    height_mm: float
    axis_deg: float
    u95_mm: float
    u95_axis_deg: float
    is_named: bool
    seat_mm: Vector3 | None = None
    shift_mm: Vector3 | None = None


class PositionsFigure(BaseModel):
    """Implant positions against the scan bodies of the jaw.

    Seen onto the occlusal surface; where front and sides are known (is_side_known) the patient's right is on the left of
    the page and the front is at the top of an upper jaw, at the bottom of a lower one. fitted_by: the sites by which the
    two were laid on each other: all, or all but the one that is off. enlargement: of the vectors over the plan. account: as
    in the comparison.
    """

    model_config = ConfigDict(frozen=True)

    name: str
    jaw: str
    record: str
    is_front_up: bool
    is_side_known: bool
    sites: tuple[SitePosition, ...]
    fitted_by: tuple[str, ...]
    enlargement: int
    account: str
    says: str


def positions_figure(
    name: str,
    told: MarkersResult,
    bodies: Mapping[int, BodyAt],
    sites: SitesResult | None,
    working_arch: Arch | None,
) -> PositionsFigure:
    """The figure of a comparison in which positions and bodies go together in one way. bodies: of the jaw scan, by number."""
    told = told.model_copy(update={"pairs": tuple(sorted(told.pairs, key=lambda p: _place(bodies[p.body])))})
    pairs = _paired(told, bodies)
    named = set(told.named) if told.account in (Account.ONE, Account.EITHER) else set()
    weights = np.array([0.0 if told.account == Account.ONE and p.body in named else 1.0 for p in told.pairs])
    T = np.array(told.T_jaw_markers)
    if not weights.all():
        T = seated(pairs, weights, T)
    misfit = misfit_of(pairs, T)
    page = _page(sites, working_arch, pairs.a.axes, misfit.at_mm)
    plan, shift = (misfit.at_mm - misfit.at_mm.mean(axis=0)) @ page, misfit.shift_mm @ page
    tilt_deg = np.degrees(angles_rad(misfit.axes, pairs.a.axes))
    labels = [_label(bodies[p.body]) for p in told.pairs]
    return PositionsFigure(
        name=name,
        jaw=told.jaw,
        record=told.record,
        is_front_up=working_arch is not Arch.LOWER,
        is_side_known=_is_side_known(sites, working_arch),
        sites=tuple(
            SitePosition(
                label=labels[k],
                site_index=bodies[pair.body].site_index,
                plan_mm=(float(plan[k, 0]), float(plan[k, 1])),
                across_mm=(float(shift[k, 0]), float(shift[k, 1])),
                height_mm=float(shift[k, 2]),
                axis_deg=float(tilt_deg[k]),
                u95_mm=pair.u95_mm,
                u95_axis_deg=pair.u95_axis_deg,
                is_named=pair.body in named,
                seat_mm=vector(misfit.at_mm[k]),
                shift_mm=vector(misfit.shift_mm[k]),
            )
            for k, pair in enumerate(told.pairs)
        ),
        fitted_by=tuple(label for label, w in zip(labels, weights, strict=True) if w > 0.0),
        enlargement=enlargement_for(
            float(np.linalg.norm(shift[:, :2], axis=1).max(initial=0.0)), max(p.u95_mm for p in told.pairs)
        ),
        account=told.account,
        says=_says(told, labels, shift),
    )


def enlargement_for(longest_mm: float, u95_mm: float) -> int:
    """The largest of ENLARGEMENTS under which a vector of that length stays within LONGEST_ARROW_MM and a circle of that
    uncertainty within WIDEST_CIRCLE_MM."""
    fitting = [
        e for e in ENLARGEMENTS if e * longest_mm <= LONGEST_ARROW_MM and e * u95_mm <= WIDEST_CIRCLE_MM
    ]
    return max(fitting, default=ENLARGEMENTS[0])


def _paired(told: MarkersResult, bodies: Mapping[int, BodyAt]) -> Paired:
    seen = [bodies[p.body].seen for p in told.pairs]
    markers = [told.markers[p.marker] for p in told.pairs]
    return Paired(poses_of(seen), poses_of(markers))


def _is_side_known(sites: SitesResult | None, arch: Arch | None) -> bool:
    return sites is not None and sites.is_front_sure and sites.front is not None and arch is not None


def _page(sites: SitesResult | None, arch: Arch | None, axes: Floats, seats_mm: Floats) -> Floats:
    """(3, 3): columns are the page's right, its top, and toward the reader, in the jaw's frame. Looking onto an occlusal
    surface with the front at the top, an upper jaw has the patient's right on the left; a lower one with it at the bottom.
    """
    if sites is not None and sites.occlusal is not None and sites.front is not None:
        toward, front = np.array(sites.occlusal), np.array(sites.front)
        top = -front if arch is Arch.LOWER else front
    else:
        toward = axes.mean(axis=0) / np.linalg.norm(axes.mean(axis=0))
        flat = seats_mm - seats_mm.mean(axis=0)
        flat = flat - np.outer(flat @ toward, toward)
        top = np.cross(toward, np.linalg.svd(flat)[2][0])
    right = np.cross(top, toward)
    return np.column_stack([right, top, toward])


def _place(body: BodyAt) -> tuple[bool, int]:
    """By the form's order, those without a site last."""
    return body.site_index is None, body.number if body.site_index is None else body.site_index


def _label(body: BodyAt) -> str:
    return body.site.tooth if body.site and body.site.tooth else f"no. {body.number + 1}"


def _says(told: MarkersResult, labels: list[str], shift: Floats) -> str:
    """In sentences: who is off, and how much the others differ."""
    named = [label for p, label in zip(told.pairs, labels, strict=True) if p.body in told.named]
    length = np.linalg.norm(shift, axis=1)
    rest = [k for k, p in enumerate(told.pairs) if told.account != Account.ONE or p.body not in told.named]
    most = max(rest, key=lambda k: length[k])
    others = f"{length[most]:.3f} mm at {labels[most]}"
    if told.account == Account.ONE:
        off = next(p.off_mm for p in told.pairs if p.body in told.named) or 0.0
        return (
            f"Site {named[0]} is off: the jaw scan has it {off:.2f} mm from where the positions and all other sites put "
            f"it. Laid on each other by the other sites, those differ by at most {others}."
        )
    words = {
        Account.EITHER: f"One site is off, {listed(named, 'or')}; which cannot be told.",
        Account.ARCH: "No single site is off; the arch as a whole is bent or stretched.",
        Account.NONE: "No single site stands off from the others.",
        Account.UNTOLD: "What differs may come from one site or from the arch; which cannot be told.",
    }.get(Account(told.account) if told.account else Account.UNTOLD, "")
    if not told.account:
        words = "With fewer than four sites it cannot be told which one is off."
    return f"{words} Laid on each other by all sites, they differ by at most {others}."
