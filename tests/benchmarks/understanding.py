"""How right the told story is, on scenes drawn at random: one command, one table.

    python tests/benchmarks/understanding.py [--scenes 200] [--ear whole|perfect] [--audible] [--first-seed 90000]

--ear whole goes the user's way, from a WAV file through the whole pipeline. --ear perfect takes the slams from the
truth, and shows what the running room alone does. Seeds from 90000 on are for judging: none of them was looked at.

Quiet means that no rush is heard above the background. Where the made water is softer than the background in every
octave, both quiet and rushing therefore count as right; the strict figure counts rushing only.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from scipy.signal import sosfilt

sys.path.insert(0, str(Path(__file__).parents[1]))
sys.path.insert(0, str(Path(__file__).parents[1] / "running"))
from heard import flow_of, train_of

from benchmarks.recordings import LOW_HZ
from clackcount.model import Beats, Cause, Running, State, Stretch
from clackcount.running import understand
from clackcount.simulate import Rendered, Scenario, random_scene, render
from clackcount.simulate.level import octaves

CONDITIONS = ("stream", "rain", "wind", "speech", "birds", "engine", "automatic-gain", "pump-house")
STORIES = ("steady", "start-up", "open-stall", "shut-stall", "starved", "restart")
NOISY = ("rain", "speech", "wind")
CLEAR_DB = 6.0  # the rush just before a slam stands so far over the background


@dataclass
class Scores:
    """Sums over scenes."""

    scenes: int = 0
    told: int = 0
    right_s: float = 0.0
    strict_s: float = 0.0
    whole_s: float = 0.0
    stops: int = 0
    stops_found: int = 0
    false_stops: int = 0
    steady_h: float = 0.0
    steady_false: int = 0
    cause: Counter[tuple[str, str]] = field(default_factory=Counter)
    self_error_cycles: list[float] = field(default_factory=list)
    self_missing: int = 0
    stroke_errors: list[tuple[int, int]] = field(default_factory=list)


def scene(seed: int) -> tuple[Scenario, str, str, float]:
    """(scenario, condition, story, level in dB of the rush just before a slam over the background).

    Slams and rush are drawn apart from one another, so that in some scenes the rush drowns its own slams.
    """
    rng = np.random.default_rng(seed)
    condition, story = str(rng.choice(CONDITIONS)), str(rng.choice(STORIES))
    rush_snr_db = float(rng.uniform(-6, 20))
    made = random_scene(
        condition,
        rng,
        duration_s=float(rng.uniform(60, 120)),
        snr_db=float(rng.uniform(6, 18)),
        story=story,
        rush_snr_db=rush_snr_db,
        sample_rate_hz=16000,
        rate_per_min=(25, 200),
    )
    return made, condition, story, rush_snr_db


def told(made: Rendered, ear: str, seed: int) -> Running | None:
    """The story, by a perfect ear or by the whole pipeline."""
    if ear == "perfect":
        train = train_of(made, np.random.default_rng(seed))
        return understand(Beats(train), flow_of(made.samples, made.sample_rate_hz), made.truth.duration_s)
    import soundfile

    import clackcount

    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "scene.wav"
        soundfile.write(path, made.samples, made.sample_rate_hz, subtype="PCM_16")
        return clackcount.listen(path).running


def stands_out_low(made: Rendered) -> bool:
    """Whether the slams stand out most at 125 or 250 Hz, where they are hardly heard."""
    octave_hz = made.truth.pumps[0].snr_octave_hz if made.truth.pumps else None
    return octave_hz is not None and octave_hz <= LOW_HZ


def hidden(made: Rendered) -> list[Stretch]:
    """The true stretches of rushing in which the water is softer than the background in every octave."""
    rushing = [stretch for stretch in made.truth.timeline if stretch.state is State.RUSHING]
    over_db = np.full(len(rushing), -np.inf)
    for _, sos in octaves(made.sample_rate_hz):
        water, background = (sosfilt(sos, part) ** 2 for part in (made.rams, made.background))
        level = 10 * np.log10(np.mean(background) + 1e-30)
        for i, stretch in enumerate(rushing):
            span = slice(*(int(t * made.sample_rate_hz) for t in (stretch.start_s, stretch.end_s)))
            over_db[i] = max(over_db[i], 10 * np.log10(np.mean(water[span]) + 1e-30) - level)
    return [stretch for stretch, db in zip(rushing, over_db, strict=True) if db < 0]


def states(timeline: tuple[Stretch, ...], at_s: np.ndarray) -> list[State]:
    ends_s = np.array([stretch.end_s for stretch in timeline])
    where = np.minimum(np.searchsorted(ends_s, at_s, side="right"), len(ends_s) - 1)
    return [timeline[i].state for i in where]


def score(into: Scores, made: Rendered, running: Running, period_s: float, *, steady: bool) -> None:
    """Add one scene."""
    truth = made.truth
    at_s = np.arange(0.05, truth.duration_s, 0.1)
    told = np.array(states(running.timeline, at_s))
    right = told == np.array(states(truth.timeline, at_s))
    into.scenes += 1
    into.told += any(stretch.n_slams for stretch in running.timeline)
    into.strict_s += 0.1 * float(right.sum())
    for stretch in hidden(made):
        right |= (told == State.QUIET) & (at_s >= stretch.start_s) & (at_s < stretch.end_s)
    into.right_s += 0.1 * float(right.sum())
    into.whole_s += 0.1 * len(right)
    left = list(running.stops)
    for stop in truth.stops:
        into.stops += 1
        near = [found for found in left if abs(found.time_s - stop.time_s) <= 1.0]
        if near:
            into.stops_found += 1
            left.remove(near[0])
            if stop.cause is not Cause.UNKNOWN:
                into.cause[(stop.cause.value, near[0].cause.value)] += 1
    into.false_stops += len(left)
    if steady:
        into.steady_h += truth.duration_s / 3600
        into.steady_false += len(left)
    if truth.startup and truth.timeline[0].state is not State.SELF:
        found = running.startup
        into.stroke_errors.append((truth.startup.hand_strokes, found.hand_strokes if found else 0))
        if truth.startup.self_cycling_from_s is not None:
            if found is None or found.self_cycling_from_s is None:
                into.self_missing += 1
            else:
                into.self_error_cycles.append(
                    (found.self_cycling_from_s - truth.startup.self_cycling_from_s) / period_s
                )


def per_cent(part: float, whole: float) -> str:
    return f"{100 * part / whole:.1f} % of {whole:.0f}" if whole else "none"


def report(name: str, scores: Scores) -> None:
    """Print one column of the table."""
    right = sum(n for (true, found), n in scores.cause.items() if true == found)
    unknown = sum(n for (_, found), n in scores.cause.items() if found == Cause.UNKNOWN)
    n_causes = sum(scores.cause.values())
    errors = np.abs(np.array(scores.self_error_cycles))
    within = sum(abs(true - found) <= max(1.0, 0.1 * true) for true, found in scores.stroke_errors)
    print(f"\n{name}: {scores.scenes} scenes, a ram told in {scores.told}")
    print(f"  timeline right                 {per_cent(scores.right_s, scores.whole_s)} s")
    print(f"    the same, strict             {per_cent(scores.strict_s, scores.whole_s)} s")
    print(f"  stops found within 1 s         {per_cent(scores.stops_found, scores.stops)}")
    print(f"  stops told that were none      {scores.false_stops}")
    print(f"  causes right                   {per_cent(right, n_causes)}")
    print(f"  causes unknown                 {per_cent(unknown, n_causes)}")
    print(f"  causes wrong                   {per_cent(n_causes - right - unknown, n_causes)}")
    print(f"  runs by itself within 2 cycles {per_cent(int(np.sum(errors <= 2)), len(errors) + scores.self_missing)}")
    print(f"  strokes within 1 in 10         {per_cent(within, len(scores.stroke_errors))}")
    if scores.steady_h:
        print(
            f"  false stops an hour, steady    {scores.steady_false / scores.steady_h:.2f} in {scores.steady_h:.2f} h"
        )


def main(argv: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--scenes", type=int, default=200)
    parser.add_argument("--ear", choices=("whole", "perfect"), default="whole")
    parser.add_argument("--first-seed", type=int, default=90000)
    parser.add_argument("--audible", action="store_true", help="only slams at 500 Hz or above that their rush leaves")
    parser.add_argument("--worst", action="store_true", help="name the scenes that went wrong")
    given = parser.parse_args(argv)
    clear, faint, drowned, low, noisy = (Scores() for _ in range(5))
    for seed in range(given.first_seed, given.first_seed + given.scenes):
        scenario, condition, story, rush_db = scene(seed)
        over = rush_db > (scenario.snr_db or 0.0)
        if given.audible and over:
            continue
        made = render(scenario, seed)
        below = stands_out_low(made)
        if given.audible and below:
            continue
        running = told(made, given.ear, seed)
        if running is None:
            continue
        period_s = scenario.parts[0].ram.column.period_s
        groups = [low if below else drowned if over else clear if rush_db >= CLEAR_DB else faint]
        if condition in NOISY and story == "steady" and not below:
            groups.append(noisy)
        for group in groups:
            score(group, made, running, period_s, steady=story == "steady")
        if given.worst:
            alone = Scores()
            score(alone, made, running, period_s, steady=False)
            if alone.right_s < 0.95 * alone.whole_s or alone.false_stops or alone.stops_found < alone.stops:
                print(
                    f"seed {seed}: {condition}, {story}, rush {rush_db:.0f} dB, "
                    f"{100 * alone.right_s / alone.whole_s:.0f} % right, stops {alone.stops_found} of {alone.stops}, "
                    f"{alone.false_stops} false, causes {dict(alone.cause)}"
                )
    print(f"{given.scenes} scenes from seed {given.first_seed}, {given.ear} ear")
    report(f"Slams stand out at 500 Hz or above, rush at least {CLEAR_DB:.0f} dB over the background", clear)
    report("The same, rush fainter than that", faint)
    report("Slams stand out at 500 Hz or above, but less than the rush before them does", drowned)
    report("Slams stand out at 125 or 250 Hz only, any rush", low)
    report("Steady running in rain, speech and wind, slams at 500 Hz or above, any rush", noisy)
    return 0


if __name__ == "__main__":
    sys.exit(main())
