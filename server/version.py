"""Name and version of the software that measured or judged."""

from __future__ import annotations

from importlib.metadata import PackageNotFoundError, version

try:
    VERSION = version("archproof")
except PackageNotFoundError:  # running from a tree that was never installed
    VERSION = "0.0.0"

SOFTWARE = f"archproof {VERSION}"
