"""What trials say, in the units that a person is shown."""

from __future__ import annotations

from dataclasses import dataclass


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
