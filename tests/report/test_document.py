"""The published document: names, meanings, and that it is JSON and meets its own published schema.

Outside checks: RFC 8259 (JSON has no NaN) by json.dumps(allow_nan=False); JSON Schema draft 2020-12 by jsonschema.
"""

from __future__ import annotations

import json

import jsonschema
import numpy as np
import pytest
from handmade import beat_of, listening_of, train_of
from hypothesis import given
from hypothesis import strategies as st

from clackcount import document, model
from clackcount.errors import RecordingError
from clackcount.report.schema import json_schema

SCHEMA = json_schema()
CHECK = jsonschema.Draft202012Validator(SCHEMA)

# The names that other programs rely on, written out here a second time so that a rename is noticed.
CONTRACT = {
    "schema": None,
    "recording": {
        "path", "duration_s", "sample_rate_hz", "channels", "container", "codec", "clipped_fraction", "warnings",
    },
    "slams": {"time_s", "strength_db", "confidence", "reopen_s", "pump"},
    "rate_per_min": None,
    "rate_ci95_per_min": None,
    "regularity": {"cv", "robust_cv", "missed", "pattern"},
    "phases": {"open_s", "shut_s"},
    "timeline": {"state", "start_s", "end_s"},
    "stops": {"time_s", "cause", "confidence"},
    "startup": {"hand_strokes", "self_cycling_from_s", "settled_from_s"},
    "findings": {"code", "severity", "title", "evidence", "next", "confidence", "basis"},
}  # fmt: skip


def as_read_back(listening: model.Listening) -> dict:
    return json.loads(json.dumps(listening.to_dict(), allow_nan=False))


def test_schema_is_a_schema():
    jsonschema.Draft202012Validator.check_schema(SCHEMA)


@pytest.mark.parametrize("name", ["no_ram", "steady", "stopped"])
def test_documents_meet_the_published_schema(name, request):
    CHECK.validate(as_read_back(request.getfixturevalue(name)))


def test_error_document_meets_the_schema_and_names_the_file():
    error = document.of_error(
        "creek.mov", RecordingError("the video has no sound", hint="record sound", code="no-audio")
    )
    CHECK.validate(error)
    assert error["recording"] == {"path": "creek.mov"}
    assert error["error"] == {"code": "no-audio", "message": "the video has no sound", "hint": "record sound"}


def test_all_contract_names_are_there_with_everything_heard(stopped):
    found = as_read_back(stopped)
    for name, inner in CONTRACT.items():
        assert name in found
        part = found[name][0] if isinstance(found[name], list) and inner else found[name]
        assert inner is None or inner <= set(part), name


@pytest.mark.parametrize("spoil", [
    lambda found: found.pop("rate_per_min"),
    lambda found: found.update(schema="clackcount.listening/2"),
    lambda found: found["slams"][0].update(confidence=1.5),
    lambda found: found["timeline"][0].update(state="asleep"),
    lambda found: found["stops"][0].update(cause="bad luck"),
    lambda found: found["recording"].update(duration_s="a minute"),
])  # fmt: skip
def test_schema_refuses_what_the_contract_does_not_allow(spoil, stopped):
    found = as_read_back(stopped)
    spoil(found)
    assert not CHECK.is_valid(found)


def test_schema_names_every_field_of_the_document(stopped):
    """A field that the code adds must be described, too."""

    def unnamed(value, rule, where="document"):
        rule = SCHEMA["$defs"][rule["$ref"].rsplit("/")[-1]] if "$ref" in rule else rule
        if isinstance(value, list):
            return [name for item in value for name in unnamed(item, rule.get("items", {}), where)]
        if not isinstance(value, dict) or "properties" not in rule:
            options = [option for option in rule.get("anyOf", []) if "$ref" in option]
            return unnamed(value, options[0], where) if options and isinstance(value, dict) else []
        missing = [f"{where}.{name}" for name in value if name not in rule["properties"]]
        named = [name for name in value if name in rule["properties"]]
        inner = [(value[name], rule["properties"][name], f"{where}.{name}") for name in named]
        return missing + [name for item, part, at in inner if part for name in unnamed(item, part, at)]

    found = as_read_back(stopped)
    assert unnamed(found, SCHEMA["$defs"]["ListeningDocument"]) == []
    assert unnamed(found | {"odd": 1}, SCHEMA["$defs"]["ListeningDocument"]) == ["document.odd"]


