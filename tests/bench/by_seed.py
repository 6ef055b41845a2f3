"""What benches over one phantom after the other share: options, a limit in time, rows kept as they come, a summary as JSON."""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import TypeVar

from seed_data.phantoms.phantom import write_bodies
from server.inspection.folder import read_bodies
from server.measures.body_set import BodySet

Row = TypeVar("Row")


def run_by_seed(
    name: str,
    about: str | None,
    *,
    phantoms: int,
    seed: int,
    rows_of: Callable[[int, BodySet], list[Row]],
    told: Callable[[list[Row]], dict[str, object]],
    summary: Callable[[list[Row]], dict[str, object]],
) -> None:
    """Runs a bench from the command line. rows_of: of one seed; LookupError where that mouth lacks what is asked. told: what is
    printed of a seed's rows as they come."""
    parser = argparse.ArgumentParser(prog=f"python -m {name}", description=about)
    parser.add_argument("--phantoms", type=int, default=phantoms)
    parser.add_argument("--seed", type=int, default=seed)
    parser.add_argument("--rows", type=Path, default=None)
    parser.add_argument("--minutes", type=float, default=20.0)
    asked = parser.parse_args()
    begun, rows = time.monotonic(), list[Row]()
    with tempfile.TemporaryDirectory() as folder:
        write_bodies(Path(folder))
        bodies = read_bodies(Path(folder))
        for one in range(asked.seed, asked.seed + asked.phantoms):
            if time.monotonic() - begun > 60.0 * asked.minutes:
                break
            try:
                made = rows_of(one, bodies)
            except LookupError:
                continue
            rows += made
            print(json.dumps({"seed": one, **told(made)}), file=sys.stderr, flush=True)
            if asked.rows:
                asked.rows.write_text("\n".join(json.dumps(row) for row in rows))
    print(json.dumps(summary(rows), indent=1))
