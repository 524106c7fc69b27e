"""Composition only: feeds the stages one into the next."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from contextlib import suppress
from queue import Empty, Queue
from threading import Event, Thread
from typing import Protocol, TypeVar

import numpy as np
from numpy.typing import NDArray

import clackcount
from clackcount import diagnosis, running
from clackcount.beats.assemble import Collector
from clackcount.beats.heard import Heard
from clackcount.beats.live import LiveTracker
from clackcount.beats.tracker import Tracker
from clackcount.errors import RecordingError
from clackcount.hearing.ear import Ear, LiveEar
from clackcount.hearing.placing import place
from clackcount.model import Beats, FloatArray, FlowTrack, Listening, News, Passage, RecordingInfo
from clackcount.settings import BeatsSettings, HearingSettings, LiveSettings, RunningSettings, as_dict

SHORTEST_S = 1.0
SILENT_PEAK = 1e-4  # -80 dB re full scale: below the noise of any microphone


class Source(Protocol):
    """What a recording must offer: see ``clackcount.recording.Recording``."""

    sample_rate_hz: int

    def blocks(self) -> Iterable[NDArray[np.float32]]: ...

    def info(self) -> RecordingInfo: ...


class Hearer:
    """Ear and tracker together: a recording in, slams out. The ear works ahead of the tracker, in its own thread."""

    def __init__(self, recording: Source, hearing: HearingSettings, beats: BeatsSettings) -> None:
        self._recording = recording
        self._ear = Ear(recording.sample_rate_hz, hearing)
        self._tracker = Tracker(beats)
        self._collector = Collector()
        self._settings = beats
        self._highest, self._lowest = -np.inf, np.inf

    @property
    def heard_s(self) -> float:
        """Seconds of sound that came so far."""
        return self._ear.heard_s

    @property
    def swing(self) -> float:
        """Half the way between the highest and the lowest sample so far: 0 for a standing level."""
        return max(0.0, self._highest - self._lowest) / 2

    def hear(self, on_progress: Callable[[float], None] | None) -> None:
        """Hear all of it; see listen for on_progress."""
        for passage in ahead(self._passages(on_progress)):
            for heard in self._tracker.feed(passage):
                self._collector.add(heard, *_times_s(heard, passage))

    def told(self) -> tuple[Beats, FlowTrack]:
        """The slams and beats of what was heard, and the steady sound beneath them."""
        return self._collector.beats(self._tracker.known, self.heard_s, self._settings), self._ear.flow()

    def _passages(self, on_progress: Callable[[float], None] | None) -> Iterator[Passage]:
        for samples in self._recording.blocks():
            if len(samples):
                self._highest = max(self._highest, float(samples.max()))
                self._lowest = min(self._lowest, float(samples.min()))
                yield from self._ear.feed(samples)
            if on_progress is not None:
                on_progress(self.heard_s)
        yield from self._ear.finish()


T = TypeVar("T")
LEAVE_S = 2.0


def ahead(items: Iterable[T]) -> Iterator[T]:
    """The same items in the same order, each made in another thread while the one before it is worked on.

    What goes wrong there is raised here, in its place. The thread ends when nobody wants its items any more, and does
    not keep the program from ending while it waits for sound.
    """
    made: Queue[tuple[T | None, BaseException | None]] = Queue(maxsize=1)
    unwanted = Event()

    def make() -> None:
        try:
            for item in items:
                made.put((item, None))
                made.join()  # until it is taken
                if unwanted.is_set():
                    return
            made.put((None, None))
        except BaseException as err:  # whatever it is, it belongs to whoever asked
            made.put((None, err))

    maker = Thread(target=make, daemon=True)
    maker.start()
    try:
        while True:
            item, wrong = made.get()
            made.task_done()
            if wrong is not None:
                raise wrong
            if item is None:
                return
            yield item
    finally:
        unwanted.set()
        with suppress(Empty):
            made.get_nowait()
            made.task_done()
        maker.join(LEAVE_S)  # what it reads from may be closed next


def _times_s(heard: Heard, passage: Passage) -> tuple[FloatArray, FloatArray]:
    """When the slams and the reopenings after them were, s, float64 (n,) each."""
    about = heard.frame * passage.hop
    time_s = place(passage.samples, passage.first_sample, passage.sample_rate_hz, about, alike=True)
    return time_s, heard.reopen_frame / passage.frames_per_s


def listen(
    recording: Source,
    hearing: HearingSettings | None = None,
    beats: BeatsSettings | None = None,
    story: RunningSettings | None = None,
    on_progress: Callable[[float], None] | None = None,
) -> Listening:
    """Hear a whole recording: its slams, rate and regularity, what the pump did, and what to make of it.

    on_progress is called with the seconds heard so far, after each block, from the thread that reads them.

    Raises RecordingError where the source ends without sound, is silent, or is too short to hold a beat.
    """
    hearing, beats, story = hearing or HearingSettings(), beats or BeatsSettings(), story or RunningSettings()
    hearer = Hearer(recording, hearing, beats)
    hearer.hear(on_progress)
    if hearer.heard_s < SHORTEST_S:
        length = f"only {hearer.heard_s:.1f} s" if hearer.heard_s >= 0.1 else "under 0.1 s"
        raise RecordingError(f"the recording is {length} long", hint="record a minute or more", code="too-short")
    if hearer.swing < SILENT_PEAK:
        raise RecordingError(
            "the recording is silent", hint="was the microphone covered or switched off?", code="silent"
        )
    heard, flow = hearer.told()
    del hearer  # the last minutes of sound are not needed any more
    info = recording.info()
    told = running.understand(heard, flow, info.duration_s, story)
    return Listening(
        recording=info,
        beats=heard,
        flow=flow,
        running=told,
        findings=diagnosis.find(heard, told, flow, info),
        version=clackcount.__version__,
        settings={**as_dict(hearing), **as_dict(beats), **as_dict(story)},
    )


def follow(
    recording: Source,
    hearing: HearingSettings | None = None,
    beats: BeatsSettings | None = None,
    live: LiveSettings | None = None,
) -> Iterator[News]:
    """Hear sound while it comes in: what is new, again and again, for a Watcher, in the recording's own time.

    The same from any blocks; memory does not grow.
    """
    hearing, beats, live = hearing or HearingSettings(), beats or BeatsSettings(), live or LiveSettings()
    ear = LiveEar(recording.sample_rate_hz, hearing, live.window_max_s)
    tracker = LiveTracker(beats, live)

    def look() -> Iterator[News]:
        while (passage := ear.passage(tracker.wanted())) is not None:
            heard = [(part, *_times_s(part, passage)) for part in tracker.feed(passage)]
            heard_s = (passage.first_frame + passage.keep[1]) / passage.frames_per_s
            slams = tracker.tell(heard, heard_s)
            yield News(
                slams,
                ear.cells(),
                heard_s,
                tracker.due(),
                tracker.knocks(),
                tracker.verdict,
                tracker.again_s,
            )

    for block in recording.blocks():
        ear.feed(block)
        yield from look()
    ear.finish()
    tracker.finish()
    yield from look()
