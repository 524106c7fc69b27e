"""What holds for every test."""

from __future__ import annotations

import os

import pytest
from hypothesis import settings

# As the program sets them, and before any test loads numpy: the matrix products are small, and on a busy machine the
# wait for a second thread costs several times the product.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
os.environ.setdefault("OMP_NUM_THREADS", "1")

# Wall time is never asserted: on a busy machine one slow example, the first to load a library, proves nothing.
# The same examples in every run: a change is judged by what it does, not by the day's draw.
settings.register_profile("clackcount", deadline=None, derandomize=True)
settings.load_profile("clackcount")


def pytest_configure(config: pytest.Config) -> None:
    """Compile what librosa compiles once, before there are workers.

    Its compiler keeps what it made in a cache; two workers that fill it at once leave one from which every later
    process crashes.
    """
    if config.getoption("dist", "no") != "no" and not hasattr(config, "workerinput"):
        import numpy as np
        from librosa.onset import onset_detect

        onset_detect(y=np.zeros(22050, dtype=np.float32), sr=22050, backtrack=True)
