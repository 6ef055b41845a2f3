"""`role.likely`: what a record probably is, by its shape alone; the role it is filed under does not go in."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

from pydantic import BaseModel, ConfigDict

from server.measures.bench import RecordBench
from server.measures.facing import FACING
from server.measures.measure import RecordMeasure, Result
from server.metrology.likeness.look import Look, likeness_of
from server.records.roles import MESH_ROLES, Role

SURE_RATIO = 0.95
"""Belief from which on something is taken as told."""

WHAT_SHOWS: Mapping[Look, Mapping[Role, float]] = MappingProxyType(
    {
        Look.BODIES_ALONE: {Role.MARKERS: 1.0},
        Look.CLOSED_ALL_ROUND: {Role.DENTURE: 1.0},
        Look.JAWS_CLOSED: {Role.BITE: 1.0},
        Look.ARCH_WITH_POSTS: {Role.JAW: 1.0},
        Look.ARCH_WITH_TEETH: {Role.OPPOSING: 0.8, Role.BEFORE: 0.2},
        Look.BARE_ARCH: {Role.TISSUE: 0.74, Role.OPPOSING: 0.25, Role.BEFORE: 0.01},
        Look.UNTOLD: dict.fromkeys([*sorted(MESH_ROLES), Role.MARKERS], 1.0 / (len(MESH_ROLES) + 1)),
    }
)
"""Which roles show themselves like that, and how often each does where nothing more is known: our own estimate. Failing teeth
and an opposing jaw with teeth look alike, and so do two jaws without teeth."""


class RoleShare(BaseModel):
    """Belief that a record is of that role, of 1 for all roles together."""

    model_config = ConfigDict(frozen=True)

    role: Role
    belief_ratio: float


class RoleResult(Result):
    """look: the likeliest, believed by look_ratio. roles: every role with some belief, the likeliest first. n_whole_posts,
    n_half_posts, crease_ratio, n_parts, opening_ratio: what it rests on, see server/metrology/likeness."""

    look: Look
    look_ratio: float
    roles: tuple[RoleShare, ...]
    n_whole_posts: int
    n_half_posts: int
    crease_ratio: float
    n_parts: int
    opening_ratio: float

    @property
    def is_look_sure(self) -> bool:
        """Whether what it looks like is told, be it of one role or of several."""
        return self.look_ratio >= SURE_RATIO

    @property
    def is_sure(self) -> bool:
        """Whether one role alone is told."""
        return self.roles[0].belief_ratio >= SURE_RATIO

    @property
    def among(self) -> tuple[Role, ...]:
        """The roles that show themselves as this one looks, the likeliest first."""
        return tuple(share.role for share in self.roles if share.role in WHAT_SHOWS[self.look])

    def without(self, excluded: frozenset[Role]) -> tuple[RoleShare, ...]:
        """The roles where some are known to be out of the question, the likeliest first; all where none would be left."""
        left = [share for share in self.roles if share.role not in excluded]
        total = sum(share.belief_ratio for share in left)
        if total <= 0.0:
            return self.roles
        return tuple(RoleShare(role=s.role, belief_ratio=s.belief_ratio / total) for s in left)


def _measure(bench: RecordBench) -> RoleResult:
    likeness = likeness_of(bench.outward.topology)
    beliefs: dict[Role, float] = {}
    for look, share in likeness.shares.items():
        for role, part in WHAT_SHOWS[look].items():
            beliefs[role] = beliefs.get(role, 0.0) + share * part
    ranked = sorted(beliefs.items(), key=lambda item: -item[1])
    return RoleResult(
        look=likeness.likeliest,
        look_ratio=likeness.shares[likeness.likeliest],
        roles=tuple(RoleShare(role=role, belief_ratio=belief) for role, belief in ranked),
        n_whole_posts=likeness.n_whole_posts,
        n_half_posts=likeness.n_half_posts,
        crease_ratio=likeness.crease_ratio,
        n_parts=likeness.outline.n_parts,
        opening_ratio=likeness.outline.opening_ratio,
    )


ROLE = RecordMeasure(
    name="role.likely",
    revision=4,
    result=RoleResult,
    roles=MESH_ROLES | {Role.MARKERS},
    compute=_measure,
    needs=(FACING,),
)
