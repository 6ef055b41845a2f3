"""All benchmarks: `python -m tests.bench [NAME …] [--folder DIR] [--large]` prints figures as JSON, one run's ratios.

Sets are made once and kept in the folder (some 600 MB with the refined ones). Wants a machine that does nothing else.
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import sys
import tempfile
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path

from server.kit.logs import configure_logs
from server.version import SOFTWARE
from tests.bench import memory, previews, queue, reading, uploads, verdicts
from tests.bench.timing import Figure

BENCHES: dict[str, Callable[[Path], Iterator[Figure]]] = {
    "reading": reading.figures,
    "verdicts": verdicts.figures,
    "memory": memory.figures,
    "previews": previews.figures,
    "queue": queue.figures,
    "uploads": partial(uploads.figures, is_large=False),
}


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m tests.bench", description=__doc__)
    parser.add_argument("names", nargs="*", metavar="NAME", help=", ".join(BENCHES))
    parser.add_argument("--folder", type=Path, default=Path(tempfile.gettempdir()) / "archproof-bench")
    parser.add_argument("--large", action="store_true", help="also send a file of 1 GB")
    asked = parser.parse_args()
    unknown = set(asked.names) - set(BENCHES)
    if unknown:
        parser.error(f"there is no benchmark {', '.join(sorted(unknown))}; there are {', '.join(BENCHES)}")
    configure_logs("WARNING")
    asked.folder.mkdir(parents=True, exist_ok=True)
    benches: dict[str, Callable[[Path], Iterator[Figure]]] = dict(BENCHES)
    benches |= {"uploads": partial(uploads.figures, is_large=asked.large)}
    rows = []
    for name in asked.names or BENCHES:
        for figure in benches[name](asked.folder):
            print(f"{name}: {figure.name}: {figure.value:.3g} {figure.unit}", file=sys.stderr, flush=True)
            rows.append({"bench": name, **figure.row()})
    machine = {"cores": os.cpu_count(), "python": platform.python_version(), "load": os.getloadavg()[0]}
    print(
        json.dumps({"software": SOFTWARE, "machine": machine, "figures": rows}, indent=1, ensure_ascii=False)
    )


if __name__ == "__main__":
    main()
