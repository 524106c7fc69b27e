"""How soon and how rightly `watch` tells, on scenes drawn at random, and what it costs: two commands, two tables.

    python tests/benchmarks/watching.py [--scenes 200] [--first-seed 50000] [--low] [--each]
    python tests/benchmarks/watching.py --cost [--quick]

The scenes are those of understanding.py, of which those are watched whose slam stands out most at 500 Hz or above, or
with --low those whose slam stands out most at 125 or 250 Hz, which hardly anybody hears. Told late is counted from
when a beat was first missing, in seconds of sound that had been fed by then. Cost is that of the whole command:
processor time over the length of the sound, and peak memory, for ten minutes and for an hour; reading the same file
with soundfile stands beside it.
"""

from __future__ import annotations

import argparse
import itertools
import sys
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent))
import cost
from understanding import CLEAR_DB, NOISY, per_cent, scene, states

from clackcount import pipeline
from clackcount.model import Event, Happening, State, Stretch
from clackcount.running import Watcher
from clackcount.simulate import Rendered, render

BLOCK_S = 0.1
LOW_HZ = 250.0
HEARD_SHARE = 0.8  # of the slams: below it the ear, not the watching, is what fails


@dataclass
class Scores:
    """Sums over scenes."""

    scenes: int = 0
    right_s: float = 0.0
    whole_s: float = 0.0
    slams: int = 0
    slams_found: int = 0
    stops: int = 0
    late_s: list[float] = field(default_factory=list)
    late_share: list[float] = field(default_factory=list)  # of two cycles or two seconds
    causes: list[bool] = field(default_factory=list)
    false_stops: int = 0
    steady_h: float = 0.0
    steady_false: int = 0
    self_cycles: list[float] = field(default_factory=list)
    self_told_s: list[float] = field(default_factory=list)  # after it ran by itself, or after the sound began
    self_sure_s: list[float] = field(default_factory=list)  # the same, without a doubt
    taken_back: int = 0
    strokes_at_once: list[tuple[int, int]] = field(default_factory=list)  # told within 2 s, of how many
    self_missing: int = 0
    strokes: list[tuple[int, int]] = field(default_factory=list)


class Fed:
    """A scene as a source that knows how much of it has been fed."""

    def __init__(self, made: Rendered) -> None:
        self.samples, self.sample_rate_hz = made.samples.astype(np.float32), made.sample_rate_hz
        self.fed_s = 0.0

    def blocks(self) -> Iterator[np.ndarray]:
        n = round(BLOCK_S * self.sample_rate_hz)
        for first in range(0, len(self.samples), n):
            self.fed_s = min(first + n, len(self.samples)) / self.sample_rate_hz
            yield self.samples[first : first + n]


def watch(made: Rendered) -> tuple[list[tuple[Event, float]], np.ndarray]:
    """(events with the seconds fed when each was told, times of the slams)."""
    source, watcher = Fed(made), Watcher()
    told: list[tuple[Event, float]] = []
    slams_s: list[float] = []
    for news in pipeline.follow(source):  # type: ignore[arg-type]
        slams_s += [] if news.slams is None else news.slams.time_s.tolist()
        told += [(event, source.fed_s) for event in watcher.feed(news)]
    return told, np.array(slams_s)


def timeline_of(told: list[tuple[Event, float]], duration_s: float) -> tuple[Stretch, ...]:
    """What the events say of the whole time, each from when it says it happened; quiet before the first."""
    starts: list[tuple[State, float]] = [(State.QUIET, 0.0)]
    for event, _ in told:
        if event.happening in (Happening.STATE, Happening.NO_RAM):
            starts = [start for start in starts if start[1] < event.time_s] + [(event.state, event.time_s)]
    ends_s = [start_s for _, start_s in starts[1:]] + [duration_s]
    return tuple(
        Stretch(state, start_s, end_s, 0, 1.0) for (state, start_s), end_s in zip(starts, ends_s, strict=True)
    )


def first_run(told: list[tuple[Event, float]]) -> Event | None:
    """How the first run was told last: its beginning and the strokes before it may be told again, or taken back."""
    run: Event | None = None
    for event, _ in told:
        if event.happening is Happening.NO_RAM:
            run = None
        elif event.happening is Happening.STOP and run is not None:
            break
        elif event.happening is Happening.STATE and event.state is State.SELF:
            run = event
    return run


