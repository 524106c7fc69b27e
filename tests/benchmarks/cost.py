"""Time and peak memory of `clackcount listen`, against libraries on the same file in the same run.

Each program runs as a process of its own, started by a small one that does nothing else: the peak that the system
reports of a child begins with the size of the process that started it. Time of `listen` is that of the whole command,
start-up included; of the others that of the call alone, without their imports and, for librosa, after a first call
on a short piece, so that its compiling does not count. That is the harder way round.

A file of a day does not fit into memory: soundfile reads it by blocks there, as `listen` does, and what librosa would
take is reckoned from its hour, for both its time and its arrays grow with the length.
"""

from __future__ import annotations

import json
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import soundfile

from clackcount.simulate import Layer, Part, Phone, Scenario, random_ram, render

RATE_HZ = 48000
LENGTHS_S = {"1 min": 60, "10 min": 600, "1 h": 3600}
LONG = ("24 h", 86400)
REPEATS = {"1 min": 3, "10 min": 3, "1 h": 2, "24 h": 1}
WHOLE_UP_TO_S = 3600  # a day of sound as float32 is 17 GB, and librosa takes three times that

LAUNCH = """
import json, os, sys, time
began = time.perf_counter()
pid = os.posix_spawn(sys.argv[1], sys.argv[1:], os.environ, file_actions=[
    (os.POSIX_SPAWN_OPEN, 1, sys.argv[-1] + ".out", os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)])
_, status, used = os.wait4(pid, 0)
print(json.dumps({"s": time.perf_counter() - began, "cpu_s": used.ru_utime + used.ru_stime,
                  "mb": used.ru_maxrss / 1024, "code": os.waitstatus_to_exitcode(status)}))
"""

BY_BLOCKS = "soundfile by blocks"
CALLS = {
    "soundfile": """
import json, sys, time, soundfile
began = time.perf_counter()
sound, rate = soundfile.read(sys.argv[1], dtype="float32")
print(json.dumps({"s": time.perf_counter() - began}))
""",
    BY_BLOCKS: """
import json, sys, time, soundfile
began = time.perf_counter()
for block in soundfile.blocks(sys.argv[1], blocksize=240000, dtype="float32"):
    pass
print(json.dumps({"s": time.perf_counter() - began}))
""",
    "librosa": """
import json, sys, time, warnings, librosa, numpy
from librosa.onset import onset_detect
warnings.simplefilter("ignore")
onset_detect(y=numpy.random.default_rng(0).standard_normal(44100).astype("f"), sr=22050)
librosa.load(sys.argv[1], duration=1.0)
began = time.perf_counter()
sound, rate = librosa.load(sys.argv[1])
onset_detect(y=sound, sr=rate, units="time")
print(json.dumps({"s": time.perf_counter() - began}))
""",
}


def minutes(n: int, seed: int = 1, *, running: bool = True) -> Iterator[np.ndarray]:
    """n minutes of a ram beside a stream: four rendered ones in an order drawn at random, each at its own level.

    running: with the ram; otherwise of the stream alone.
    """
    rng = np.random.default_rng(seed)
    ram = random_ram(rng, rate_per_min=62, pattern="even", material="cast-iron")
    parts, snr_db = ((Part(ram),), 12.0) if running else ((), None)
    scene = Scenario(60.0, parts, (Layer("stream"),), snr_db, phone=Phone(), sample_rate_hz=RATE_HZ)
    made = [render(scene, seed + i).samples for i in range(min(n, 4))]
    for _ in range(n):
        yield made[int(rng.integers(len(made)))] * np.float32(10 ** (rng.uniform(-1, 0) / 20))


def write(path: Path, seconds: int, *, running: bool = True) -> None:
    """A 16-bit mono file, see minutes; past 4 GB in the form of WAV that can be so long (RF64)."""
    form = "RF64" if seconds * RATE_HZ * 2 > 2**32 - 4096 else "WAV"
    with soundfile.SoundFile(path, "w", RATE_HZ, 1, "PCM_16", format=form) as file:
        for minute in minutes(seconds // 60, running=running):
            file.write(minute)


def run(command: list[str], path: Path) -> dict[str, float]:
    """Seconds and peak megabytes of one program on the file at path; "s" is what the program itself reports, if so.

    Raises:
        RuntimeError: it failed.
    """
    done = subprocess.run(
        [sys.executable, "-I", "-S", "-c", LAUNCH, *command, str(path)], capture_output=True, text=True, check=True
    )
    found = json.loads(done.stdout)
    if found.pop("code") != 0:
        raise RuntimeError(f"{command[:4]} failed on {path.name}: {done.stderr.strip()[-500:]}")
    said = Path(f"{path}.out").read_text(encoding="utf-8").splitlines()
    own = json.loads(said[-1]) if said else {}
    return found | ({"s": own["s"]} if set(own) == {"s"} else {})


def reckoned(row: dict[str, Any], shorter: dict[str, Any]) -> dict[str, Any]:
    """What stands in a row too long for the libraries: soundfile by blocks, librosa as so many of the shorter row."""
    times = row["sound_s"] / shorter["sound_s"]
    librosa = {key: times * shorter["librosa"][key] for key in ("s", "mb")} | {"from": shorter["name"]}
    return {"soundfile": row[BY_BLOCKS] | {"by_blocks": True}, "librosa": librosa}


def measure(*, quick: bool, long: bool, say: Any = print) -> list[dict[str, Any]]:
    """One row a length, each the fastest of its repeats; the programs take turns."""
    lengths = dict(LENGTHS_S)
    if quick:
        lengths.pop("1 h")
    if long:
        lengths[LONG[0]] = LONG[1]
    listen = [sys.executable, "-m", "clackcount", "listen", "--json"]
    found = []
    with tempfile.TemporaryDirectory() as folder:
        for name, seconds in lengths.items():
            path = Path(folder) / "ram.wav"
            write(path, seconds)
            row: dict[str, Any] = {"name": name, "sound_s": seconds}
            whole = seconds <= WHOLE_UP_TO_S
            tools = [tool for tool in CALLS if (tool != BY_BLOCKS if whole else tool == BY_BLOCKS)]
            programs = {"listen": listen} | {tool: [sys.executable, "-c", CALLS[tool]] for tool in tools}
            for _ in range(1 if quick else REPEATS[name]):
                for program, command in programs.items():
                    got = run(command, path)
                    best = row.setdefault(program, got)
                    row[program] = {key: min(best[key], got[key]) for key in got}
            if not whole and found:
                row |= reckoned(row, found[-1])
            say(f"cost of {name}: listen {row['listen']['s']:.2f} s, {row['listen']['mb']:.0f} MB")
            found.append(row)
    return found
