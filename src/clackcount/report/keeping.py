"""Which pieces of a recording's sound go with its page, and where playing begins. Pure."""

from __future__ import annotations

from collections.abc import Iterator

from clackcount.model import Excerpt, Listening, State
from clackcount.report import profile
from clackcount.report.words import doubtful

WHOLE_S = 360.0  # up to six minutes the whole recording goes with the page
MOST_S = 600.0  # of excerpts, all together: under 5 MB of page
STEADY_S = 45.0  # of steady running, to hear and to open one beat up
BEFORE_S, AFTER_S = 8.0, 12.0
MOST_BUTTONS = 6  # to listen, of one finding
LEAD_S = 2.0  # playing begins so long before what is to be heard
_JOIN_S = 4.0  # a gap shorter than this is kept rather than cut

Span = tuple[float, float]


def spans(listening: Listening) -> list[Span]:
    """(start_s, end_s) of the pieces to keep, in order, apart from each other: all, or what is worth hearing."""
    duration_s = listening.recording.duration_s
    if duration_s <= WHOLE_S:
        return [(0.0, duration_s)] if duration_s > 0 else []
    chosen: list[Span] = []
    for start_s, end_s in _worth_hearing(listening):
        trial = _joined([*chosen, (max(0.0, start_s), min(duration_s, end_s))])
        if sum(end - start for start, end in trial) <= MOST_S:
            chosen = trial
    return chosen


def _worth_hearing(listening: Listening) -> Iterator[Span]:
    """The most telling first: steady running, what findings point at, stops, the start, doubts, other changes.

    Of many of a kind those come first that lie all over the recording.
    """
    running = listening.running
    for beat in listening.beats.pumps[:1]:
        middle_s = (beat.start_s + beat.end_s) / 2
        start_s = max(beat.start_s - 1.0, min(middle_s, beat.end_s - STEADY_S))
        yield start_s, min(start_s + STEADY_S, beat.end_s + 2.0)
    moments = [time_s for finding in listening.findings for time_s in finding.listen_at_s[:MOST_BUTTONS]]
    moments += _spread([stop.time_s for stop in running.stops]) if running else []
    if running and running.startup:
        starts_s = (running.startup.self_cycling_from_s, running.startup.settled_from_s)
        moments += [time_s for time_s in starts_s if time_s is not None]
    timeline = running.timeline if running else ()
    moments += _spread([stretch.start_s for stretch in timeline if doubtful(stretch)])
    moments += _spread([stretch.start_s for stretch in timeline if stretch.state is not State.QUIET])
    for time_s in moments:
        yield time_s - BEFORE_S, time_s + AFTER_S
    if not moments and not listening.beats.pumps:
        yield 0.0, STEADY_S  # nothing was heard: let the person hear the nothing


def _spread(moments_s: list[float]) -> list[float]:
    """The same in another order: the first, the middle one, those at the quarters, and so on (bits reversed)."""
    n_bits = len(moments_s).bit_length()
    order = sorted(range(len(moments_s)), key=lambda place: f"{place:0{n_bits}b}"[::-1])
    return [moments_s[place] for place in order]


def _joined(pieces: list[Span]) -> list[Span]:
    joined: list[Span] = []
    for start_s, end_s in sorted(pieces):
        if joined and start_s - joined[-1][1] < _JOIN_S:
            joined[-1] = (joined[-1][0], max(joined[-1][1], end_s))
        else:
            joined.append((start_s, end_s))
    return joined


def best_profile(listening: Listening, excerpts: list[Excerpt]) -> profile.Profile | None:
    """One beat opened up, from the excerpt that holds most beats; None where no excerpt holds enough."""
    found = [profile.of(listening, excerpt) for excerpt in excerpts]
    return max((each for each in found if each is not None), key=lambda each: each.n_beats, default=None)
