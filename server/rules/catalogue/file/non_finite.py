"""A file holds coordinates that are no numbers, or lie beyond anything real.

Why: most programs drop such triangles without a word or put them anywhere; the hole is found at the design
desk.
How: the reader counts coordinates that are not finite or absurdly large. Normals stored beside the
triangles are not looked at, since exporters write nonsense there for slivers.
Not seen: wrong coordinates of ordinary size.
"""

from __future__ import annotations

from server.records.roles import Role
from server.rules.limit import Level
from server.rules.refusals import refused_by
from server.rules.rule import Rule

RULE = Rule(
    id="file/non-finite",
    revision=1,
    title="Coordinates are not numbers",
    remedy="Export the scan again; if the same comes back, scan again, since the scan itself is damaged.",
    source="Common practice.",
    of_record=refused_by("file/non-finite"),
    roles=frozenset(Role),
    level=Level.RETURN,
)
