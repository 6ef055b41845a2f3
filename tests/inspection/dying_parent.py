"""Run as a program: prints the process id of its child, gives it endless work, and is killed."""

from __future__ import annotations

import os
import signal
import time
from threading import Thread

from server.inspection.child import ChildLimits, ChildPool
from tests.inspection import tasks

if __name__ == "__main__":
    pool = ChildPool(1, ChildLimits(memory_bytes=1 << 29, wall_s=600.0, cpu_s=600.0))
    print(pool.run(tasks.pid), flush=True)
    Thread(target=pool.run, args=(tasks.busy,), daemon=True).start()
    time.sleep(0.5)
    os.kill(os.getpid(), signal.SIGKILL)