def in_(stretch: Stretch, time_s: float) -> bool:
    return stretch.start_s <= time_s < stretch.end_s


def score(into: Scores, made: Rendered, told: list[tuple[Event, float]], found: int, period_s: float) -> None:
    """Add one scene."""
    truth = made.truth
    into.scenes += 1
    into.slams += len(truth.slam_s)
    into.slams_found += found
    at_s = np.arange(0.05, truth.duration_s, 0.1)
    timeline = timeline_of(told, truth.duration_s)
    right = [a is b for a, b in zip(states(timeline, at_s), states(truth.timeline, at_s), strict=True)]
    into.right_s += 0.1 * sum(right)
    into.whole_s += 0.1 * len(right)
    left = [(event, fed_s) for event, fed_s in told if event.happening is Happening.STOP]
    why = {event.time_s: event.cause for event, _ in told if event.happening is Happening.CAUSE}
    for stop in truth.stops:
        into.stops += 1
        near = [one for one in left if abs(one[0].time_s - stop.time_s) <= max(1.0, period_s)]
        if near:
            event, fed_s = near[0]
            left.remove(near[0])
            into.late_s.append(fed_s - stop.time_s - period_s)
            into.late_share.append(into.late_s[-1] / max(2.0, 2 * period_s))
            into.causes.append(stop.cause in (event.cause, why.get(event.time_s)))
    into.false_stops += len(left)
    if not truth.stops:
        into.steady_h += truth.duration_s / 3600
        into.steady_false += len(left)
    starts_s = [stretch.start_s for stretch in truth.timeline if stretch.state is State.SELF]
    runs = [(event, fed_s) for event, fed_s in told if event.happening is Happening.STATE]
    runs = [(event, fed_s) for event, fed_s in runs if event.state is State.SELF]
    if starts_s and runs:
        into.self_told_s.append(runs[0][1] - starts_s[0])
    sure_at_s = [fed_s for event, fed_s in runs if event.doubt is None]
    if starts_s and sure_at_s:
        into.self_sure_s.append(sure_at_s[0] - starts_s[0])
    into.taken_back += sum(event.happening is Happening.NO_RAM for event, _ in told)
    pushed_s = [t for t in truth.slam_s.tolist() for s in truth.timeline if s.state is State.HAND and in_(s, t)]
    soon_s = [
        event.time_s for event, fed_s in told if event.happening is Happening.STROKE and fed_s - event.time_s < 2
    ]
    at_once = sum(any(abs(t - s) < 0.1 for s in soon_s) for t in pushed_s)
    into.strokes_at_once.append((at_once, len(pushed_s)))
    startup = truth.startup
    if startup and startup.self_cycling_from_s is not None and truth.timeline[0].state is not State.SELF:
        run = first_run(told)
        into.strokes.append((startup.hand_strokes, run.strokes if run else 0))
        if run:
            into.self_cycles.append((run.time_s - startup.self_cycling_from_s) / period_s)
        else:
            into.self_missing += 1


def report(name: str, scores: Scores) -> None:
    """Print one column of the table."""
    within = int(np.sum(np.array(scores.late_share) <= 1))
    strokes = sum(abs(true - found) <= max(1.0, 0.1 * true) for true, found in scores.strokes)
    early = int(np.sum(np.abs(scores.self_cycles) <= 2))
    print(f"\n{name}: {scores.scenes} scenes")
    print(f"  slams heard                         {per_cent(scores.slams_found, scores.slams)}")
    print(f"  timeline right                      {per_cent(scores.right_s, scores.whole_s)} s")
    print(f"  stops told                          {per_cent(len(scores.late_s), scores.stops)}")
    print(f"  of these within 2 cycles or 2 s     {per_cent(within, len(scores.late_s))}")
    if scores.late_s:
        late_s = np.percentile(scores.late_s, [50, 90])
        print(f"  late by, median and 9 in 10         {late_s[0]:.1f} s, {late_s[1]:.1f} s")
    print(f"  causes right                        {per_cent(sum(scores.causes), len(scores.causes))}")
    print(f"  stops told that were none           {scores.false_stops}")
    if scores.steady_h:
        print(f"  the same in an hour without a stop  {scores.steady_false / scores.steady_h:.1f}")
    n_started = len(scores.self_cycles) + scores.self_missing
    print(f"  runs by itself within 2 cycles      {per_cent(early, n_started)}")
    for name, late_s in (("told", scores.self_told_s), ("told for sure", scores.self_sure_s)):
        if late_s:
            half_s, most_s = np.percentile(late_s, [50, 90])
            print(f"  {name} after it began, median and 9 in 10 {half_s:.0f} s, {most_s:.0f} s")
    print(f"  rams taken back as none             {scores.taken_back}")
    print(f"  strokes told as they came           {per_cent(*np.sum(scores.strokes_at_once, axis=0))}")
    print(f"  strokes within 1 in 10              {per_cent(strokes, len(scores.strokes))}")


