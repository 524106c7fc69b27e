"""The nouns that cross from one room to the next: frozen, with units in their names.

Arrays inside a noun are copied, checked once and locked; inner functions then trust the type. Times are in
seconds from the first sample of the recording. "Not measured" is None (NaN inside float arrays), never 0.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any

import numpy as np
from numpy.typing import NDArray

from clackcount import document
from clackcount.errors import TimesError

FloatArray = NDArray[np.float64]


def locked(values: Any, dtype: Any = np.float64) -> NDArray[Any]:
    """An own, read-only copy of values as an array of dtype."""
    array: NDArray[Any] = np.array(values, dtype=dtype)
    array.setflags(write=False)
    return array


# --- recording -------------------------------------------------------------------------------------------------


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


# --- hearing ---------------------------------------------------------------------------------------------------


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
    samples: floats, the waveform from sample first_frame * hop on, or from a little before where it is there.
    first_sample: number of samples[0] in the recording.
    keep: frames of the passage [first, last) whose decisions stand; the rest is surrounding.
    """

    first_frame: int
    hop: int
    sample_rate_hz: int
    rises: NDArray[np.float32]
    level_db: NDArray[np.float32]
    samples: NDArray[np.floating]
    first_sample: int
    keep: tuple[int, int]

    @property
    def frames_per_s(self) -> float:
        """Frames in a second."""
        return self.sample_rate_hz / self.hop


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


# --- beats -----------------------------------------------------------------------------------------------------


class Pattern(StrEnum):
    """How the intervals between slams lie."""

    EVEN = "even"
    WANDERING = "wandering"
    ALTERNATING = "alternating"
    HOPPING = "hopping"
    RAGGED = "ragged"


@dataclass(frozen=True, slots=True, eq=False)
class SlamTrain:
    """Waste-valve closures heard in one recording, of all pumps, in order of time.

    time_s: float64 (n,), strictly increasing, in [0, duration_s].
    strength_db: float32 (n,), above the background around it.
    confidence: float32 (n,), 0..1, that this is a waste-valve slam.
    reopen_s: float64 (n,), when the valve was heard dropping open again, NaN where not heard.
    opened_s: float64 (n,), when a knock of opening was heard shortly BEFORE this slam (the reopening of the cycle
        before it, or the push of a hand stroke), NaN where not heard.
    pump: int32 (n,), 1 = the loudest ram, 2.. = others beating at their own rate.
    beating: bool (n,), True where the slam lies on the even beat of its pump, False where it stands alone
        (a hand stroke, a beat after a stop): found by its sound only.
    """

    time_s: FloatArray
    strength_db: NDArray[np.float32]
    confidence: NDArray[np.float32]
    reopen_s: FloatArray
    opened_s: FloatArray
    pump: NDArray[np.int32]
    beating: NDArray[np.bool_]
    duration_s: float

    def __post_init__(self) -> None:
        n = len(self.time_s)
        for name, dtype in (
            ("time_s", np.float64),
            ("strength_db", np.float32),
            ("confidence", np.float32),
            ("reopen_s", np.float64),
            ("opened_s", np.float64),
            ("pump", np.int32),
            ("beating", np.bool_),
        ):
            array = locked(getattr(self, name), dtype)
            if array.shape != (n,):
                raise TimesError(f"{name} has shape {array.shape}, wanted ({n},) to match time_s")
            object.__setattr__(self, name, array)
        check_times(self.time_s, self.duration_s)

    def __len__(self) -> int:
        return len(self.time_s)

    def of_pump(self, pump: int) -> SlamTrain:
        """The slams of one pump only."""
        keep = self.pump == pump
        return SlamTrain(
            self.time_s[keep],
            self.strength_db[keep],
            self.confidence[keep],
            self.reopen_s[keep],
            self.opened_s[keep],
            self.pump[keep],
            self.beating[keep],
            self.duration_s,
        )


def check_times(time_s: FloatArray, duration_s: float) -> None:
    """Raise TimesError unless time_s is finite, strictly increasing and inside [0, duration_s]."""
    if len(time_s) == 0:
        return
    if not np.all(np.isfinite(time_s)):
        raise TimesError("a slam time is not a number")
    if np.any(np.diff(time_s) <= 0):
        raise TimesError("slam times must increase", hint="sort them, and drop doubles")
    if time_s[0] < 0:
        raise TimesError(f"slam at {time_s[0]:g} s lies before the recording begins")
    if time_s[-1] > duration_s:
        raise TimesError(
            f"slam at {time_s[-1]:g} s lies after the end of the recording ({duration_s:g} s)",
            hint="are the times in samples or milliseconds?",
        )


