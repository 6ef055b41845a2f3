"""A file cannot be read as what it claims to be.

Why: what cannot be read in full must not be read in part; half a jaw looks like a jaw.
How: our own strict reader says why it refuses the file (a web page, a placeholder of a cloud drive, decimal
commas, counts that disagree …); the code beneath this rule is the reader's.
Not seen: a file that is well formed and shows something else; the rules of surfaces look at that.
"""

from __future__ import annotations

from server.records.roles import Role
from server.rules.limit import Level
from server.rules.refusals import refused_by
from server.rules.rule import Rule

RULE = Rule(
    id="file/unreadable",
    revision=1,
    title="The file cannot be read",
    remedy="Export the scan again, best as binary STL or PLY, and send that file.",
    source="Our own proposal: the published layouts of STL, PLY, OBJ and 3MF, read strictly.",
    of_record=refused_by("file/unreadable"),
    roles=frozenset(Role),
    level=Level.RETURN,
)
