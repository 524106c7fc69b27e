"""The recordings in sample_audio are what their script makes and what their truth files say."""

from __future__ import annotations

import importlib.util
import json
import sys
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest
import soundfile as sf
from numpy.testing import assert_allclose

from clackcount.simulate import render
from support.codecs import decode, lag_samples, resampled

FOLDER = Path(__file__).parents[2] / "sample_audio"
MEGABYTE = 1e6


def script() -> ModuleType:
    spec = importlib.util.spec_from_file_location("make_samples", FOLDER / "make_samples.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["make_samples"] = module  # dataclasses look their module up
    spec.loader.exec_module(module)
    return module


SAMPLES = script().samples()


def test_the_folder_holds_what_the_script_makes_and_is_small() -> None:
    files = {path.name for path in FOLDER.iterdir() if path.suffix not in (".py", ".md") and path.is_file()}
    wanted = {sample.name for sample in SAMPLES}
    assert files == wanted | {f"{Path(name).stem}.truth.json" for name in wanted}
    assert sum(path.stat().st_size for path in FOLDER.iterdir() if path.is_file()) < 5 * MEGABYTE
    text = (FOLDER / "README.md").read_text(encoding="utf-8")
    assert all(f"`{name}`" in text for name in wanted)
    for path in FOLDER.glob("*.truth.json"):
        for pump in json.loads(path.read_text(encoding="utf-8"))["pumps"]:
            assert f"{pump['rate_per_min']:.2f}" in text


def test_they_can_be_made_again_in_a_folder_that_is_not_there_yet(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    made = script()
    monkeypatch.setattr(made, "samples", lambda: SAMPLES[-1:])
    made.main(tmp_path / "new" / "place")
    name = SAMPLES[-1].name
    assert {path.name for path in (tmp_path / "new" / "place").iterdir()} == {name, f"{Path(name).stem}.truth.json"}


@pytest.mark.parametrize("sample", SAMPLES, ids=lambda sample: sample.name)
def test_a_recording_agrees_with_its_script_and_its_truth(sample) -> None:  # type: ignore[no-untyped-def]
    path = FOLDER / sample.name
    truth = json.loads((FOLDER / f"{path.stem}.truth.json").read_text(encoding="utf-8"))
    made = render(sample.scenario, sample.seed)
    again = made.truth.to_dict()
    assert_allclose([slam["time_s"] for slam in truth["slams"]], made.truth.slam_s, atol=1e-4)
    assert [slam["pump"] for slam in truth["slams"]] == list(made.truth.pump)
    assert [row["state"] for row in truth["timeline"]] == [row["state"] for row in again["timeline"]]
    assert_allclose(
        [row["end_s"] for row in truth["timeline"]], [row["end_s"] for row in again["timeline"]], atol=1e-4
    )
    assert [row["cause"] for row in truth["stops"]] == [row["cause"] for row in again["stops"]]
    assert truth["startup"] == (again["startup"] and pytest.approx(again["startup"], abs=1e-4))
    assert truth["rate_per_min"] == (again["rate_per_min"] and pytest.approx(again["rate_per_min"], abs=1e-4))
    if path.suffix in (".m4a", ".mp4"):
        sound, rate = decode(path.read_bytes())
    else:
        sound, rate = sf.read(path, dtype="float32")
    assert 20 <= truth["recording"]["duration_s"] <= 60
    assert_allclose(len(sound) / rate, truth["recording"]["duration_s"], atol=0.06)  # an encoder adds a frame or two
    mono = made.samples if made.samples.ndim == 1 else made.samples.mean(axis=1)
    assert abs(lag_samples(mono, resampled(sound, rate, made.sample_rate_hz), 4000)) < 0.05 * rate
    n = min(len(sound), len(mono))
    assert_allclose(np.std(sound[:n]), np.std(mono[:n]), rtol=0.2)
