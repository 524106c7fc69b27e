"""Recordings that nobody here made: knocks of real clocks are found, placed and counted, better than librosa does.

Sources and licences of the clips: tests/data/README.md. A clock is no ram; its ticks are impacts with a known rate.
"""

from __future__ import annotations

import warnings
from collections.abc import Callable

import numpy as np
import pytest

from benchmarks import clips
from benchmarks.baselines import librosa_backtracked, librosa_default
from benchmarks.recordings import Case, from_recordings
from benchmarks.scoring import f1, late_ms
from clackcount import beats, hearing, pipeline

CLOCKS = clips.read(clips.DATA, "impacts")
PLACES = clips.read(clips.DATA, "backgrounds")
WINDOW_MS = 15.0
alone = pytest.mark.skipif(
    not (hasattr(hearing, "find_impacts") and hasattr(beats, "rate_of")),
    reason="the package has no door yet for impacts without a ram",
)


def window_ms(clip: clips.Clip) -> float:
    """As close as the annotation can be trusted, and no closer than 15 ms."""
    return max(WINDOW_MS, 1000 * clip.uncertainty_s)


def impacts_of(clip: clips.Clip) -> np.ndarray:
    return np.asarray(hearing.find_impacts(clip.samples, clip.sample_rate_hz).time_s)


@alone
@pytest.mark.parametrize("clip", CLOCKS, ids=lambda clip: clip.name)
def test_the_ticks_of_a_clock_are_found_where_they_are(clip: clips.Clip) -> None:
    found_s = impacts_of(clip)
    assert len(late_ms(clip.onsets_s, found_s, window_ms(clip))) >= len(clip.onsets_s) - 1
    assert f1(clip.onsets_s, found_s, window_ms(clip)) >= 0.8
    # the annotation's own uncertainty is up to 10 ms
    assert abs(np.median(late_ms(clip.onsets_s, found_s))) <= max(3.0, 1000 * clip.uncertainty_s)


@alone
@pytest.mark.parametrize("clip", CLOCKS, ids=lambda clip: clip.name)
def test_the_rate_of_a_clock_is_recovered(clip: clips.Clip) -> None:
    # a clock may tick in pairs: over an even number of intervals, as the annotation's rate is
    rate = beats.rate_of(impacts_of(clip)).per_min
    n = len(clip.onsets_s) - 1
    uneven_ms = 1000 * float(np.ptp(np.diff(clip.onsets_s))) if n % 2 else 0.0
    slack = 0.005 + (uneven_ms + 2 * 1000 * clip.uncertainty_s) / (1000 * float(np.ptp(clip.onsets_s)))
    assert clip.rate_per_min is not None
    assert rate == pytest.approx(clip.rate_per_min, rel=slack)


@alone
@pytest.mark.parametrize("tool", [librosa_default, librosa_backtracked])
def test_ticks_are_found_better_than_by_librosa(tool: Callable[..., np.ndarray]) -> None:
    ours = [f1(clip.onsets_s, impacts_of(clip), window_ms(clip)) for clip in CLOCKS]
    theirs = [f1(clip.onsets_s, tool(clip.samples, clip.sample_rate_hz), window_ms(clip)) for clip in CLOCKS]
    assert np.mean(ours) > np.mean(theirs)


@pytest.fixture(scope="module")
def recorded() -> list[tuple[Case, np.ndarray]]:
    """Rams put together from recordings alone, 12 dB over recorded places, and the slams heard in them."""
    cases = [from_recordings(CLOCKS, PLACES, 12.0, True, number) for number in range(500, 504)]
    return [(case, np.asarray(pipeline.listen(case).beats.train.time_s)) for case in cases]


def test_slams_made_of_real_knocks_are_picked_far_better_than_by_librosa(
    recorded: list[tuple[Case, np.ndarray]],
) -> None:
    ours = np.mean([f1(case.slam_s, found_s, WINDOW_MS) for case, found_s in recorded])
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        theirs = np.mean(
            [
                f1(case.slam_s, librosa_backtracked(case.samples, case.sample_rate_hz), WINDOW_MS)
                for case, _ in recorded
            ]
        )
    assert ours > 2 * theirs
    assert ours > 0.6


def test_slams_made_of_real_knocks_are_placed_within_the_annotation(recorded: list[tuple[Case, np.ndarray]]) -> None:
    late = np.concatenate([late_ms(case.slam_s, found_s) for case, found_s in recorded])
    assert np.median(np.abs(late)) < 5.0  # clips are annotated to between 2 and 10 ms