def test_no_ram_states_no_rate(no_ram):
    found = as_read_back(no_ram)
    assert found["rate_per_min"] is None
    assert found["rate_ci95_per_min"] is None
    assert found["slams"] == []
    assert set(found["regularity"].values()) == {None}
    assert set(found["phases"].values()) == {None}
    assert found["pumps"] == []


def test_what_was_not_heard_is_null():
    found = as_read_back(listening_of(train_of([1.0, 2.0], reopen_after_s=None)))
    assert [slam["reopen_s"] for slam in found["slams"]] == [None, None]


def test_float32_values_print_as_they_were_meant(steady):
    assert as_read_back(steady)["slams"][0]["confidence"] == 0.9
    assert as_read_back(steady)["slams"][0]["strength_db"] == 18.2


def test_rate_at_the_top_is_that_of_the_loudest_ram():
    time_s = np.array([1.0, 1.3, 2.0, 2.4, 3.0, 3.5])
    train = train_of(time_s, pump=[1, 2, 1, 2, 1, 2])
    loud, other = beat_of(train), beat_of(train, pump=2, open_s=None, shut_s=None)
    found = as_read_back(listening_of(train, pumps=(loud, other)))
    assert found["rate_per_min"] == pytest.approx(60.0)
    assert [pump["rate_per_min"] for pump in found["pumps"]] == pytest.approx([60.0, 60.0 / 1.1], abs=1e-4)
    assert found["pumps"][1]["phases"] == {"open_s": None, "shut_s": None}


@given(
    gaps_s=st.lists(st.floats(0.15, 4.0), min_size=2, max_size=30),
    pump=st.integers(1, 3),
    odd=st.sampled_from([float("nan"), float("inf"), None, 0.25]),
)
def test_any_train_gives_json_that_meets_the_schema(gaps_s, pump, odd):
    time_s = np.cumsum(gaps_s)
    train = train_of(time_s, pump=np.full(len(time_s), pump))
    beat = beat_of(train, pump=pump, open_s=odd, shut_s=odd)
    found = as_read_back(listening_of(train, pumps=(beat,)))
    CHECK.validate(found)
    assert [slam["time_s"] for slam in found["slams"]] == pytest.approx(time_s.tolist(), abs=1e-5)


# --- doubts ----------------------------------------------------------------------------------------------------


def doubts_of(**parts) -> str:
    n_slams = parts.pop("n_slams", 60)
    train = train_of(np.arange(1.0, n_slams + 1.0), strength_db=parts.pop("strength_db", 18.0))
    return " ".join(document.doubts(listening_of(train, pumps=(beat_of(train),), **parts)))


def test_a_good_recording_raises_no_doubt():
    assert doubts_of() == ""


@pytest.mark.parametrize(("parts", "word"), [
    ({"clipped_fraction": 0.02}, "clipped (2 %"),
    ({"n_slams": 9}, "Only 8 beats"),
    ({"strength_db": 3.0}, "only 3 dB above"),
    ({"warnings": ("The left channel is dead.",)}, "left channel"),
    ({"doubts": ("A clock can sound like this.",)}, "clock"),
])  # fmt: skip
def test_each_doubt_is_said(parts, word):
    assert word in doubts_of(**parts)


def test_too_little_sound_does_not_prove_that_no_ram_beats():
    brief, long = (document.doubts(listening_of(train_of([], duration_s=duration_s))) for duration_s in (3.0, 30.0))
    assert brief == ("3 s of sound is too short to be sure that no ram beats: record a minute or more.",)
    assert long == ()


def test_doubts_are_sentences_each_said_once():
    found = document.doubts(
        listening_of(
            train_of([], duration_s=60.0), warnings=("the file was cut short",), doubts=("Too far.", "Too far.")
        )
    )
    assert found == ("The file was cut short.", "Too far.")


def test_clipping_is_said_once():
    text = doubts_of(clipped_fraction=0.02, warnings=("Both channels are clipped.",))
    assert text.count("clipped") == 1
