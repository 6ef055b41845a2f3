"""A file takes more memory or time than measuring is allowed.

Why: one file must not keep all others waiting, and what was not measured must never pass as clear.
How: the reader's limit on triangles, and the memory, processor and wall-clock limits of the process that
measures; a measurement given up for one of them is reported here.
Not seen: whether a stronger machine could have measured it.
"""

from __future__ import annotations

from server.records.roles import Role
from server.rules.limit import Level
from server.rules.refusals import refused_by
from server.rules.rule import Rule

RULE = Rule(
    id="file/too-heavy",
    revision=1,
    title="The file is too heavy to be measured",
    remedy="Export the scan again at the ordinary resolution, without the parts that are not needed.",
    source="Our own proposal.",
    of_record=refused_by("file/too-heavy"),
    roles=frozenset(Role),
    level=Level.RETURN,
)
