"""Facets have no area, or stand in the file more than once.

Why: they tell of a rounded or botched export, and break programs further on.
How: facets with two equal corners as stored, with a height below 0.1 µm, or with the same corners as another one, per
100 000 facets.
Not seen: facets that are merely thin.
"""

from __future__ import annotations

from collections.abc import Iterator
from types import MappingProxyType

from server.measures.shell import SHELL
from server.records.roles import MESH_ROLES
from server.rules.evidence import CaseEvidence, RecordEvidence
from server.rules.limit import Limit
from server.rules.rule import VALUE, Observation, Rule, at
from server.rules.wording import count_words


def _observe(record: RecordEvidence, _case: CaseEvidence) -> Iterator[Observation]:
    shell = record.result(SHELL)
    bad = shell.n_degenerate_facets + shell.n_repeated_facets
    places = [shell.degenerate_at_mm] if shell.degenerate_at_mm else []
    yield Observation(
        f"{count_words(shell.n_degenerate_facets, 'facet has', 'facets have')} no area and "
        f"{count_words(shell.n_repeated_facets, 'is', 'are')} there twice.",
        value=100_000.0 * bad / max(shell.n_facets, 1),
        where=at(record, places),
    )


_SOURCE = "Common practice; the numbers are our own proposal."

RULE = Rule(
    id="surface/degenerate",
    revision=1,
    title="Facets without area or given twice",
    remedy="Export the scan again, best as binary STL or PLY with full precision.",
    source="Common practice; the numbers are our own proposal.",
    of_record=_observe,
    roles=MESH_ROLES,
    limits=MappingProxyType({VALUE: Limit(50.0, 5000.0, "per 100 000 facets", _SOURCE)}),
)
