"""How a measure is made: run, timed, and how it ended."""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Any

from server.measures.measure import (
    CaseMeasure,
    Measurement,
    NotMeasured,
    PairMeasure,
    RecordMeasure,
    Result,
    Status,
)
from server.version import SOFTWARE


def made_of(
    measure: RecordMeasure[Any] | PairMeasure[Any] | CaseMeasure[Any], key: str, compute: Callable[[], Result]
) -> Measurement:
    """Runs one measure and says how it ended; a crash is an outcome that people see, never an exception."""
    begun = time.perf_counter()
    status, result, says, because = _attempt(measure.name, compute)
    return Measurement(
        key=key,
        measure=measure.name,
        revision=measure.revision,
        status=status,
        result=result,
        says=says,
        because=because,
        software=SOFTWARE,
        seconds=time.perf_counter() - begun,
    )


def _attempt(
    name: str, compute: Callable[[], Result]
) -> tuple[Status, dict[str, Any] | None, str, str | None]:
    try:
        return Status.MEASURED, compute().model_dump(mode="json"), "", None
    except NotMeasured as answer:
        return Status.NOT_MEASURED, None, answer.says, answer.because
    except MemoryError:
        return Status.NOT_MEASURED, None, "measuring it takes more memory than allowed", "file/too-heavy"
    except Exception as fault:  # noqa: BLE001 - a crash is an outcome that people see
        return Status.CRASHED, None, f"{type(fault).__name__} in {name}: {fault}"[:500], None
