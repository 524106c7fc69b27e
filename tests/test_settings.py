"""Every threshold has a range and a reason, its default lies inside, and a value outside is refused in one line."""

from __future__ import annotations

from dataclasses import FrozenInstanceError, fields

import pytest
from hypothesis import given
from hypothesis import strategies as st

from clackcount.errors import SettingError
from clackcount.settings import BeatsSettings, HearingSettings, LiveSettings, RunningSettings, as_dict

ROOMS = [HearingSettings, BeatsSettings, LiveSettings, RunningSettings]
KNOBS = [(room, knob) for room in ROOMS for knob in fields(room)]
NAMES = [f"{room.__name__}.{knob.name}" for room, knob in KNOBS]


@pytest.mark.parametrize(("room", "knob"), KNOBS, ids=NAMES)
def test_a_knob_has_a_range_around_its_default_and_a_reason(room, knob) -> None:
    low, high = knob.metadata["low"], knob.metadata["high"]
    assert low < high
    assert low <= knob.default <= high
    assert len(knob.metadata["why"].split()) >= 4
    assert getattr(room(**{knob.name: low}), knob.name) == low
    assert getattr(room(**{knob.name: high}), knob.name) == high
    for value in (low - 1, high + 1, float("nan")):
        with pytest.raises(SettingError, match=f"{knob.name} is .* must lie between"):
            room(**{knob.name: value})


@given(st.data())
def test_what_is_accepted_lies_in_the_range(data: st.DataObject) -> None:
    room, knob = data.draw(st.sampled_from(KNOBS))
    low, high = knob.metadata["low"], knob.metadata["high"]
    value = data.draw(st.floats(low - (high - low), high + (high - low)))
    try:
        made = room(**{knob.name: value})
    except SettingError:
        assert not low <= value <= high
    else:
        assert low <= getattr(made, knob.name) <= high


def test_settings_are_told_by_name_in_plain_numbers_and_do_not_change() -> None:
    told = [as_dict(room()) for room in ROOMS]
    names = [name for part in told for name in part]
    assert len(set(names)) == len(names)  # a result carries all of them in one table
    assert all(type(value) in (int, float) for part in told for value in part.values())
    with pytest.raises(FrozenInstanceError):
        HearingSettings().hop_s = 0.01  # type: ignore[misc]
