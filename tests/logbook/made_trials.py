"""Made-up trials for the tests: any there could be (hypothesis), and one at a time."""

from __future__ import annotations

import uuid

from hypothesis import strategies as st

from clackcount.logbook.records import (
    CONDITIONS,
    FIGURES,
    SETTINGS,
    Caught,
    Event,
    Figure,
    Recording,
    Result,
    Setting,
)
from clackcount.logbook.records import Trial as _Trial

# What the store cannot keep it replaces on the way in (see records.storable), so it is left out here.
texts = st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\x00"), max_size=30)
numbers = st.floats(1e-9, 1e9)
maybe = st.none() | numbers
times = st.datetimes().map(lambda moment: moment.replace(microsecond=0).isoformat() + "Z")
uids = st.uuids().map(str)
documents = st.dictionaries(
    texts, st.none() | st.booleans() | numbers | texts | st.lists(numbers, max_size=4), max_size=4
)
site_names = st.sampled_from(["Fern Hollow", "Lower weir", "Øvre bekk, 2"])


def amounts(known: dict[str, str | None]) -> st.SearchStrategy[tuple[Setting, ...]]:
    """Settings or conditions, each name once."""
    one = st.builds(Setting, st.sampled_from(sorted(known)), texts, maybe, maybe, st.sampled_from(["", "m", "kg"]))
    return st.lists(one, max_size=3, unique_by=lambda setting: setting.name).map(tuple)


catches = st.builds(
    Caught, texts, st.sampled_from(["delivery", "waste"]), numbers, numbers, numbers, numbers,
    st.sampled_from(["cup", "bucket"]), st.floats(0, 0.1), maybe, maybe, st.none() | st.integers(0, 2**31 - 1),
)  # fmt: skip
recordings = st.builds(
    Recording, texts, st.text("0123456789abcdef", min_size=64, max_size=64), st.integers(0, 2**31 - 1), documents
)
results = st.builds(
    Result,
    st.just("0.1"),
    times,
    st.dictionaries(st.sampled_from(FIGURES), st.builds(Figure, numbers, maybe)),
    documents,
)
trials = st.builds(
    _Trial, uids, site_names, times, note=texts, site_text=texts, settings=amounts(SETTINGS),
    conditions=amounts(CONDITIONS), catches=st.lists(catches, max_size=3).map(tuple),
    recording=st.none() | recordings, result=st.none() | results,
)  # fmt: skip
events = st.builds(Event, uids, site_names, times, st.sampled_from(["restart", "repair", "note"]), texts)


def trial(
    flows_l_min: list[float] | None = None,
    *,
    stroke_mm: float | None = 10.0,
    at: str = "2026-03-01T10:00:00Z",
    site: str = "Fern Hollow",
    time_s: float = 60.0,
    relative_u: float = 0.02,
    wastes_l_min: list[float] | None = None,
    figures: dict[str, tuple[float, float | None]] | None = None,
    conditions: tuple[Setting, ...] = (),
    number: int = 0,
    vessel: str = "cup",
) -> _Trial:
    """A trial with catches of these flows, as exact as the vessel allows."""
    caught = [
        Caught(f"{flow * time_s / 60} L in {time_s} s", side, flow * time_s / 60e3, relative_u * flow * time_s / 60e3,
               time_s, 0.3, vessel, 0.02)
        for side, flows in (("delivery", flows_l_min or []), ("waste", wastes_l_min or []))
        for flow in flows
    ]  # fmt: skip
    settings = () if stroke_mm is None else (Setting("stroke", f"{stroke_mm} mm", stroke_mm / 1e3, None, "m"),)
    named = {name: Figure(*pair) for name, pair in (figures or {}).items()}
    return _Trial(
        str(uuid.uuid4()), site, at, number, settings=settings, conditions=conditions, catches=tuple(caught),
        result=Result("0.1", at, named) if named else None,
    )  # fmt: skip
