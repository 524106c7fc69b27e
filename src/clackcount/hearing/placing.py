"""Where on the waveform an impact begins: frames find it to a few milliseconds, this to a few samples.

Each impact's surrounding is whitened by linear prediction learned from the sound just before it, so that a hum or a
brook does not hide the start, and split where two stretches of different variance describe it best. Sources: Akaike
criterion for picking arrivals on a waveform: Maeda 1985, Zisin 38, 365-379; prediction by the autocorrelation
method: Makhoul 1975, Proc. IEEE 63, 561-580.
"""

from __future__ import annotations

import numpy as np
import scipy.fft
from numpy.typing import NDArray

from clackcount.hearing.aligning import aligned
from clackcount.hearing.octaves import octave_response, octaves_within
from clackcount.middle import median

ORDER = 10
BEFORE_S, AFTER_S = 0.022, 0.014  # around the frame: its own error is 2 to 10 ms
LEARN_S = 0.02  # of sound before that, for the predictor
CLOSE_S = 0.006
BATCH = 32


def place(
    samples: NDArray[np.number],
    first_sample: int,
    sample_rate_hz: int,
    approx_sample: NDArray[np.float64],
    *,
    alike: bool = False,
) -> NDArray[np.float64]:
    """Times of the starts of impacts, s from the start of the recording, float64 (n,).

    samples, numbers of any scale: the waveform from sample number first_sample on. approx_sample float64 (n,): where
    a frame put them, in samples of the recording. An impact whose start is not clear is put where the clear ones of
    the same call lie relative to their frames; where few are clear, where all taken together begin. alike: they are
    of one kind, and each is put where it is most like its fellows, unless it begins there by itself.
    """
    n = len(approx_sample)
    if n == 0:
        return np.zeros(0)
    pick = np.empty(n)
    clear = np.empty(n)
    frame = approx_sample - first_sample
    for start in range(0, n, BATCH):
        part = slice(start, min(start + BATCH, n))
        pick[part], clear[part] = _pick(samples, frame[part], sample_rate_hz)
        pick[part] = struck(samples, pick[part], sample_rate_hz, wave_db=WAVE_DB)
    sure = clear > CLEAR_MIN
    many = sure.sum() >= max(3, SURE_SHARE * n)
    if many:
        usual = float(median((pick - frame)[sure]))
    else:
        usual = _common_start(samples, frame, sample_rate_hz) if n >= COMMON_LEAST else 0.0
    unclear = ~sure & (np.abs(pick - frame - usual) > CLOSE_S * sample_rate_hz)
    if alike and n >= COMMON_LEAST:
        begun = pick - frame - usual if many else np.zeros(n)
        like = frame + usual + aligned(samples, frame + usual, sample_rate_hz, np.where(unclear, 0.0, begun))
        like += _offset(samples, like, pick, clear, sample_rate_hz)
        pick = np.where(np.abs(pick - like) > AGREE_S * sample_rate_hz, like, pick)
    else:
        pick = np.where(unclear, frame + usual, pick)
    result: NDArray[np.float64] = (pick + first_sample) / sample_rate_hz
    return np.maximum(result, 0.0)


