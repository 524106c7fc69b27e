"""A thousand writers killed at work: is every trial that was acknowledged there? python tests/benchmarks/kills.py"""

from __future__ import annotations

import argparse
import sqlite3
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from support.killed_writers import kill_writers

if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("n", nargs="?", type=int, default=1000, help="writers to kill (1000)")
    n = parser.parse_args().n
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "logbook.sqlite"
        begun_s = time.monotonic()
        left = kill_writers(f"sqlite:///{path}", Path(folder), n, seed=1)
        took_s = time.monotonic() - begun_s
        (sound,) = sqlite3.connect(path).execute("PRAGMA integrity_check").fetchone()
    print(f"{left.n_killed_at_work} writers killed at work in {took_s:.0f} s")
    print(f"{len(left.acknowledged)} trials acknowledged, {len(left.acknowledged - left.found)} of them lost")
    print(f"{len(left.found)} trials found, {len(left.broken)} of them in part; integrity: {sound}")
