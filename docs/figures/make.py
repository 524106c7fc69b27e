"""Draws every figure of the docs anew, into the folder it lies in or another: python docs/figures/make.py [FOLDER]

Those of listening.md are of a made recording, those of reading-the-report.md of two samples, those of logbook.md of
three trials that nobody made.
"""

from __future__ import annotations

import dataclasses
import sys
import tempfile
from pathlib import Path

import matplotlib as mpl
import numpy as np

mpl.use("Agg")
from matplotlib import pyplot as plt

import clackcount
from clackcount import figures, simulate
from clackcount.beats.cycle import echoes
from clackcount.beats.pumps import PumpHeard, Scene, search
from clackcount.beats.template import PEAK_REACH, Scoring, local_maxima
from clackcount.cli.main import main as cli
from clackcount.hearing.ear import Ear
from clackcount.model import Pattern
from clackcount.recording.excerpts import read_excerpts
from clackcount.report import keeping
from clackcount.report.figures.paper import FAINT, INK, LINE, PAPER, STOP, WATER, WATER_SOFT, WORK, WORK_SOFT
from clackcount.settings import BeatsSettings, HearingSettings

HERE = Path(__file__).parent
SAMPLES = HERE.parents[1] / "sample_audio"
TRIALS = (("6mm", "0.50 L", "6 L"), ("10mm", "0.61 L", "8 L"), ("14mm", "0.58 L", "10 L"))  # stroke, caught, wasted
RATE_HZ = 32000
SNR_DB = 6
REOPENING_DB = -4
RUSH_DB = -13

plt.rcParams.update(
    {
        "font.size": 9,
        "text.color": INK,
        "axes.labelcolor": INK,
        "axes.edgecolor": FAINT,
        "xtick.color": FAINT,
        "ytick.color": FAINT,
        "figure.facecolor": PAPER,
        "axes.facecolor": PAPER,
        "axes.spines.top": False,
        "axes.spines.right": False,
        "legend.frameon": False,
    }
)


def heard() -> tuple[simulate.Rendered, Scene, PumpHeard]:
    """A ram of one slam a second beside a stream, and what is heard of it in one passage."""
    ram = simulate.random_ram(
        np.random.default_rng(5), rate_per_min=60, pattern=Pattern.EVEN, material="brass-on-steel"
    )
    rush = simulate.Rush(level_db=RUSH_DB, leak_db=-40)
    scenario = simulate.Scenario(
        60.0,
        (simulate.Part(dataclasses.replace(ram, reopen_db=REOPENING_DB, rush=rush)),),
        (simulate.Layer("stream"),),
        snr_db=SNR_DB,
        sample_rate_hz=RATE_HZ,
    )
    made = simulate.render(scenario, 5)
    ear = Ear(RATE_HZ, HearingSettings())
    ear.feed(made.samples)
    (passage,) = ear.finish()
    scene = Scene.of(passage)
    pump, *_beside = search(scene, BeatsSettings())
    return made, scene, pump


def save(figure: plt.Figure, path: Path) -> None:
    """As a small PNG."""
    figure.savefig(path, dpi=110, metadata={"Software": None})
    plt.close(figure)


def stand_out(folder: Path, scene: Scene, pump: PumpHeard, first_s: float = 20.0, span_s: float = 9.0) -> None:
    """The rises of one stretch before anything is learned and after."""
    per_s = scene.passage.frames_per_s
    plain = np.maximum(scene.rises[:, :, :2].mean(axis=2), 0).sum(axis=1)
    figure, rows = plt.subplots(2, 1, figsize=(7.2, 4.2), sharex=True, layout="constrained")
    for axes, score, label in (
        (rows[0], plain, "rise, all bands"),
        (rows[1], pump.series.z, "score, learned"),
    ):
        peaks = local_maxima(score.astype(np.float32), PEAK_REACH)
        peaks = peaks[(peaks > first_s * per_s) & (peaks < (first_s + span_s) * per_s)]
        slam = np.abs(peaks[:, None] - pump.series.frames).min(axis=1) <= 3
        for mine, colour, width, name in ((~slam, LINE, 1.5, "other sounds"), (slam, WORK, 3.0, "slams")):
            axes.vlines(
                peaks[mine] / per_s, 0, np.maximum(score[peaks[mine]], 0), colour, linewidth=width, label=name
            )
        axes.set(ylabel=label, ylim=(0, None))
    rows[0].legend(loc="upper right", ncols=2, bbox_to_anchor=(1, 1.16))
    rows[1].set(xlabel="time in the recording, s")
    save(figure, folder / "listening-rises.png")