def _offset(
    samples: NDArray[np.number],
    like: NDArray[np.float64],
    pick: NDArray[np.float64],
    clear: NDArray[np.float64],
    sample_rate_hz: int,
) -> float:
    """Samples from where impacts laid on each other were put to where they begin.

    Where the clearer half of the picks are densest, or, if they are dense nowhere, where all together begin. The
    nearer the likelier: where they were looked for was no guess.
    """
    clearer = np.argsort(clear)[-max(COMMON_LEAST, (len(clear) + 1) // 2) :]
    late = (pick - like)[clearer]
    apart = late[:, None] - late[None, :]
    density = np.exp(-0.5 * (apart / (DENSE_S * sample_rate_hz)) ** 2).sum(axis=1)
    density *= np.exp(-0.5 * (late / (NEAR_S * sample_rate_hz)) ** 2)
    near = np.abs(apart[np.argmax(density)]) <= 2 * DENSE_S * sample_rate_hz
    if near.mean() >= DENSE_SHARE:
        return float(median(late[near]))
    return _common_start(samples, like, sample_rate_hz, NEAR_S)


AGREE_S = 0.001  # as well as impacts can be laid on each other by the courses of their power
DENSE_S, DENSE_SHARE = 0.0005, 0.4  # of picks in nothing but noise a twentieth lie within a millisecond of another
NEAR_S = 0.008  # further off the loudest rise is another sound of the cycle, or of something else
SURE_SHARE, COMMON_LEAST = 0.3, 6
CLEAR_MIN = 8.0  # dB by which the first 3 ms exceed what came before; noise alone makes 5


def _pick(
    samples: NDArray[np.number], approx: NDArray[np.float64], sample_rate_hz: int
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Start in samples, and how far the sound rises there, dB, for each approximate position."""
    n_before, n_after = int(BEFORE_S * sample_rate_hz), int(AFTER_S * sample_rate_hz)
    n_learn = int(LEARN_S * sample_rate_hz)
    middle = np.round(approx).astype(np.int64)
    where = middle[:, None] + np.arange(-n_before - n_learn, n_after)[None, :]
    waves = samples[np.clip(where, 0, len(samples) - 1)].astype(np.float64)
    waves[(where < 0) | (where >= len(samples))] = 0
    waves -= waves.mean(axis=1, keepdims=True)
    white = _whiten(waves, n_learn)
    first = _split(white, guard=max(4, sample_rate_hz // 2000))
    # once more, closer: the ring of the impact must not draw the split towards its own middle
    close = int(CLOSE_S * sample_rate_hz)
    rows = np.arange(len(white))
    start = np.clip(first - close, 0, white.shape[1] - 2 * close)
    near = white[rows[:, None], start[:, None] + np.arange(int(1.6 * close))[None, :]]
    second = start + _split(near, guard=max(3, sample_rate_hz // 8000))
    energy = np.cumsum(white**2, axis=1)
    span = max(8, int(0.003 * sample_rate_hz))
    stop = np.minimum(second + span, white.shape[1] - 1)
    after = (energy[rows, stop] - energy[rows, second]) / np.maximum(stop - second, 1)
    before = energy[rows, np.maximum(second - 1, 0)] / np.maximum(second, 1)
    clear = 10 * np.log10((after + 1e-20) / (before + 1e-20))
    return np.asarray(middle - n_before + second, dtype=np.float64), clear


def struck(
    samples: NDArray[np.number], pick: NDArray[np.float64], sample_rate_hz: int, *, wave_db: float = np.inf
) -> NDArray[np.float64]:
    """Each start moved past what only heralds it, in samples, float64 (n,).

    In a quiet place a latch, a creak or the hiss of the closing gap is heard before the blow, and is where the sound
    begins. The blow begins where the first difference of the wave (bodies ring higher than they creak) comes within
    FORE_DB of its peak, and the wave itself within wave_db of its own; beside noise that is where it was.
    """
    width = max(1, round(SMOOTH_S * sample_rate_hz))
    reach = round(FORE_S * sample_rate_hz)
    first = np.round(pick).astype(np.int64)
    where = first[:, None] + np.arange(-1, reach + width)[None, :]
    wave = samples[np.clip(where, 0, len(samples) - 1)].astype(np.float64)
    risen = _near_peak(np.diff(wave, axis=1), width, FORE_DB) & _near_peak(wave[:, 1:], width, wave_db)
    step = np.argmax(risen, axis=1) if len(first) else np.zeros(0, dtype=np.int64)
    # the mean over a width first reaches the blow when its last sample does
    return pick + np.where(step > 0, step + width - 1, 0)


def _near_peak(waves: NDArray[np.float64], width: int, within_db: float) -> NDArray[np.bool_]:
    """Where the power of each row, over so many samples from there on, comes near the highest of that row."""
    power = np.cumsum(waves**2, axis=1)
    level = power[:, width:] - power[:, :-width]
    near: NDArray[np.bool_] = level >= level.max(axis=1, keepdims=True) * 10 ** (-within_db / 10)
    return near


FORE_S, FORE_DB, SMOOTH_S = 0.03, 13.0, 0.0005  # how long before the blow, and how much weaker, is not yet it
# A codec spreads a blow over its whole frame, in the octaves where all was quiet before. Those are what the whitened
# wave and the difference show most; in the wave itself they are faint.
WAVE_DB = 16.0


def _common_start(
    samples: NDArray[np.number], approx: NDArray[np.float64], sample_rate_hz: int, near_s: float = np.inf
) -> float:
    """Samples from where frames put the impacts to where, taken together, they begin.

    In the octave in which they rise most, the steepest rise of the median course of their power. One by one they may
    be drowned; what they have in common is not. A rise near_s away counts for less, as in a Gaussian.
    """
    bin_ = max(1, round(COMMON_BIN_S * sample_rate_hz))
    settle = round(LEARN_S * sample_rate_hz)
    some = np.linspace(0, len(approx) - 1, min(len(approx), COMMON_MOST)).astype(int)
    first = np.round(approx[some]).astype(np.int64) - COMMON_BEFORE * bin_
    where = first[:, None] + np.arange(-settle, (COMMON_BEFORE + COMMON_AFTER) * bin_)[None, :]
    waves = samples[np.clip(where, 0, len(samples) - 1)].astype(np.float64)
    # room for the octaves' ringing, or the end of each wave would be heard at its beginning
    size = scipy.fft.next_fast_len(waves.shape[1] + settle, real=True)
    spectrum = scipy.fft.rfft(waves, size, axis=1)
    bin_hz = scipy.fft.rfftfreq(size, 1 / sample_rate_hz)
    steepest, offset = 0.0, 0.0
    for centre_hz in octaves_within(sample_rate_hz):
        heard = scipy.fft.irfft(spectrum * octave_response(bin_hz, centre_hz, sample_rate_hz), size, axis=1)
        heard = heard[:, settle : waves.shape[1]]
        power = np.median(np.mean(heard.reshape(len(some), -1, bin_) ** 2, axis=2), axis=0)
        total = np.concatenate([[0.0], np.cumsum(power + 1e-15)])
        at = np.arange(COMMON_BEFORE - COMMON_REACH, COMMON_BEFORE + COMMON_REACH + 1)
        after, before = total[at + RISE_BINS] - total[at], total[at] - total[at - 2 * RISE_BINS]
        rise = np.log(2 * after / before) * np.exp(-0.5 * ((at - COMMON_BEFORE) * COMMON_BIN_S / near_s) ** 2)
        best = int(np.argmax(rise))
        if rise[best] > steepest:
            late = COMMON_LATE * sample_rate_hz / centre_hz
            steepest, offset = float(rise[best]), float((at[best] - COMMON_BEFORE) * bin_) - late
    return offset


COMMON_BIN_S, COMMON_MOST = 0.001, 64
COMMON_LATE = 0.3  # periods by which an octave's filter shows a rise late where it comes 6 to 10 dB out of noise
COMMON_BEFORE, COMMON_AFTER, COMMON_REACH, RISE_BINS = 36, 34, 14, 6  # bins


def _whiten(waves: NDArray[np.float64], n_learn: int) -> NDArray[np.float64]:
    """Prediction error of each row from n_learn on, under a predictor learned from the samples before."""
    learn = waves[:, :n_learn] * np.hanning(n_learn)
    size = scipy.fft.next_fast_len(2 * n_learn, real=True)
    spectrum = scipy.fft.rfft(learn, size, axis=1)
    lag = scipy.fft.irfft(np.abs(spectrum) ** 2, size, axis=1)[:, : ORDER + 1]
    lag[:, 0] = lag[:, 0] * (1 + 1e-4) + 1e-12  # a little white noise keeps the equations solvable in silence
    index = np.abs(np.arange(ORDER)[:, None] - np.arange(ORDER)[None, :])
    coefficients = np.linalg.solve(lag[:, index], lag[:, 1:, None])[:, :, 0]
    error = waves[:, n_learn:].copy()
    for k in range(1, ORDER + 1):
        error -= coefficients[:, k - 1 : k] * waves[:, n_learn - k : -k]
    return error


def _split(waves: NDArray[np.float64], guard: int) -> NDArray[np.intp]:
    """Where to cut each row in two so that k log var(left) + (n - k) log var(right) is least."""
    n = waves.shape[1]
    square = np.cumsum(waves**2, axis=1)
    k = np.arange(guard, n - guard)
    left = square[:, guard - 1 : n - guard - 1]
    right = square[:, -1:] - left
    tiny = 1e-14 * n
    criterion = k * np.log((left + tiny) / k) + (n - k) * np.log((right + tiny) / (n - k))
    return np.asarray(guard + np.argmin(criterion, axis=1))
