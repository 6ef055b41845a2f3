"""The jobs that a change to a case asks for. What they do stands in server/inspection."""

from __future__ import annotations

from server.kit.jobs import Job, Lane

MEASURE_RECORD = Job("measure-record", Lane.HEAVY)
"""Argument: a record's id. Measures it, then asks for a judgement."""

GUESS_ROLE = Job("guess-role", Lane.HEAVY)
"""Argument: a record's id. Says what a file without a role probably is, and fills that in where it is sure."""

JUDGE_CASE = Job("judge-case", Lane.QUICK)
"""Argument: a case's id. Judges what is measured; where measures over several records lack, asks for those first."""

JUDGE_OPEN = Job("judge-open-cases", Lane.QUICK)
"""Its argument is empty. Asks for a judgement of every case that is not over: what all of them rest on has changed."""

MEASURE_AGAIN = Job("measure-again", Lane.LATER)
"""As measure-record, for a record that was measured before what it rests on changed."""

DRAW_RECORD = Job("draw-record", Lane.LATER)
"""Argument: a record's id. Makes the preview by which a page draws it."""

MEASURE_CASE = Job("measure-case", Lane.HEAVY)
"""Argument: a case's id. Makes the measures over several records, then asks for a judgement."""