@dataclass(frozen=True, slots=True)
class Regularity:
    """How even the beat is. cv and robust_cv (1.4826 MAD / median) are shares of the interval, not per cent."""

    cv: float
    robust_cv: float
    missed: int
    pattern: Pattern


@dataclass(frozen=True, slots=True)
class Beat:
    """Rate and regularity over the longest self-running stretch of one pump, [start_s, end_s].

    rate_ci95_per_min: (low, high). open_s / shut_s: median phases, None where the reopening is not heard.
    confidence: 0..1, that this is a ram at all. doubts: plain sentences.
    """

    pump: int
    start_s: float
    end_s: float
    n_cycles: int
    rate_per_min: float
    rate_ci95_per_min: tuple[float, float]
    regularity: Regularity
    open_s: float | None
    shut_s: float | None
    confidence: float
    doubts: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Beats:
    """All that the beats room found: the slams and, for each pump that beats, its Beat (loudest first)."""

    train: SlamTrain
    pumps: tuple[Beat, ...] = ()
    doubts: tuple[str, ...] = ()


# --- running ---------------------------------------------------------------------------------------------------


class State(StrEnum):
    """What the pump is doing, in the words of someone standing beside it."""

    QUIET = "quiet"
    RUSHING = "rushing"
    HAND = "hand"
    SELF = "self"


class Cause(StrEnum):
    """Why a self-running stretch ended, as far as the sound can tell."""

    OPEN_STALL = "open-stall"
    SHUT_STALL = "shut-stall"
    STARVED = "starved"
    UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True)
class Stretch:
    """A piece of the timeline in one state, half-open: start_s <= t < end_s."""

    state: State
    start_s: float
    end_s: float
    n_slams: int
    confidence: float


@dataclass(frozen=True, slots=True)
class Stop:
    """The end of a self-running stretch before the recording ends. before: what changed in the minute before it."""

    time_s: float
    cause: Cause
    confidence: float
    before: tuple[str, ...] = ()
    restarted_s: float | None = None


@dataclass(frozen=True, slots=True)
class Startup:
    """How the pump was set going. settling_time_s: fitted, with its 95 % band, None where it cannot be fitted."""

    hand_strokes: int
    failed_attempts: int
    self_cycling_from_s: float | None
    settled_from_s: float | None
    settling_time_s: float | None = None
    settling_time_ci95_s: tuple[float, float] | None = None


@dataclass(frozen=True, slots=True)
class TrendRow:
    """One window of a long recording. None where nothing beat in it."""

    start_s: float
    end_s: float
    rate_per_min: float | None
    robust_cv: float | None
    strength_db: float | None
    rush_db: float | None
    missed: int


@dataclass(frozen=True, slots=True)
class Running:
    """The story of a recording: what the pump did, how it started, where and why it stopped."""

    timeline: tuple[Stretch, ...]
    stops: tuple[Stop, ...] = ()
    startup: Startup | None = None
    trend: tuple[TrendRow, ...] = ()


class Happening(StrEnum):
    """What is told while listening live."""

    STATE = "state"
    STROKE = "stroke"
    SETTLED = "settled"
    STOP = "stop"
    CAUSE = "cause"


@dataclass(frozen=True, slots=True)
class Event:
    """One change heard while listening live. time_s: when it happened; told_s: up to when had been heard by then.

    state: of the pump from then on (of a stop: until then). strokes: pushes of this start so far. rate_per_min: None
    where nothing beats by itself. cause: of a stop, as far as it could be heard by then. A CAUSE follows a stop whose
    cause could only be heard later.
    """

    happening: Happening
    time_s: float
    told_s: float
    state: State
    strokes: int = 0
    rate_per_min: float | None = None
    cause: Cause | None = None
    confidence: float = 1.0


# --- diagnosis -------------------------------------------------------------------------------------------------


class Severity(StrEnum):
    """info: good to know. watch: keep an eye on it. act: go to the pump."""

    INFO = "info"
    WATCH = "watch"
    ACT = "act"


