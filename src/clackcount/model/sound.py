"""What is read and heard before anything is called a slam: recordings and pieces of them, impacts, passages, flow."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from clackcount.model.arrays import FloatArray


@dataclass(frozen=True, slots=True)
class RecordingInfo:
    """What was read, known in full once the last block has gone through.

    clipped_fraction: share of samples at the rails, 0..1. warnings: plain sentences about the recording itself.
    """

    path: str
    duration_s: float
    sample_rate_hz: int
    channels: int
    container: str
    codec: str
    clipped_fraction: float = 0.0
    warnings: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, eq=False)
class Excerpt:
    """A piece of a recording's sound, from start_s on. samples: float32 (n,), mono, full scale 1."""

    start_s: float
    sample_rate_hz: int
    samples: NDArray[np.float32]

    @property
    def end_s(self) -> float:
        """Where it ends, in the time of the recording."""
        return self.start_s + len(self.samples) / self.sample_rate_hz


@dataclass(frozen=True, slots=True)
class Clip:
    """An excerpt as a compressed file for playing. gain_db: how much louder it was made."""

    start_s: float
    end_s: float
    media_type: str
    data: bytes
    gain_db: float = 0.0


@dataclass(frozen=True, slots=True, eq=False)
class Impacts:
    """Sudden broadband sounds heard in a recording, whatever made them.

    time_s: float64 (n,), increasing; the start of each impact on the waveform.
    strength_db: float32 (n,), level of the impact's first 20 ms above the background before it, in the three
        neighbouring bands where that is most.
    background_db: float32 (n,), level of the 50 ms before it, dB re full scale, all bands together.
    decay_s: float32 (n,), time for the excess to fall by 10 dB in the bands that rise clearly, no finer than a frame
        of 20 ms (NaN where none does, or where it lasts for half a second or to the next impact).
    shape: float32 (n, n_bands), rise of those first 20 ms in each band over the background, dB, clipped at 0.
    band_hz: float64 (n_bands,), centre frequencies.
    """

    time_s: FloatArray
    strength_db: NDArray[np.float32]
    background_db: NDArray[np.float32]
    decay_s: NDArray[np.float32]
    shape: NDArray[np.float32]
    band_hz: FloatArray

    def __len__(self) -> int:
        return len(self.time_s)


@dataclass(frozen=True, slots=True, eq=False)
class FlowTrack:
    """How loud the steady sound (water, wind, rain) is from moment to moment, with the knocks left out.

    Cell i covers [i * step_s, (i + 1) * step_s).
    level_db: floating (n_cells, n_bands), a low quantile of the short-time level in the cell, dB re full scale.
    band_hz: float64 (n_bands + 1,), edges of the bands.
    """

    step_s: float
    level_db: NDArray[np.floating[Any]]
    band_hz: FloatArray

    def __len__(self) -> int:
        return len(self.level_db)


@dataclass(frozen=True, slots=True, eq=False)
class Passage:
    """A minute or so of a recording as the ear hears it; passages overlap, so that each moment has a surrounding.

    Frame i of the passage is centred on sample (first_frame + i) * hop of the recording.
    rises: float32 (n_frames, n_bands, n_spans), how much louder each band is at and after a frame than before it.
    level_db: float32 (n_frames, n_bands), mean-square level, dB re full scale.
    samples: int16, the shape of the waveform about the frames of keep, the loudest sample 32767.
    first_sample: number of samples[0] in the recording.
    keep: frames of the passage [first, last) whose decisions stand; the rest is surrounding.
    n_low: how many bands, the lowest, lie where valves thud and wind blows and no water is heard.
    """

    first_frame: int
    hop: int
    sample_rate_hz: int
    rises: NDArray[np.float32]
    level_db: NDArray[np.float32]
    samples: NDArray[np.int16]
    first_sample: int
    keep: tuple[int, int]
    n_low: int = 0

    @property
    def frames_per_s(self) -> float:
        """Frames in a second."""
        return self.sample_rate_hz / self.hop

    @property
    def water_db(self) -> NDArray[np.float32]:
        """Level in the bands in which water is heard, dB re full scale, float32 (n_frames, n_bands - n_low)."""
        return self.level_db[:, self.n_low :]


@dataclass(frozen=True, slots=True)
class Wanted:
    """The passage that is wanted next while sound comes in.

    It ends step_s after the last one and is window_s long. What lies hold_s before its end is not decided yet, and
    what was decided up to review_s before the last decision is looked at again.
    """

    step_s: float
    window_s: float
    review_s: float
    hold_s: float
