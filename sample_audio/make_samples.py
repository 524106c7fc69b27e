"""Make the recordings of this folder again: python sample_audio/make_samples.py [FOLDER].

An invented place, Tarrowmead, with a ram below the Ossel spring. Nothing here was recorded: the rams, the weather and
the talker are all made by clackcount.simulate. Beside each recording lies NAME.truth.json with what is in it.
"""

from __future__ import annotations

import json
import sys
from dataclasses import dataclass, replace
from fractions import Fraction
from pathlib import Path

import av
import numpy as np
import soundfile as sf
from numpy.typing import NDArray

from clackcount.model import Cause
from clackcount.simulate import (
    Hand,
    Layer,
    Part,
    Phone,
    Place,
    Quiet,
    Ram,
    Running,
    Rushing,
    Scenario,
    random_ram,
    render,
)

HERE = Path(__file__).parent
PICTURE = (64, 48)
PICTURES_PER_S = 2


@dataclass(frozen=True)
class Sample:
    """A recording of this folder: its file name, what is to be heard, and the bit rate where the format has one."""

    name: str
    scenario: Scenario
    seed: int
    bit_rate: int = 64000


def ossel_ram() -> Ram:
    """The ram below the Ossel spring: about 62 beats a minute, cast iron, a soft thud as the valve drops open."""
    ram = random_ram(np.random.default_rng(62), rate_per_min=62, pattern="even", material="cast-iron")
    rush = replace(ram.rush, level_db=-18.0, leak_db=-45.0, colour_hz=(350.0, 6500.0))
    rhythm = replace(ram.rhythm, white_cv=0.006, missed_share=0.0)
    return replace(ram, rush=rush, rhythm=rhythm, reopen_db=-11.0, level_sd_db=0.8, settle_share=0.12, settle_s=9.0)


def little_ram() -> Ram:
    """A smaller ram beside it, with a rubber seat, faster."""
    ram = random_ram(np.random.default_rng(97), rate_per_min=97, pattern="even", material="plastic-pipe")
    return replace(ram, reopen_db=-14.0, rhythm=replace(ram.rhythm, white_cv=0.008, missed_share=0.0))


def samples() -> tuple[Sample, ...]:
    """Every recording of the folder."""
    ram = ossel_ram()
    brook = (Layer("stream"), Layer("room", -14.0))
    phone = Phone(agc=0.3, level_db=-5, knee_db=-4)
    leaf = (Running(21.0, Cause.OPEN_STALL), Rushing(9.0, 1.2), Hand(3, mean_gap_s=1.7), Rushing(flow=1.2))
    return (
        Sample("steady.m4a", Scenario(30.0, (Part(ram),), brook, 14.0, phone=phone), 1),
        Sample(
            "rain_and_talk.m4a",
            Scenario(
                40.0,
                (Part(ram),),
                (Layer("rain"), Layer("speech", -3.0), Layer("stream", -8.0)),
                snr_db=8.0,
                phone=replace(phone, stereo=True, stereo_delay_s=0.0002),
            ),
            2,
            bit_rate=96000,
        ),
        Sample(
            "hand_start.mp4",
            Scenario(
                60.0,
                (Part(ram, (Quiet(4.0), Hand(9, failed_attempts=1, mean_gap_s=1.7), Running(settling=True))),),
                brook,
                snr_db=14.0,
                rush_snr_db=3.0,
                phone=phone,
            ),
            3,
        ),
        Sample("leaf_in_valve.ogg", Scenario(50.0, (Part(ram, leaf),), brook, 14.0, rush_snr_db=8.0, phone=phone), 4),
        Sample(
            "delivery_opened.mp4",
            Scenario(
                40.0,
                (Part(ram, (Running(26.0, Cause.SHUT_STALL), Quiet())),),
                brook,
                14.0,
                rush_snr_db=6.0,
                phone=phone,
            ),
            5,
        ),
        Sample(
            "two_rams.flac",
            Scenario(
                40.0,
                (Part(ram), Part(little_ram(), level_db=-3.0)),
                brook,
                snr_db=12.0,
                phone=replace(phone, agc=0.0),
                sample_rate_hz=22050,
            ),
            6,
        ),
        Sample(
            "far_in_wind.wav",
            Scenario(
                30.0,
                (Part(ram),),
                (Layer("wind"), Layer("stream", -8.0)),
                snr_db=5.0,
                place=Place(45.0),
                phone=replace(phone, high_hz=7000),
                sample_rate_hz=16000,
            ),
            7,
        ),
        Sample("brook_and_birds.m4a", Scenario(30.0, (), (Layer("stream"), Layer("birds", -2.0)), phone=phone), 8),
    )


