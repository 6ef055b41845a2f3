"""Strict readers of mesh files: bytes in, a welded scan out, or a reason.

No reader follows a path or address found in a file; none trusts a count before holding it against the length.
"""

from server.metrology.readers.read import read_scan

__all__ = ["read_scan"]
