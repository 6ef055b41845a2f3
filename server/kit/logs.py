"""Logs: one JSON object a line, declared fields only, so that no name, code or address of a person slips in."""

from __future__ import annotations

import logging
import sys
from typing import Any

import structlog
from structlog.typing import EventDict, WrappedLogger

FIELDS = frozenset(
    {
        "event", "level", "timestamp", "logger", "request_id", "method", "route", "status", "seconds", "code",
        "case_id", "record_id", "upload_id", "round_number", "job", "argument", "attempt", "executor_id", "count",
        "bytes", "error_kind", "error_place", "verdict", "address", "migration", "software",
    }
)  # fmt: skip


def _declared_only(_logger: WrappedLogger, _method: str, event: EventDict) -> EventDict:
    return {key: value for key, value in event.items() if key in FIELDS}


def _error_place(_logger: WrappedLogger, _method: str, event: EventDict) -> EventDict:
    """Kind and place of an exception, never its text, which may quote what somebody typed."""
    fault = event.pop("exc_info", None)
    if fault is True:
        fault = sys.exc_info()[1]
    if isinstance(fault, BaseException):
        event["error_kind"] = type(fault).__name__
        event["error_place"] = _innermost(fault)
    return event


def _innermost(fault: BaseException) -> str:
    trace = fault.__traceback__
    places = []
    while trace is not None:
        code = trace.tb_frame.f_code
        places.append(f"{code.co_filename.rpartition('/')[2]}:{trace.tb_lineno}:{code.co_name}")
        trace = trace.tb_next
    return " < ".join(reversed(places[-6:]))


class _Plain(logging.Handler):
    """Other libraries' warnings: their logger and level only; their words may quote data."""

    def emit(self, record: logging.LogRecord) -> None:
        fault = record.exc_info[1] if record.exc_info else None
        log().warning("library", logger=record.name, code=record.levelname, exc_info=fault)


def configure_logs(level: str) -> None:
    """Sends our log lines to standard error as JSON; other libraries from WARNING on, reduced to name and level."""
    structlog.configure(
        processors=[
            structlog.contextvars.merge_contextvars,
            structlog.processors.add_log_level,
            structlog.processors.TimeStamper(fmt="iso", utc=True),
            _error_place,
            _declared_only,
            structlog.processors.JSONRenderer(sort_keys=True),
        ],
        wrapper_class=structlog.make_filtering_bound_logger(getattr(logging, level.upper(), logging.INFO)),
        logger_factory=structlog.PrintLoggerFactory(file=sys.stderr),
        cache_logger_on_first_use=False,
    )
    root = logging.getLogger()
    root.handlers = [_Plain(level=logging.WARNING)]
    root.setLevel(logging.WARNING)
    for name in ("dbos", "uvicorn", "uvicorn.error", "uvicorn.access"):
        logger = logging.getLogger(name)
        logger.handlers = []
        logger.propagate = True
        logger.setLevel(logging.WARNING)


def log() -> Any:
    return structlog.get_logger()
