"""The graph of measures: every measure there is, in an order in which each comes after what it needs.

A measure still to come (bodies, constellation, joint frame, bite, space, impression) takes its place here: one line in
one of the two tuples, after those it needs.
"""

from __future__ import annotations

from typing import Any

from server.measures.measure import CaseMeasure, RecordMeasure

RECORD_MEASURES: tuple[RecordMeasure[Any], ...] = ()

CASE_MEASURES: tuple[CaseMeasure[Any], ...] = ()
