"""How loud the steady sound is from moment to moment, with the knocks left out."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from clackcount.hearing.novelty import QUIETEST
from clackcount.model import FlowTrack

CELL_FRAMES = 10  # 50 ms
RANK = 2  # the third lowest of ten frames: a knock fills four or five of them, a dip in the noise one or two
EDGES_HZ = np.geomspace(100, 12000, 9)


class FlowMeter:
    """Collects the cells of a FlowTrack from band energies that come in pieces."""

    def __init__(self, band_hz: NDArray[np.float64]) -> None:
        group = np.searchsorted(EDGES_HZ, band_hz) - 1  # what hums at its lowest edge or below is no water
        inside = [g for g in range(len(EDGES_HZ) - 1) if np.any(group == g)]
        self._groups = np.stack([group == g for g in inside], axis=1).astype(np.float32)
        self._edges_hz = np.append(EDGES_HZ[inside], EDGES_HZ[inside[-1] + 1])
        # one piece of memory that is there from the start, as far as it is written to: thousands of small ones would
        # lie between all the large arrays that come and go, and one that doubles is there twice while it is copied
        self._cells = np.empty((CELLS_AT_FIRST, self._groups.shape[1]), dtype=np.float16)
        self._n = 0
        self._pending = np.zeros((0, len(band_hz)), dtype=np.float32)

    def feed(self, energies: NDArray[np.float32]) -> None:
        """Take band energies, float32 (n_frames, n_bands)."""
        frames = np.concatenate([self._pending, energies]) if len(self._pending) else energies
        n_cells = len(frames) // CELL_FRAMES
        self._pending = frames[n_cells * CELL_FRAMES :].copy()
        if n_cells == 0:
            return
        grouped = (frames[: n_cells * CELL_FRAMES] @ self._groups).reshape(n_cells, CELL_FRAMES, -1)
        low = np.partition(grouped, RANK, axis=1)[:, RANK]
        n = self._n + n_cells
        if n > len(self._cells):
            larger = np.empty((max(n, 2 * len(self._cells)), self._cells.shape[1]), dtype=np.float16)
            larger[: self._n] = self._cells[: self._n]
            self._cells = larger
        # a hundredth of a decibel is enough, and a day of cells is not small
        self._cells[self._n : n] = 10 * np.log10(np.maximum(low, np.float32(QUIETEST)))
        self._n = n

    def track(self, frame_s: float) -> FlowTrack:
        """All whole cells so far; a view that take() makes invalid."""
        return FlowTrack(CELL_FRAMES * frame_s, self._cells[: self._n], self._edges_hz)

    def take(self, n_cells: int, frame_s: float) -> FlowTrack:
        """The oldest n_cells, which are then forgotten."""
        level_db = self._cells[:n_cells].copy()
        self._n -= len(level_db)
        self._cells[: self._n] = self._cells[n_cells : n_cells + self._n].copy()
        return FlowTrack(CELL_FRAMES * frame_s, level_db, self._edges_hz)


CELLS_AT_FIRST = 1 << 22  # two days
