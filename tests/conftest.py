"""The order of the files: the longest first, so that no process is left with one of them while the others have done."""

from __future__ import annotations

from pathlib import Path

import pytest

HERE = Path(__file__).parent
LONGEST = (
    "inspection/test_phantoms.py",
    "measures/test_bite.py",
    "measures/test_frames.py",
    "metrology/registration/test_register.py",
    "metrology/bodies/test_trust.py",
    "measures/test_space.py",
    "seed_data/test_phantom.py",
    "portal/test_kill.py",
    "browser/test_walk.py",
    "portal/test_program.py",
    "browser/test_plate.py",
    "portal/test_send.py",
    "browser/test_keyboard.py",
    "browser/test_crawl.py",
    "seed_data/test_command.py",
    "seed_data/test_mouth.py",
)
"""Files of half a minute and more. Those that start a portal come after some that compile what it measures with."""


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Raises UsageError where a file of the list is not there any more."""
    rank = {HERE / name: place for place, name in enumerate(LONGEST)}
    if gone := [str(path) for path in rank if not path.exists()]:
        raise pytest.UsageError(f"tests/conftest.py names files that are not there: {', '.join(gone)}")
    items.sort(key=lambda item: rank.get(item.path, len(rank)))
