"""What has been fed to the Watcher and is still in hearing: slams and flow cells of a sliding window."""

from __future__ import annotations

import numpy as np

from clackcount.model import FloatArray, FlowTrack, SlamTrain
from clackcount.running.reading import Reading

FORGET_EVERY_S = 10.0  # not every tick: copying costs more than keeping
COLUMNS = ("time_s", "strength_db", "confidence", "reopen_s", "opened_s", "beating")

Slam = tuple[float, float, float, float, float, bool]


class Window:
    """Slams and cells, bounded, in the recording's own time. coming: slams that lie after what has been heard."""

    def __init__(self) -> None:
        self.slams: list[Slam] = []
        self.coming: list[Slam] = []
        self.cells = np.empty((0, 1), np.float32)
        self.first_cell = 0
        self.step_s = 0.05
        self.band_hz: FloatArray = np.empty(0)
        self.pushed: dict[float, bool] = {}

    def take(
        self, slams: SlamTrain | None, cells: FlowTrack | None, again_s: tuple[float, float] | None = None
    ) -> None:
        """Slams come into hearing with hear_until, cells at once; again_s: see News."""
        if slams is not None and again_s is not None:
            self.drop_slams(*again_s)
            again = slams.time_s <= again_s[1]
            self.slams = sorted([*self.slams, *(slam for slam, was in zip(_rows(slams), again, strict=True) if was)])
            self.coming += [slam for slam, was in zip(_rows(slams), again, strict=True) if not was]
        elif slams is not None:
            self.coming += _rows(slams)
        if cells is not None and len(cells):
            if len(self.cells) == 0:
                self.cells = np.empty((0, cells.level_db.shape[1]), np.float32)
                self.step_s, self.band_hz = cells.step_s, cells.band_hz
            self.cells = np.concatenate([self.cells, cells.level_db])

    def hear_until(self, now_s: float, hold_s: float = 0.0) -> bool:
        """Move the slams up to now_s into hearing, hold_s later; whether there were any."""
        n = 0
        while n < len(self.coming) and self.coming[n][0] <= now_s - hold_s:
            n += 1
        self.slams += self.coming[:n]
        self.coming = self.coming[n:]
        return n > 0

    def drop_slams(self, from_s: float = 0.0, to_s: float = np.inf) -> None:
        """Let go of the slams from then to then."""
        self.slams = [slam for slam in self.slams if not from_s <= slam[0] <= to_s]
        self.coming = [slam for slam in self.coming if not from_s <= slam[0] <= to_s]

    def forget(self, before_s: float, keep_slams: int) -> None:
        """Let go of what lies before before_s, but of so many slams."""
        if keep_slams and len(self.slams) > keep_slams:
            before_s = min(before_s, self.slams[-keep_slams][0] - 1.0)
        cell = int(max(before_s, 0.0) / self.step_s)
        if cell <= self.first_cell + round(FORGET_EVERY_S / self.step_s):
            return
        self.cells = self.cells[cell - self.first_cell :].copy()
        self.first_cell = cell
        self.slams = [slam for slam in self.slams if slam[0] >= cell * self.step_s]
        oldest_s = self.slams[0][0] if self.slams else 0.0
        self.pushed = {time_s: pushed for time_s, pushed in self.pushed.items() if time_s >= oldest_s}

    def remember(self, from_s: float, reading: Reading) -> None:
        """How slams were judged, for when what lay before them is out of hearing."""
        time_s = np.round(reading.train.time_s + from_s, 4).tolist()
        self.pushed.update(zip(time_s, reading.strokes.pushed.tolist(), strict=True))

    def was_pushed(self, time_s: float) -> bool | None:
        """How the first slam of a window was judged while what lay before it, now forgotten, was in hearing."""
        return self.pushed.get(round(time_s, 4)) if self.first_cell else None

    def at(self, now_s: float) -> tuple[float, SlamTrain, FlowTrack]:
        """(start of the window, its slams, its flow up to now_s), times from the start of the window."""
        from_s = self.first_cell * self.step_s
        columns = [np.array(column) for column in zip(*self.slams, strict=True)] or [np.empty(0)] * len(COLUMNS)
        n = len(columns[0])
        train = SlamTrain(
            time_s=columns[0] - from_s,
            strength_db=columns[1],
            confidence=columns[2],
            reopen_s=columns[3] - from_s,
            opened_s=columns[4] - from_s,
            pump=np.ones(n, np.int32),
            beating=columns[5].astype(np.bool_),
            duration_s=now_s - from_s,
        )
        n_cells = max(0, int(now_s / self.step_s + 1e-9) - self.first_cell)
        return from_s, train, FlowTrack(self.step_s, self.cells[:n_cells], self.band_hz)


def _rows(slams: SlamTrain) -> list[Slam]:
    return list(zip(*(getattr(slams, name).tolist() for name in COLUMNS), strict=True))
