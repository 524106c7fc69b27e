"""The logbook in figures: intervals, advice, speed of the list. python tests/benchmarks/logbook.py"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
import time
from dataclasses import replace
from pathlib import Path

sys.path[:0] = [str(Path(__file__).parents[1]), str(Path(__file__).parents[1] / "logbook")]

import made_trials  # noqa: E402
import numpy as np  # noqa: E402

from clackcount.logbook.store import Logbook  # noqa: E402
from support.caught_pairs import Repeating, coverage  # noqa: E402
from support.tuned_rams import share_of_best  # noqa: E402


def intervals() -> None:
    for repeating in (
        Repeating(),
        Repeating(0.02, 0.015),
        Repeating(0.03, 0.0),
        Repeating(0.01, 0.03),
        Repeating(0.01, 0.04),
    ):
        share = coverage(2000, 5, repeating)
        print(
            f"2,000 pairs, catches scattering by {repeating.catch_u:.1%}, settings made anew by "
            f"{repeating.reset_u:.1%}: {share:.1%} of the intervals hold the truth"
        )


def advice(n: int = 300) -> None:
    for forecast in (False, True):
        rng = np.random.default_rng(2)
        shares = np.array([share_of_best(rng, forecast=forecast) for _ in range(n)])
        print(
            f"{n} sites, six trials, {'with' if forecast else 'without'} a site file: {np.mean(shares >= 0.95):.1%} "
            f"within 5 % of the best, median {np.median(shares):.1%}, worst {shares.min():.0%}"
        )


def speed(n: int = 10_000) -> None:
    with tempfile.TemporaryDirectory() as folder:
        url = f"sqlite:///{folder}/logbook.sqlite"
        figures = {"rate_per_min": (62.0, 0.1), "delivery_flow_m3_s": (1e-5, 1e-7)}
        trials = [replace(made_trials.trial([0.6, 0.61, 0.62], figures=figures), number=i + 1) for i in range(n)]
        with Logbook(url) as book:
            begun_s = time.perf_counter()
            book.merge(trials, [])
            print(f"{n} trials stored at once in {time.perf_counter() - begun_s:.2f} s")
            begun_s = time.perf_counter()
            assert len(book.trials()) == n
            print(f"{n} trials read in {time.perf_counter() - begun_s:.2f} s")
        argv = [sys.executable, "-m", "clackcount", "trial", "list", "--logbook", url]
        begun_s = time.perf_counter()
        subprocess.run(argv, stdout=subprocess.DEVNULL, check=True, env=dict(os.environ))
        print(f"clackcount trial list, start of the program included: {time.perf_counter() - begun_s:.2f} s")


if __name__ == "__main__":
    argparse.ArgumentParser(description=__doc__).parse_args()
    intervals()
    speed()
    advice()
