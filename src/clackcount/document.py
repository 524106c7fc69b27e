"""The published document of a recording: plain values under the names that other programs rely on.

It belongs to the base, beside the nouns, because ``Listening.to_dict()`` gives it. The JSON Schema that describes it
is in ``report.schema``. Add fields freely; a changed name or meaning needs a new number in SCHEMA.

History of SCHEMA: clackcount.listening/1, first form.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from clackcount.errors import ClackcountError

if TYPE_CHECKING:  # the nouns know how to become a document, so at run time they import this module, not it them
    from clackcount.model import Beat, Listening, Regularity, Running, SlamTrain

SCHEMA = "clackcount.listening/1"

TIME_DIGITS = 5  # 10 microseconds: finer than any onset can be placed
RATE_DIGITS = 5
SHARE_DIGITS = 4
DB_DIGITS = 2

FEW_BEATS = 20  # below this one missed slam costs more than 5 % of the rate
BRIEF_S = 20.0  # a ram of 15 beats a minute gives five of them in this
FAINT_DB = 6.0  # below this distance from the background slams begin to be missed (see docs on accuracy)
CLIPPED_SHARE = 0.001  # clipped peaks flatten slams long before this share shows in the mean level


def of_listening(listening: Listening, *, with_slams: bool = True) -> dict[str, Any]:
    """The document of one recording, ready for json.dumps: no NaN, no NumPy values, None for "not measured".

    with_slams False leaves the list of slams empty, for a writer that adds them piece by piece (``slam_rows``).
    """
    beats, running = listening.beats, listening.running
    first = beats.pumps[0] if beats.pumps else None
    recording = asdict(listening.recording)
    return {
        "schema": SCHEMA,
        "tool": {"name": "clackcount", "version": listening.version, "settings": dict(listening.settings)},
        "recording": recording
        | {
            "duration_s": plain(listening.recording.duration_s, TIME_DIGITS),
            "clipped_fraction": plain(listening.recording.clipped_fraction, 6),
            "warnings": list(listening.recording.warnings),
        },
        "slams": slam_rows(beats.train) if with_slams else [],
        "rate_per_min": plain(first.rate_per_min, RATE_DIGITS) if first else None,
        "rate_ci95_per_min": _pair(first.rate_ci95_per_min, RATE_DIGITS) if first else None,
        "regularity": _regularity(first.regularity if first else None),
        "phases": _phases(first),
        "confidence": plain(first.confidence, SHARE_DIGITS) if first else None,
        "doubts": list(doubts(listening)),
        "pumps": [_pump(beat) for beat in beats.pumps],
        **_running(running),
        "findings": [_rounded(asdict(finding), {"confidence": SHARE_DIGITS}) for finding in listening.findings],
    }


def of_error(path: str, error: ClackcountError) -> dict[str, Any]:
    """The document that stands in the place of a recording that cannot be used."""
    return {
        "schema": SCHEMA,
        "recording": {"path": path},
        "error": {"code": error.code, "message": str(error), "hint": error.hint},
    }


def doubts(listening: Listening) -> tuple[str, ...]:
    """What to doubt about the recording and what was read from it, as plain sentences, each once."""
    found: list[str] = [*listening.recording.warnings, *listening.beats.doubts]
    clipped = listening.recording.clipped_fraction
    if clipped >= CLIPPED_SHARE and not any("clip" in sentence for sentence in found):
        found.append(
            f"The recording is clipped ({100 * clipped:.2g} % of it): slams may look softer than they are. "
            "Hold the phone further away."
        )
    for beat in listening.beats.pumps:
        of_which = f"ram {beat.pump}: " if len(listening.beats.pumps) > 1 else ""
        found.extend(of_which + doubt for doubt in beat.doubts)
    if not listening.beats.pumps and listening.recording.duration_s < BRIEF_S:
        found.append(
            f"{listening.recording.duration_s:.2g} s of sound is too short to be sure that no ram beats: "
            "record a minute or more."
        )
    if listening.beats.pumps:
        found.extend(_doubts_of_first(listening))
    return tuple(dict.fromkeys(sentence(words) for words in found))


def sentence(words: str) -> str:
    """words with a capital at the start and a full stop at the end."""
    words = words.strip()
    return words[:1].upper() + words[1:] + ("" if not words or words.endswith((".", "!", "?")) else ".")


def _doubts_of_first(listening: Listening) -> Iterable[str]:
    """Too short, or too far and too noisy: said of the loudest ram, whose rate stands at the top."""
    beat = listening.beats.pumps[0]
    if beat.n_cycles < FEW_BEATS:
        yield f"Only {beat.n_cycles} beats in a row were heard: record a minute or more for a rate to rely on."
    strength_db = listening.beats.train.of_pump(beat.pump).strength_db
    if len(strength_db) and float(np.median(strength_db)) < FAINT_DB:
        yield (
            f"The slams stand only {float(np.median(strength_db)):.0f} dB above the background: "
            "hold the phone nearer to the ram, out of wind and spray."
        )


def plain(value: float | None, digits: int) -> float | None:
    """value as a rounded Python float; None for None, NaN and infinities, which JSON cannot say."""
    if value is None or not math.isfinite(value):
        return None
    return round(float(value), digits)


def _pair(values: tuple[float, float] | None, digits: int) -> list[float | None] | None:
    return None if values is None else [plain(value, digits) for value in values]


def _column(values: NDArray[Any], digits: int) -> list[float | None]:
    """A float array as plain values; rounded as float64, or a float32 0.9 would print as 0.8999999761581421."""
    return [value if math.isfinite(value) else None for value in np.round(values.astype(np.float64), digits).tolist()]


def slam_rows(train: SlamTrain, start: int = 0, stop: int | None = None) -> list[dict[str, Any]]:
    """Slams start to stop (all of them by default) as the document has them."""
    part = slice(start, stop)
    columns = {
        "time_s": _column(train.time_s[part], TIME_DIGITS),
        "strength_db": _column(train.strength_db[part], DB_DIGITS),
        "confidence": _column(train.confidence[part], SHARE_DIGITS),
        "reopen_s": _column(train.reopen_s[part], TIME_DIGITS),
        "opened_s": _column(train.opened_s[part], TIME_DIGITS),
        "pump": train.pump[part].tolist(),
        "beating": train.beating[part].tolist(),
    }
    return [dict(zip(columns, row, strict=True)) for row in zip(*columns.values(), strict=True)]


def _regularity(regularity: Regularity | None) -> dict[str, Any]:
    """Always the same four names, so that a reader need not ask whether the object is there."""
    if regularity is None:
        return {"cv": None, "robust_cv": None, "missed": None, "pattern": None}
    return {
        "cv": plain(regularity.cv, RATE_DIGITS),
        "robust_cv": plain(regularity.robust_cv, RATE_DIGITS),
        "missed": int(regularity.missed),
        "pattern": str(regularity.pattern),
    }


def _phases(beat: Beat | None) -> dict[str, Any]:
    return {
        "open_s": plain(beat.open_s, TIME_DIGITS) if beat else None,
        "shut_s": plain(beat.shut_s, TIME_DIGITS) if beat else None,
    }


def _pump(beat: Beat) -> dict[str, Any]:
    return {
        "pump": beat.pump,
        "start_s": plain(beat.start_s, TIME_DIGITS),
        "end_s": plain(beat.end_s, TIME_DIGITS),
        "n_cycles": beat.n_cycles,
        "rate_per_min": plain(beat.rate_per_min, RATE_DIGITS),
        "rate_ci95_per_min": _pair(beat.rate_ci95_per_min, RATE_DIGITS),
        "regularity": _regularity(beat.regularity),
        "phases": _phases(beat),
        "confidence": plain(beat.confidence, SHARE_DIGITS),
        "doubts": list(beat.doubts),
    }


def _running(running: Running | None) -> dict[str, Any]:
    if running is None:
        return {"timeline": [], "stops": [], "startup": None, "trend": []}
    digits = {"confidence": SHARE_DIGITS, "robust_cv": RATE_DIGITS, "rate_per_min": RATE_DIGITS}
    return {
        "timeline": [_rounded(asdict(stretch), digits) for stretch in running.timeline],
        "stops": [_rounded(asdict(stop), digits) for stop in running.stops],
        "startup": _rounded(asdict(running.startup), digits) if running.startup else None,
        "trend": [_rounded(asdict(row), digits) for row in running.trend],
    }


def _rounded(record: dict[str, Any], digits: dict[str, int]) -> dict[str, Any]:
    """record with every float rounded by its name: as digits says, else by its unit."""

    def value_of(name: str, value: Any) -> Any:
        if isinstance(value, tuple | list):
            return [value_of(name, item) for item in value]
        if isinstance(value, float | np.floating):
            return plain(float(value), digits.get(name, DB_DIGITS if name.endswith("_db") else TIME_DIGITS))
        if isinstance(value, np.integer):
            return int(value)
        return str(value) if isinstance(value, str) else value

    return {name: value_of(name, value) for name, value in record.items()}