def judge(scenes: int, first_seed: int, *, low: bool, each: bool) -> None:
    """Watch the scenes and print the tables."""
    everything, clear, heard, noisy = Scores(), Scores(), Scores(), Scores()
    for seed in range(first_seed, first_seed + scenes):
        scenario, condition, story, rush_db = scene(seed)
        made = render(scenario, seed)
        if (made.truth.pumps[0].snr_octave_hz <= LOW_HZ) is not low:
            continue
        told, slams_s = watch(made)
        true_s = made.truth.slam_s
        near = np.abs(true_s[:, None] - slams_s[None]).min(axis=1) < 0.03 if len(slams_s) else np.zeros(len(true_s))
        groups = [everything]
        groups += [heard] if near.mean() > HEARD_SHARE else []
        groups += [clear] if near.mean() > HEARD_SHARE and rush_db >= CLEAR_DB else []
        groups += [noisy] if story == "steady" and condition in NOISY else []
        for group in groups:
            score(group, made, told, int(near.sum()), scenario.parts[0].ram.column.period_s)
        if each:
            print(f"seed {seed}: {condition}, {story}, {100 * near.mean():.0f} % of the slams heard")
            print("  " + ", ".join(f"{stretch.state} {stretch.start_s:.1f}" for stretch in made.truth.timeline))
            print("  " + ", ".join(_short(event, fed_s) for event, fed_s in told))
    where = "at 125 or 250 Hz" if low else "at 500 Hz or above"
    print(f"Of {scenes} scenes from seed {first_seed} those whose slam stands out most {where}")
    report("All of them", everything)
    report(f"Where {100 * HEARD_SHARE:.0f} % of the slams are heard", heard)
    report(f"The same, and the rush {CLEAR_DB:.0f} dB or more over the background", clear)
    report("Steady running in rain, speech and wind", noisy)


def _short(event: Event, fed_s: float) -> str:
    what = event.state if event.happening is Happening.STATE else event.happening
    return f"{what}{'' if event.cause is None else ' ' + event.cause} {event.time_s:.1f} (at {fed_s:.1f})"


def weigh(*, quick: bool) -> None:
    """Print what watching costs."""
    watch_command = [sys.executable, "-m", "clackcount", "watch", "--json"]
    lengths = {"1 min": 60, "10 min": 600} if quick else {"10 min": 600, "1 h": 3600}
    with tempfile.TemporaryDirectory() as folder:
        for (name, seconds), running in itertools.product(lengths.items(), (True, False)):
            path = Path(folder) / "sound.wav"
            cost.write(path, seconds, running=running)
            got = cost.run(watch_command, path)
            read = cost.run([sys.executable, "-c", cost.CALLS["soundfile"]], path)
            print(
                f"{name}, {'a ram' if running else 'no ram'}: {100 * got['cpu_s'] / seconds:.2f} % of a core "
                f"at real time, {got['mb']:.0f} MB at most "
                f"(reading the file whole: {100 * read['cpu_s'] / seconds:.3f} %, {read['mb']:.0f} MB)"
            )


def main(argv: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--scenes", type=int, default=200)
    parser.add_argument("--first-seed", type=int, default=50000)
    parser.add_argument("--cost", action="store_true", help="processor time and memory instead")
    parser.add_argument("--quick", action="store_true", help="with --cost: a minute and ten minutes only")
    parser.add_argument("--low", action="store_true", help="the scenes with low slams instead")
    parser.add_argument("--each", action="store_true", help="what was and what was told of each scene, too")
    given = parser.parse_args(argv)
    if given.cost:
        weigh(quick=given.quick)
    else:
        judge(given.scenes, given.first_seed, low=given.low, each=given.each)
    return 0


if __name__ == "__main__":
    sys.exit(main())
