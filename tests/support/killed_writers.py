"""Writers to one logbook that are killed (SIGKILL) at random moments, and what is left afterwards."""

from __future__ import annotations

import multiprocessing
import os
import random
import time
from dataclasses import dataclass
from pathlib import Path

from clackcount.logbook.records import Caught, Setting, Trial
from clackcount.logbook.store import Logbook, new_uid

LIFE_S = 0.25  # longest life of a writer once it writes


@dataclass(frozen=True)
class Left:
    """acknowledged: uids that a writer was told are stored. found: uids in the logbook. broken: trials in part."""

    acknowledged: set[str]
    found: set[str]
    broken: set[str]
    n_killed_at_work: int


def _write_until_killed(url: str, told: str) -> None:
    caught = Caught("0.6 L in 60 s", "delivery", 6e-4, 1e-5, 60.0, 0.3)
    out = os.open(told, os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o600)
    with Logbook(url) as book:
        while True:
            uid = new_uid()
            settings = (Setting("stroke", "12 mm", 0.012, None, "m"),)
            book.add(Trial(uid, "Fern Hollow", "2026-03-01T10:00:00Z", settings=settings, catches=(caught,) * 3))
            os.write(out, f"{uid}\n".encode())  # it outlives the process, as a word to the person would


def kill_writers(url: str, folder: Path, n: int, seed: int, *, at_once: int = 2) -> Left:
    """n writers, at_once at a time, each killed at a random moment of its work; then the logbook is read."""
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload(["support.killed_writers"])
    rng = random.Random(seed)
    told = folder / "told.txt"
    told.touch()
    n_at_work = 0
    for _ in range(0, n, at_once):
        before = told.stat().st_size
        writers = [context.Process(target=_write_until_killed, args=(url, str(told))) for _ in range(at_once)]
        for writer in writers:
            writer.start()
        until = time.monotonic() + 10
        while told.stat().st_size == before and time.monotonic() < until:
            time.sleep(0.002)  # at work when the first word of this pair is out
        for writer in writers:
            time.sleep(rng.uniform(0, LIFE_S / at_once))
            n_at_work += writer.is_alive()
            writer.kill()
        for writer in writers:
            writer.join()
    with Logbook(url) as book:
        trials = book.trials(removed=True, whole=True)
        broken = {trial.uid for trial in trials if len(trial.catches) != 3 or len(trial.settings) != 1}
        numbers = [trial.number for trial in trials]
        assert sorted(numbers) == list(range(1, len(numbers) + 1))
    return Left(set(told.read_text().split()), {trial.uid for trial in trials}, broken, n_at_work)
