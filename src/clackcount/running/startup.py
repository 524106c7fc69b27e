"""How the pump was set going: hand strokes, failed attempts, the moment it ran by itself, and when it had settled."""

from __future__ import annotations

import warnings
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from clackcount.middle import median, spread_about_0
from clackcount.model import FloatArray, Startup, State
from clackcount.running.reading import Reading
from clackcount.running.timeline import Spell
from clackcount.settings import RunningSettings

FIT_CYCLES_MIN = 15
FIT_SPAN_S = 900.0  # what happens later is the weather, not the start
FIT_CYCLES_MAX = 3000
SEEN_CONSTANTS = 1.0  # at least so many time constants must have been heard for the fit to be believed


@dataclass(frozen=True, slots=True)
class Settling:
    """interval(t) = final_s * (1 + share * exp(-t / constant_s)), t from the start of the run."""

    final_s: float
    share: float
    constant_s: float
    within_s: float  # until the interval is within the settled share of its final value
    within_sd_s: float


def find_startup(reading: Reading, spells: list[Spell], settings: RunningSettings) -> Startup | None:
    """The first start in the recording, after a stop if it was running already; None where nobody pushed it and it
    did not start."""
    if spells and spells[0].state is State.SELF and spells[0].start_s <= 0:
        spells = spells[1:]
    own = next((i for i, spell in enumerate(spells) if spell.state is State.SELF), None)
    pushing = [spell for spell in spells[:own] if spell.state is State.HAND]
    if not pushing and own is None:
        return None
    strokes = sum(int(reading.strokes.pushed[spell.first : spell.last + 1].sum()) for spell in pushing)
    failed = sum(failed_attempts(reading, spell) for spell in pushing)
    failed += max(0, len(pushing) - 1)  # a long pause between strokes: it had been given up
    if own is None:
        return Startup(strokes, failed + (1 if pushing else 0), None, None)
    run = spells[own]
    own_from_s = own_from(reading, run)
    settled_s, settling = settled_from(reading, run, own_from_s, settings)
    if settling is None:
        return Startup(strokes, failed, own_from_s, settled_s)
    band = (
        max(0.0, settling.within_s - 1.96 * settling.within_sd_s),
        settling.within_s + 1.96 * settling.within_sd_s,
    )
    return Startup(strokes, failed, own_from_s, settled_s, settling.within_s, band)


def failed_attempts(reading: Reading, spell: Spell) -> int:
    """How often it ran some beats by itself among the strokes of the spell and had to be pushed again."""
    pushed = reading.strokes.pushed[spell.first : spell.last + 1].astype(np.int8)
    return int(np.sum(np.diff(pushed) == 1))


def own_from(reading: Reading, run: Spell) -> float:
    """The first slam that was made without a push."""
    return float(reading.train.time_s[run.first])


def settled_from(
    reading: Reading, run: Spell, own_from_s: float, settings: RunningSettings
) -> tuple[float | None, Settling | None]:
    """(when the beat is within settled_share of its final value, the fit); None where it is not to be seen."""
    slam = np.arange(run.first + 1, run.last + 1)[:FIT_CYCLES_MAX]
    slam = slam[reading.train.time_s[slam] - own_from_s < FIT_SPAN_S]
    return settled_after(reading.train.time_s[slam], single_intervals(reading, slam), own_from_s, settings)


def single_intervals(reading: Reading, slam: NDArray[np.int64]) -> FloatArray:
    """The period before each of these slams; an interval that spans missed beats is shared out among them."""
    spanned = np.maximum(1, np.round(reading.interval_s[slam] / reading.strokes.period_s[slam]))
    return np.asarray(reading.interval_s[slam] / spanned)


def settled_after(
    time_s: FloatArray, interval_s: FloatArray, own_from_s: float, settings: RunningSettings
) -> tuple[float | None, Settling | None]:
    """settled_from for intervals (n,) that end at time_s (n,)."""
    if len(time_s) < FIT_CYCLES_MIN:
        return None, None
    at_s = time_s - interval_s / 2 - own_from_s  # an interval tells of its middle
    settling = fit_settling(at_s, interval_s, settings.settled_share)
    if settling is None:
        return own_from_s, None
    if settling.within_s > at_s[-1] or at_s[-1] < SEEN_CONSTANTS * settling.constant_s:
        return None, None
    return own_from_s + settling.within_s, settling


SHARE_MAX = 2.0  # what begins with intervals more than three times as long is no settling


def fit_settling(at_s: FloatArray, interval_s: FloatArray, settled_share: float) -> Settling | None:
    """Fit an exponential approach to intervals (n,) at times at_s (n,); None where the interval does not change.

    Least squares with outliers (missed beats, hops) drawn in to four robust standard deviations first.
    """
    from scipy.optimize import OptimizeWarning, curve_fit

    span_s = float(at_s[-1] - at_s[0])
    smooth = median(interval_s[-max(5, len(interval_s) // 4) :])
    relative = interval_s / smooth - 1
    noise = spread_about_0(np.diff(relative)) / np.sqrt(2) + 1e-4
    early = float(median(relative[:5]))
    if abs(early) < max(settled_share, 2.5 * noise / np.sqrt(5)):
        return None
    trend = np.median(np.lib.stride_tricks.sliding_window_view(np.pad(relative, 3, mode="edge"), 7), axis=1)
    drawn = np.clip(relative, trend - 4 * noise, trend + 4 * noise)

    def approach(t_s: FloatArray, final: float, share: float, log_constant: float) -> FloatArray:
        return np.asarray(final + share * np.exp(-t_s / np.exp(log_constant)))

    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", OptimizeWarning)  # an undetermined fit shows in its covariance
            found, cover = curve_fit(
                approach,
                at_s,
                drawn,
                p0=(0.0, float(np.clip(early, -SHARE_MAX, SHARE_MAX)), np.log(span_s / 4)),
                bounds=((-0.5, -SHARE_MAX, np.log(span_s / 200)), (0.5, SHARE_MAX, np.log(span_s * 2))),
                max_nfev=200,
            )
    except RuntimeError:
        return None
    final, share, log_constant = (float(value) for value in found)
    share /= 1 + final
    if abs(share) <= settled_share or not np.all(np.isfinite(cover)):
        return None
    constant_s = float(np.exp(log_constant))
    decades = float(np.log(abs(share) / settled_share))
    gradient = np.array([constant_s / share, constant_s * decades])
    within_sd_s = float(np.sqrt(max(0.0, gradient @ cover[1:, 1:] @ gradient)))
    return Settling(float(smooth * (1 + final)), share, constant_s, constant_s * decades, within_sd_s)