def write_mpeg4(path: Path, sound: NDArray[np.float32], sample_rate_hz: int, bit_rate: int) -> None:
    """AAC in an m4a, or in an mp4 with a tiny picture track. sound: (n,) or (n, 2)."""
    planes = np.ascontiguousarray(np.atleast_2d(sound.T), np.float32)
    layout = "mono" if len(planes) == 1 else "stereo"
    with av.open(path, "w", format="ipod" if path.suffix == ".m4a" else "mp4") as file:
        picture = file.add_stream("mpeg4", rate=PICTURES_PER_S) if path.suffix == ".mp4" else None
        track = file.add_stream("aac", rate=sample_rate_hz, layout=layout)
        track.bit_rate = bit_rate
        if picture is not None:
            picture.width, picture.height = PICTURE
            picture.pix_fmt = "yuv420p"
            for i in range(int(len(sound) / sample_rate_hz * PICTURES_PER_S)):
                file.mux(picture.encode(bank_and_sky(i)))
            file.mux(picture.encode(None))
        for first in range(0, planes.shape[1], 1024):
            frame = av.AudioFrame.from_ndarray(np.ascontiguousarray(planes[:, first : first + 1024]), "fltp", layout)
            frame.sample_rate, frame.pts, frame.time_base = sample_rate_hz, first, Fraction(1, sample_rate_hz)
            file.mux(track.encode(frame))
        file.mux(track.encode(None))


def bank_and_sky(i: int) -> av.VideoFrame:
    """Picture i: a green bank under a grey sky, trembling a little as a hand does."""
    picture = np.empty((PICTURE[1], PICTURE[0], 3), np.uint8)
    line = PICTURE[1] // 2 + i % 3
    picture[:line], picture[line:] = (150, 155, 160), (60, 95, 50)
    frame = av.VideoFrame.from_ndarray(picture, "rgb24")
    frame.pts, frame.time_base = i, Fraction(1, PICTURES_PER_S)
    return frame


def write(path: Path, sound: NDArray[np.float32], sample_rate_hz: int, bit_rate: int) -> None:
    if path.suffix in (".m4a", ".mp4"):
        write_mpeg4(path, sound, sample_rate_hz, bit_rate)
        return
    subtype = {".ogg": "VORBIS", ".flac": "PCM_16", ".wav": "PCM_16"}[path.suffix]
    with sf.SoundFile(path, "w", sample_rate_hz, 1 if sound.ndim == 1 else 2, subtype) as file:
        for first in range(0, len(sound), 1 << 16):  # libsndfile overflows its stack on a long ogg block
            file.write(sound[first : first + (1 << 16)])


def main(folder: Path = HERE) -> None:
    folder.mkdir(parents=True, exist_ok=True)
    for sample in samples():
        made = render(sample.scenario, sample.seed)
        path = folder / sample.name
        write(path, made.samples, made.sample_rate_hz, sample.bit_rate)
        truth = folder / f"{path.stem}.truth.json"
        truth.write_text(json.dumps(made.truth.to_dict(), indent=1) + "\n", encoding="utf-8")
        rate = made.truth.rate_per_min
        beat = "no ram" if rate is None else f"{rate:.2f} a minute"
        print(f"{path.name}: {path.stat().st_size / 1000:.0f} kB, {beat}")


if __name__ == "__main__":
    main(*map(Path, sys.argv[1:2]))
