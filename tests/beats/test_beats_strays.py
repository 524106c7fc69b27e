"""Slams off the beat are known by their sound alone."""

from __future__ import annotations

import numpy as np
import pytest

from clackcount.beats.strays import ALIKE_ALONE, PER_LOG_Z, alike, confidence, find_strays, fingerprint
from clackcount.beats.template import Scoring
from clackcount.settings import BeatsSettings
from support.made_rises import field_of, noise


@pytest.mark.parametrize("late", [0, 4])
def test_strays_are_known_by_their_sound_alone(late: int) -> None:
    rises = noise(np.random.default_rng(9), 8000)
    on_beat = np.arange(400, 4000, 200)
    off_beat = np.array([4333, 4871, 5550])
    others = np.array([6100, 6420, 6777])
    for frames, bands in ((on_beat, slice(2, 5)), (off_beat, slice(2, 5)), (others, slice(5, 8))):
        rises[frames, bands] += 6
        rises[frames - late, :2] += 9 if late else 0  # what heralds a knock is all that the template knows
    field = field_of(rises)
    scoring = Scoring.learn(field, on_beat - late)
    assert scoring is not None
    print_ = fingerprint(field, on_beat)
    usual = float(np.median(alike(field, on_beat, print_)))
    expected = float(scoring.honest(on_beat - late).mean())
    found, z, _ = find_strays(field, scoring.z, print_, usual, expected, on_beat, 200.0, late, BeatsSettings())
    assert set(found) == set(off_beat)
    assert np.all(confidence(z, expected, on_beat=False) < confidence(z, expected, on_beat=True))
    assert np.median(alike(field, others, print_)) < 0.4 < usual


def test_far_from_any_beat_a_knock_must_be_more_like_the_slams_than_talk_is() -> None:
    """The slams are talked over and hardly alike; a word that is no less so is a stray beside them only."""
    rises = noise(np.random.default_rng(11), 8000)
    on_beat = np.arange(400, 4000, 200)
    word = np.array([7000])
    for frame in [*on_beat, *word]:
        rises[frame, 2:5] += 3
    rises[word, 5:8] += 2.4
    field = field_of(rises)
    scoring = Scoring.learn(field, on_beat)
    assert scoring is not None
    print_ = fingerprint(field, on_beat)
    like = float(alike(field, word, print_)[0])
    usual = like / 0.9
    assert like < ALIKE_ALONE - PER_LOG_Z * np.log(scoring.z[word[0]])
    settings = BeatsSettings(stray_share=0.1)
    taken = np.append(on_beat, word + 300)
    for known, expected in ((on_beat, []), (taken, word.tolist())):
        found, _, perhaps = find_strays(field, scoring.z, print_, usual, 4.0, known, 200.0, 0, settings)
        assert [frame for frame in found if frame in word] == expected
        assert [frame for frame in perhaps if frame in word] == ([] if expected else word.tolist())
