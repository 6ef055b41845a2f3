"""The pages people see. `router` holds them all; every route that changes something is guarded against forged posts."""

from __future__ import annotations