class Basis(StrEnum):
    """What a finding rests on."""

    PUBLISHED = "published"
    COMMON_PRACTICE = "common practice"
    INFERENCE = "inference"


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing worth telling the person, with the evidence in figures and times to listen to."""

    code: str
    severity: Severity
    title: str
    evidence: str
    next: str
    confidence: float
    basis: Basis
    source: str = ""
    causes: tuple[str, ...] = ()
    checks: tuple[str, ...] = ()
    listen_at_s: tuple[float, ...] = ()
    question: str = ""
    cautions: tuple[str, ...] = ()


# --- trials, in the units that a person is shown -------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Ratio:
    """One quantity of a trial over that of another, with its 95 % interval. verdict: "not shown", or which way."""

    words: str
    ratio: float
    low: float
    high: float
    verdict: str


@dataclass(frozen=True, slots=True)
class Response:
    """A quantity over a setting: the curve (at, middle) with its 95 % band (low, high), and the trials as points."""

    words: str
    unit: str
    at: tuple[float, ...]
    middle: tuple[float, ...]
    low: tuple[float, ...]
    high: tuple[float, ...]
    points: tuple[tuple[float, float], ...]


@dataclass(frozen=True, slots=True)
class Choice:
    """What trials say about a setting. tried: from the least to the most; best, next: None where there is none."""

    over: str
    unit: str
    responses: tuple[Response, ...]
    tried: tuple[float, float]
    best: float | None
    next: float | None


@dataclass(frozen=True, slots=True)
class Measured:
    """A quantity as trials measured it: their numbers, the values, and half of each 95 % band."""

    words: str
    unit: str
    numbers: tuple[int, ...]
    values: tuple[float, ...]
    halves: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Course:
    """A quantity from trial to trial, and where the last was expected; outside: it is not. at: moments, ISO 8601."""

    words: str
    unit: str
    at: tuple[str, ...]
    values: tuple[float, ...]
    centre: float
    low: float
    high: float
    outside: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Meaning:
    """What all findings of one code have in common; what ``clackcount explain`` prints.

    causes and checks in the order of likelihood, and of the trade: source level, strainer, air, valve travel and
    dirt, delivery valve, air vessel, delivery pipe. question: what only the person can know.
    """

    code: str
    severity: Severity
    title: str
    means: str
    next: str
    basis: Basis
    source: str = ""
    causes: tuple[str, ...] = ()
    checks: tuple[str, ...] = ()
    question: str = ""
    cautions: tuple[str, ...] = ()

    def finding(
        self,
        evidence: str,
        confidence: float,
        *,
        severity: Severity | None = None,
        causes: tuple[str, ...] | None = None,
        listen_at_s: tuple[float, ...] = (),
    ) -> Finding:
        """A finding with this meaning; severity, causes: where they are others than usual."""
        return Finding(
            code=self.code,
            severity=severity or self.severity,
            title=self.title,
            evidence=evidence,
            next=self.next,
            confidence=confidence,
            basis=self.basis,
            source=self.source,
            causes=self.causes if causes is None else causes,
            checks=self.checks,
            listen_at_s=listen_at_s,
            question=self.question,
            cautions=self.cautions,
        )

    def explained(self) -> str:
        """What it means, its causes, checks and sources, as plain text."""
        parts = [f"{self.code}: {self.title}", "", self.means, "", f"Do next: {self.next}"]
        for title, rows in (("Likely causes, in order:", self.causes), ("Check, in this order:", self.checks)):
            if rows:
                parts += ["", title, *(f"  {number}. {row}" for number, row in enumerate(rows, start=1))]
        if self.question:
            parts += ["", f"What only you can tell: {self.question}"]
        parts += ["", f"Basis: {self.basis}" + (f" ({self.source})" if self.source else "")]
        if self.cautions:
            parts += ["", "Caution:", *(f"  - {caution}" for caution in self.cautions)]
        return "\n".join(parts)


# --- the whole -------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Listening:
    """All that came out of one recording. settings: the settings that made it; version: of the package."""

    recording: RecordingInfo
    beats: Beats
    flow: FlowTrack
    running: Running | None = None
    findings: tuple[Finding, ...] = ()
    version: str = ""
    settings: dict[str, float | int | str] = field(default_factory=dict)

    def to_dict(self) -> dict[str, Any]:
        """The published document (schema clackcount.listening/1): what ``clackcount listen --json`` prints."""
        return document.of_listening(self)