def honest(folder: Path, scene: Scene, pump: PumpHeard) -> None:
    """How a template flatters what it was learned from: on the slams, and on moments drawn at random."""
    rng = np.random.default_rng(1)
    drawn = np.sort(rng.choice(np.arange(100, scene.n_frames - 100, 25), len(pump.series.frames), replace=False))
    figure, columns = plt.subplots(1, 2, figsize=(7.2, 2.9), sharey=True, layout="constrained")
    for axes, frames, name in (
        (columns[0], pump.series.frames, "learned from the slams"),
        (columns[1], drawn, "learned from moments drawn by lot"),
    ):
        scoring = Scoring.learn(scene.field, frames)
        assert scoring is not None
        bins = np.arange(-6, 42.5, 2.0)
        axes.hist(np.clip(scoring.z[frames], -6, 42), bins, color=WORK_SOFT, label="by the template itself")
        axes.hist(
            np.clip(scoring.honest(frames), -6, 42),
            bins,
            histtype="step",
            color=STOP,
            linewidth=1.6,
            label="by the other half's (honest)",
        )
        axes.set(title=name, xlabel="score")
    columns[0].set(ylabel="moments")
    columns[1].legend(loc="upper right")
    save(figure, folder / "listening-honest.png")


def one_cycle(folder: Path, scene: Scene, pump: PumpHeard) -> None:
    """All cycles laid on one another: what stands out at each moment, and how loud the water is."""
    per_s = scene.passage.frames_per_s
    frames = pump.series.frames[1:-2]
    lags = np.arange(-30, int(pump.series.period) + 20)
    strength = echoes(scene.field, frames, lags)
    level = scene.passage.level_db[np.clip(frames[:, None] + lags, 0, scene.n_frames - 1)].mean(axis=(0, 2))
    figure, rows = plt.subplots(2, 1, figsize=(7.2, 4.0), sharex=True, layout="constrained")
    rows[0].fill_between(lags / per_s, 0, np.sqrt(np.maximum(strength, 0)), step="mid", color=WORK_SOFT)
    rows[0].set(ylabel="onset over chance", ylim=(0, None))
    rows[0].annotate("slam", (0, 0), (10, 60), textcoords="offset points", color=WORK)
    if pump.reopening_lag is not None:
        at_s = pump.reopening_lag / per_s
        rows[0].annotate("valve opens", (at_s, 0), (4, 38), textcoords="offset points", color=WATER)
        rows[1].axvspan(0, at_s, color=LINE, alpha=0.5, linewidth=0)
        rows[1].axvspan(at_s, pump.series.period / per_s, color=WATER_SOFT, linewidth=0)
        rows[1].text(at_s / 2, level.max(), "shut", ha="center", va="top")
        rows[1].text(at_s + 0.3, level.max(), "open", ha="left", va="top")
    rows[1].step(lags / per_s, level, where="mid", color=INK, linewidth=1)
    rows[1].set(xlabel="after the slam, s", ylabel="mean level, dB")
    save(figure, folder / "listening-cycle.png")


def of_the_report(folder: Path) -> None:
    """What `clackcount report --png` draws of the samples, as far as the docs show it."""
    for name, shown in (("leaf_in_valve.ogg", ("strip", "beat", "intervals")), ("hand_start.mp4", ("strip",))):
        path = SAMPLES / name
        listening = clackcount.listen(path)
        excerpts = list(read_excerpts(path, keeping.spans(listening), listening.recording.duration_s))
        for kind, figure in figures.all_of(listening, keeping.best_profile(listening, excerpts)):
            if kind in shown:
                (folder / f"{path.stem}-{kind}.png").write_bytes(figures.png(figure))


def of_trials(folder: Path) -> None:
    """What `clackcount advise` and `clackcount compare` draw of three trials."""
    with tempfile.TemporaryDirectory() as kept:
        site, book = f"{kept}/dell.toml", f"{kept}/logbook.sqlite"
        done = [cli(["site", "new", site])]
        for hour, (stroke, caught, wasted) in enumerate(TRIALS, start=9):
            catches = ["--catch", f"{caught} in 60 s"] * 3 + ["--waste-catch", f"{wasted} in 60 s"]
            at = ["--at", f"2026-03-01 {hour:02d}:00", "--logbook", book]
            done.append(cli(["trial", "add", "--site", site, "--setting", f"stroke={stroke}", *catches, *at]))
        advice = ["advise", "--site", site, "--travel", "3 mm to 20 mm", "--logbook", book]
        done.append(cli([*advice, "--png", str(folder / "logbook-advise.png")]))
        done.append(cli(["compare", "1", "2", "--logbook", book, "--png", str(folder / "logbook-compare.png")]))
    assert not any(done), done


def main(folder: Path) -> None:
    """All of them."""
    _made, scene, pump = heard()
    stand_out(folder, scene, pump)
    honest(folder, scene, pump)
    one_cycle(folder, scene, pump)
    of_the_report(folder)
    of_trials(folder)


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else HERE)
