"""Running the command line inside the test process, and a recording to run it on."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pytest
import soundfile

from clackcount.cli.main import main


@dataclass(frozen=True)
class Ran:
    """What a command left: exit code, stdout, stderr."""

    code: int
    out: str
    err: str


@pytest.fixture
def run(capsys) -> Callable[..., Ran]:
    """run("listen", "a.wav") -> Ran."""

    def run_command(*argv: object) -> Ran:
        code = main([str(word) for word in argv])
        out, err = capsys.readouterr()
        return Ran(code, out, err)

    return run_command


@pytest.fixture(scope="session")
def brook(tmp_path_factory) -> str:
    """Ten seconds of hiss: a recording that can be used, with no ram in it."""
    path = tmp_path_factory.mktemp("recordings") / "brook.wav"
    hiss = 0.05 * np.random.default_rng(7).standard_normal(10 * 16000)
    soundfile.write(path, hiss, 16000)
    return str(path)
