"""The path, the rate and the patterns, against plain reckoning; and rams of all rates heard at their own."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from clackcount import pipeline, simulate
from clackcount.beats.path import best_path
from clackcount.beats.regularity import measure_rate, measure_regularity
from clackcount.model import Pattern, RecordingInfo


class Sound:
    """Samples as a source for the pipeline, in blocks of a given length."""

    def __init__(self, samples: np.ndarray, sample_rate_hz: int, block: int = 100_000) -> None:
        self.samples, self.sample_rate_hz, self.block = samples.astype(np.float32), sample_rate_hz, block

    def blocks(self):
        for first in range(0, len(self.samples), self.block):
            yield self.samples[first : first + self.block]

    def info(self) -> RecordingInfo:
        return RecordingInfo(
            "made", len(self.samples) / self.sample_rate_hz, self.sample_rate_hz, 1, "made", "float32"
        )


def test_best_path_equals_trying_all_paths() -> None:
    rng = np.random.default_rng(4)
    for _ in range(30):
        time = np.sort(rng.uniform(0, 8, 7)) + np.arange(7) * 0.3
        gain = rng.normal(0.5, 2, 7)
        best = 0.0
        for size in range(1, 8):
            for pick in itertools.combinations(range(7), size):
                total = sum(gain[i] for i in pick)
                for a, b in itertools.pairwise(pick):
                    log_step = np.log(time[b] - time[a])
                    steps = [(log_step - np.log(n)) ** 2 * n / (2 * 0.1**2) + (n - 1) * 1.0 for n in (1, 2, 3)]
                    if time[b] - time[a] > 0.5:
                        steps.append(3.0)
                    total -= min(steps)
                best = max(best, total)
        _path, found = best_path(time, gain, 1.0, 0.1, missed_cost=1.0, restart_cost=3.0)
        assert found == pytest.approx(best, abs=1e-9)


def test_interval_of_the_rate_holds_the_true_rate() -> None:
    rng = np.random.default_rng(7)
    held = 0
    for _ in range(400):
        time_s = np.cumsum(np.append(0.0, rng.normal(1.0, 0.02, 40)))
        low, high = measure_rate(time_s).ci95_per_min
        held += low <= 60.0 <= high
    assert held / 400 > 0.91


@pytest.mark.parametrize(
    ("interval_s", "pattern"),
    [
        (lambda rng: rng.normal(1, 0.012, 60), Pattern.EVEN),
        (lambda rng: np.tile([0.9, 1.1], 30) + rng.normal(0, 0.005, 60), Pattern.ALTERNATING),
        (lambda rng: np.repeat([0.35, 0.23, 0.35, 0.23], 15) + rng.normal(0, 0.003, 60), Pattern.HOPPING),
        (lambda rng: rng.uniform(0.6, 1.4, 60), Pattern.RAGGED),
    ],
)
def test_patterns(interval_s, pattern: Pattern) -> None:
    # 1.2 % is the scatter of a steady run in the pressure logs of Cornell AguaClara, 2019
    time_s = np.cumsum(np.append(0.0, interval_s(np.random.default_rng(3))))
    assert measure_regularity(time_s).pattern is pattern


# 20 to 375 a minute have been published (Cornell AguaClara 2019; NC Extension EBAE 161-92)
@pytest.mark.parametrize("rate_per_min", [20, 120, 250])
def test_a_loud_ram_is_heard_at_its_own_rate(rate_per_min: float) -> None:
    rng = np.random.default_rng(rate_per_min)
    scene = simulate.random_scene(
        "room", rng, snr_db=20, duration_s=40, rate_per_min=rate_per_min, pattern=Pattern.EVEN
    )
    made = simulate.render(scene, 5)
    samples = made.samples if made.samples.ndim == 1 else made.samples.mean(axis=1)
    listening = pipeline.listen(Sound(samples, made.sample_rate_hz))
    assert listening.beats.pumps
    assert listening.beats.pumps[0].rate_per_min == pytest.approx(made.truth.rate_per_min, rel=0.003)


def test_blocks_of_any_size_give_the_same_answer() -> None:
    scene = simulate.random_scene("room", np.random.default_rng(2), snr_db=15, duration_s=25, rate_per_min=70)
    made = simulate.render(scene, 2)
    samples = made.samples if made.samples.ndim == 1 else made.samples.mean(axis=1)
    trains = [
        pipeline.listen(Sound(samples, made.sample_rate_hz, block)).beats.train.time_s for block in (997, 1_000_000)
    ]
    assert np.array_equal(trains[0], trains[1])
