"""The timeline: spells of pushing and of running by itself, and what was heard between them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from clackcount.middle import median
from clackcount.model import State, Stretch
from clackcount.running.cycling import ran_on
from clackcount.running.gaps import Piece, follow_gap
from clackcount.running.reading import Reading
from clackcount.settings import RunningSettings

AT_THE_START = 1.7  # a first slam within so many periods of the start: it was running already
BEGUN_MIN = 3  # beats
PUSH_LEAD_S = 0.4  # from a push to its slam, where the push was not heard (common practice, no source)
PUSH_LEAD_MAX_S = 1.2  # water that rushes longer before a stroke was rushing anyway
HAND_PATIENCE_S = 2.5  # nobody has let go before the next stroke is due
AFTER_STROKE_S = 0.5  # a hand rests on the valve so long after its last stroke
SHUT_PIECE_MAX_S, SHUT_MAX_S = 3.0, 4.0
GATHERS_MAX_S = 4.0  # a column gathers speed so slowly through the open valve; what begins later has another cause
GATHER_S = 0.5
SMEAR_S = 0.6  # gaps.steady tells a rise so much late


@dataclass(frozen=True, slots=True)
class Spell:
    """Slams first..last (inclusive) in one state, HAND or SELF. goes_on: into the end of the recording."""

    state: State
    first: int
    last: int
    start_s: float
    end_s: float
    goes_on: bool = False


def find_spells(
    reading: Reading, end_s: float, settings: RunningSettings, *, begins_within: bool = True
) -> list[Spell]:
    """Spells in order of time, none overlapping, up to end_s.

    begins_within: the recording may begin in the middle of a run, so that a few beats at its start are one.
    """
    train, strokes = reading.train, reading.strokes
    n = len(train)
    if n == 0:
        return []
    time_s, pushed = train.time_s, strokes.pushed
    broken = _breaks(reading, settings)
    cut = np.flatnonzero(broken[1:] | (pushed[1:] != pushed[:-1])) + 1
    parts = [(bool(pushed[a]), a, b - 1) for a, b in zip([0, *cut.tolist()], [*cut.tolist(), n], strict=True)]
    spells: list[Spell] = []
    for is_pushed, first, last in parts:
        joined = first > 0 and not broken[first]
        goes_on = last == n - 1 and end_s - time_s[last] <= _patience(reading, last, is_pushed, settings)
        own = not is_pushed and (
            last - first + 1 >= settings.self_cycles_min
            or (begins_within and first == 0 and _from_the_start(reading) and bool(train.beating[: last + 1].all()))
        )
        if own and first == 0 and last + 1 < BEGUN_MIN and not goes_on:
            continue  # one or two knocks at the start of a recording are not the end of a run
        state = State.SELF if own else State.HAND
        begin_s = _begin(reading, spells, state, first, joined)
        finish_s = end_s if goes_on else float(time_s[last])
        if joined and spells and spells[-1].state is state:
            spells[-1] = Spell(state, spells[-1].first, last, spells[-1].start_s, finish_s, goes_on)
        else:
            if joined and spells and state is State.HAND:
                spells = _without_short_run(spells, settings)
            spells.append(Spell(state, first, last, begin_s, finish_s, goes_on))
            if joined and len(spells) > 1 and spells[-2].state is state:
                spells[-2:] = [Spell(state, spells[-2].first, last, spells[-2].start_s, finish_s, goes_on)]
    return spells


def _without_short_run(spells: list[Spell], settings: RunningSettings) -> list[Spell]:
    """A run that is pushed on without a pause, and was short, is even pushing, or a start that failed."""
    run = spells[-1]
    if run.state is not State.SELF or run.last - run.first + 1 >= 2 * settings.self_cycles_min:
        return spells
    before = spells[-2] if len(spells) > 1 else None
    if before is not None and before.state is State.HAND and before.end_s >= run.start_s:
        return [*spells[:-2], Spell(State.HAND, before.first, run.last, before.start_s, run.end_s)]
    return [*spells[:-1], Spell(State.HAND, run.first, run.last, run.start_s, run.end_s)]


def lay_timeline(reading: Reading, spells: list[Spell], duration_s: float) -> tuple[Stretch, ...]:
    """Spells and the gaps between them as stretches that cover [0, duration_s] without a hole."""
    stretches: list[Stretch] = []
    at_s = 0.0
    for number, spell in enumerate(spells):
        start_s = max(spell.start_s, at_s)
        if start_s > at_s:
            before = spells[number - 1] if number else None
            pieces = gap_pieces(reading, at_s, start_s, before, spell)
            if spell.state is State.HAND:
                start_s, pieces = _push_belongs_to_stroke(pieces, start_s)
            _append_pieces(stretches, pieces)
        n_slams = spell.last - spell.first + 1
        stretches.append(Stretch(spell.state, start_s, spell.end_s, n_slams, _sure(reading, spell)))
        at_s = spell.end_s
        if spell.state is State.HAND and not spell.goes_on:
            follows_s = spells[number + 1].start_s if number + 1 < len(spells) else duration_s
            at_s = min(at_s + AFTER_STROKE_S, follows_s)
            stretches[-1] = Stretch(spell.state, start_s, at_s, n_slams, stretches[-1].confidence)
    if at_s < duration_s:
        _append_pieces(stretches, gap_pieces(reading, at_s, duration_s, spells[-1] if spells else None, None))
    return tuple(stretch for stretch in stretches if stretch.end_s > stretch.start_s)


def gap_pieces(
    reading: Reading, start_s: float, end_s: float, before: Spell | None, after: Spell | None
) -> list[Piece]:
    """What was heard in a gap: followed from the spell before it, or backwards from the one after it."""
    if reading.scale is None or (before is None and after is None):
        return [Piece(State.QUIET, start_s, end_s, 0.5)]
    if before is None:
        assert after is not None
        shut = float(reading.shut[after.first])
        return follow_gap(reading.index, reading.step_s, start_s, end_s, shut, reading.separation, backward=True)
    pieces = pieces_after(reading, start_s, end_s, before)
    if before.state is State.SELF and len(pieces) > 1 and pieces[0].state is State.QUIET:
        quiet_s, rushing_s = (piece.end_s - piece.start_s for piece in pieces[:2])
        gathered = pieces[0].end_s < opened_by_s(reading, before) + GATHERS_MAX_S and rushing_s > quiet_s
        if gathered or quiet_s < last_shut_s(reading, before.last):
            pieces[:2] = [Piece(State.RUSHING, start_s, pieces[1].end_s, pieces[1].confidence)]
    return pieces


def pieces_after(reading: Reading, start_s: float, end_s: float, before: Spell) -> list[Piece]:
    """What was heard in a gap after a spell, as it sounds."""
    shut = float(reading.shut[before.last])
    hold_s = last_shut_s(reading, before.last) + GATHER_S if before.state is State.SELF else 0.0
    return follow_gap(reading.index, reading.step_s, start_s, end_s, shut, reading.separation, hold_s=hold_s)


def opened_by_s(reading: Reading, run: Spell) -> float:
    """When the waste valve lay open at the latest after the last slam of a run, if it was to open again."""
    return run.end_s + min(float(reading.strokes.period_s[run.last]), SHUT_MAX_S)


def last_shut_s(reading: Reading, last: int) -> float:
    """A quiet after the last slam of a run no longer than this is its shut phase; then the valve fell open."""
    return min(float(reading.strokes.period_s[last]), SHUT_PIECE_MAX_S) + SMEAR_S


def _breaks(reading: Reading, settings: RunningSettings) -> np.ndarray:
    """bool (n,): a stop or a long pause lies before this slam."""
    interval_s, strokes = reading.interval_s, reading.strokes
    before, here = np.roll(strokes.pushed, 1), strokes.pushed
    with np.errstate(invalid="ignore"):
        long_for_own = interval_s > np.roll(strokes.limit_s, 1)
        long_for_hand = interval_s > settings.hand_gap_s
    broken = np.where(before | here, long_for_hand & (before | long_for_own), long_for_own)
    # A running ram that is pushed has stopped in between, however short the silence.
    broken |= here & ~before & long_for_own
    broken[0] = False
    for i in np.flatnonzero(broken & ~before & ~here):
        broken[i] = not ran_on(reading, int(i))
    return np.asarray(broken)


def _patience(reading: Reading, last: int, is_pushed: bool, settings: RunningSettings) -> float:
    return HAND_PATIENCE_S if is_pushed else float(reading.strokes.limit_s[last])


def _from_the_start(reading: Reading) -> bool:
    period_s = float(reading.strokes.period_s[0])
    if not np.isfinite(period_s):
        period_s = float(median(reading.interval_s[1:])) if len(reading.train) > 1 else 0.0
    return float(reading.train.time_s[0]) <= AT_THE_START * period_s


def _begin(reading: Reading, spells: list[Spell], state: State, first: int, joined: bool) -> float:
    """A run begins with the last stroke of the hand; strokes begin with their push."""
    time_s, opened_s = float(reading.train.time_s[first]), float(reading.train.opened_s[first])
    if joined and spells:
        return spells[-1].end_s
    if state is State.SELF:
        return 0.0 if first == 0 and _from_the_start(reading) else time_s
    return (
        opened_s if np.isfinite(opened_s) and time_s - opened_s < PUSH_LEAD_MAX_S else max(0.0, time_s - PUSH_LEAD_S)
    )


def _push_belongs_to_stroke(pieces: list[Piece], start_s: float) -> tuple[float, list[Piece]]:
    """Water heard for less than PUSH_LEAD_MAX_S before a stroke was let out by its push."""
    last = pieces[-1]
    if last.state is State.RUSHING and start_s - last.start_s < PUSH_LEAD_MAX_S:
        return last.start_s, pieces[:-1]
    return start_s, pieces


def _sure(reading: Reading, spell: Spell) -> float:
    """How sure the state is: that these are slams, and (for a hand) that they were pushed."""
    slams = slice(spell.first, spell.last + 1)
    heard = float(median(reading.train.confidence[slams]))
    if spell.state is State.SELF:
        return round(heard, 3)
    return round(heard * (0.5 + 0.5 * float(np.mean(reading.strokes.pushed[slams]))), 3)


def _append_pieces(stretches: list[Stretch], pieces: list[Piece]) -> None:
    for piece in pieces:
        if stretches and stretches[-1].state is piece.state and piece.state in (State.QUIET, State.RUSHING):
            last = stretches[-1]
            weight = (last.end_s - last.start_s) / max(piece.end_s - last.start_s, 1e-9)
            sure = weight * last.confidence + (1 - weight) * piece.confidence
            stretches[-1] = Stretch(piece.state, last.start_s, piece.end_s, 0, sure)
        else:
            stretches.append(Stretch(piece.state, piece.start_s, piece.end_s, 0, round(piece.confidence, 3)))
