"""A file that should hold a surface holds no triangles.

Why: an empty export, or a point cloud, shows nothing that a bridge could be designed on.
How: the reader counts the triangles with three different corners.
Not seen: a surface of a few triangles; bodies and surfaces are judged elsewhere.
"""

from __future__ import annotations

from server.records.roles import Role
from server.rules.limit import Level
from server.rules.refusals import refused_by
from server.rules.rule import Rule

RULE = Rule(
    id="file/no-triangles",
    revision=1,
    title="The file holds no surface",
    remedy="Export the scan again as a surface (a mesh), not as points, and look at it before sending.",
    source="Common practice.",
    of_record=refused_by("file/no-triangles"),
    roles=frozenset(Role),
    level=Level.RETURN,
)
