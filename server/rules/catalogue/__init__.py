"""The catalogue: every rule there is, in the order in which reports list them."""

from __future__ import annotations

from server.rules.rule import Rule

RULES: tuple[Rule, ...] = ()
