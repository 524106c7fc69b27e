"""One recording listened to and held against its truth: a plain row of figures."""

from __future__ import annotations

import tempfile
import time
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

import mir_eval
import numpy as np
from numpy.typing import NDArray

import clackcount
from benchmarks.baselines import BASELINES
from benchmarks.recordings import Case
from clackcount import pipeline
from clackcount.model import Listening

WINDOWS_MS = (5, 15, 50)
SAME_RATE = 0.05  # a stated rate further off than this share counts as another beat
Times = NDArray[np.float64]


@dataclass
class Row:
    """What came out for one recording. Rates per minute; None where there is none. f1: by window in ms.

    tools: F1 of the other tools, by name and window. stated, confidence: of pump 1 as told, true: of pump 1.
    doubts: what was said about knocks that were not taken for a ram.
    """

    condition: str
    group: str
    number: int
    octave_hz: float | None
    pattern: str
    duration_s: float
    n_slams: int
    n_told: int
    true: float | None
    stated: float | None
    low95: float | None
    high95: float | None
    confidence: float | None
    doubted: bool
    listen_s: float
    f1: dict[str, float] = field(default_factory=dict)
    late_ms: list[float] = field(default_factory=list)
    tools: dict[str, dict[str, float]] = field(default_factory=dict)
    rams: int = 0
    rams_told: int = 0
    rams_right: int = 0
    doubts: tuple[str, ...] = ()

    @property
    def off(self) -> float | None:
        """Share by which the stated rate is off, None where one is missing."""
        return None if self.true is None or self.stated is None else self.stated / self.true - 1

    def to_dict(self) -> dict[str, Any]:
        """Plain data."""
        return asdict(self)


def f1(reference_s: Times, found_s: Times, window_ms: float) -> float:
    """mir_eval.onset's F-measure, window on either side."""
    if not len(reference_s) or not len(found_s):
        return float(len(reference_s) == len(found_s))
    return float(mir_eval.onset.f_measure(reference_s, found_s, window=window_ms / 1000)[0])


def late_ms(reference_s: Times, found_s: Times, window_ms: float = 50) -> list[float]:
    """How late each found slam lies, ms, for those that belong to one (mir_eval's matching)."""
    if not len(reference_s) or not len(found_s):
        return []
    pairs = mir_eval.util.match_events(reference_s, found_s, window_ms / 1000)
    return [1000 * float(found_s[j] - reference_s[i]) for i, j in pairs]


def listened(case: Case) -> Listening:
    """The way a person's recording goes: through the file where there is one."""
    if case.file is None:
        return pipeline.listen(case)
    data, suffix = case.file
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / f"case{suffix}"
        path.write_bytes(data)
        return clackcount.listen(path)


def score(case: Case, condition: str, group: str, number: int, *, tools: bool) -> Row:
    """Listen to one recording, with the other tools too if wanted."""
    began = time.perf_counter()
    heard = listened(case).beats
    took_s = time.perf_counter() - began
    first = heard.pumps[0] if heard.pumps else None
    found_s = np.asarray(heard.train.time_s)
    row = Row(
        condition=condition,
        group=group,
        number=number,
        octave_hz=case.octave_hz,
        pattern=case.pattern,
        duration_s=len(case.samples) / case.sample_rate_hz,
        n_slams=len(case.slam_s),
        n_told=len(found_s),
        true=case.rates_per_min[0] if case.rates_per_min else None,
        stated=first.rate_per_min if first else None,
        low95=first.rate_ci95_per_min[0] if first else None,
        high95=first.rate_ci95_per_min[1] if first else None,
        confidence=first.confidence if first else None,
        doubted=bool(first and first.doubts),
        listen_s=took_s,
        rams=len(case.rates_per_min),
        rams_told=len(heard.pumps),
        doubts=heard.doubts,
    )
    told = [pump.rate_per_min for pump in heard.pumps]
    row.rams_right = sum(any(abs(t / rate - 1) <= SAME_RATE for t in told) for rate in case.rates_per_min)
    # two rams may slam at the same moment; scoring wants times that differ
    true_s = np.unique(case.slam_s)
    row.f1 = {str(w): f1(true_s, found_s, w) for w in WINDOWS_MS}
    row.late_ms = late_ms(true_s, found_s)
    if tools:
        for name, tool in BASELINES.items():
            times_s = tool(case.samples, case.sample_rate_hz)
            row.tools[name] = {str(w): f1(true_s, times_s, w) for w in WINDOWS_MS}
    return row
