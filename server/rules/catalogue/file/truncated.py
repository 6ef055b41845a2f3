"""A file ends before it holds what it says it holds.

Why: an export or a copy was broken off; what is missing may be the very site that matters.
How: the reader compares the count in the file with its length (binary) or looks for the end that the text
announces.
Not seen: a file cut short before it was exported, as when the scan itself was ended too early.
"""

from __future__ import annotations

from server.records.roles import Role
from server.rules.limit import Level
from server.rules.refusals import refused_by
from server.rules.rule import Rule

RULE = Rule(
    id="file/truncated",
    revision=1,
    title="The file is cut short",
    remedy="Export or copy the file again, wait until that has finished, and send it again.",
    source="Size law of binary STL (84 + 50 n bytes); common practice.",
    of_record=refused_by("file/truncated"),
    roles=frozenset(Role),
    level=Level.RETURN,
)
