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
        group = np.searchsorted(EDGES_HZ, band_hz, side="right") - 1
        inside = [g for g in range(len(EDGES_HZ) - 1) if np.any(group == g)]
        self._groups = np.stack([group == g for g in inside], axis=1).astype(np.float32)
        self._edges_hz = np.append(EDGES_HZ[inside], EDGES_HZ[inside[-1] + 1])
        self._cells: list[NDArray[np.float16]] = []
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
        # a hundredth of a decibel is enough, and a day of cells is not small
        self._cells.append((10 * np.log10(np.maximum(low, np.float32(QUIETEST)))).astype(np.float16))

    def track(self, frame_s: float) -> FlowTrack:
        """All whole cells so far."""
        if self._cells:
            self._cells = [np.concatenate(self._cells)]
        level_db = self._cells[0] if self._cells else np.zeros((0, self._groups.shape[1]), dtype=np.float16)
        return FlowTrack(CELL_FRAMES * frame_s, level_db, self._edges_hz)

    def take(self, n_cells: int, frame_s: float) -> FlowTrack:
        """The oldest n_cells, which are then forgotten."""
        whole = self.track(frame_s)
        self._cells = [whole.level_db[n_cells:].copy()]
        return FlowTrack(whole.step_s, whole.level_db[:n_cells], whole.band_hz)
