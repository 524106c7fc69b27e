"""The whole story of a recording that is there already."""

from __future__ import annotations

from clackcount.model import Beats, FlowTrack, Running
from clackcount.running.reading import read
from clackcount.running.startup import find_startup
from clackcount.running.stops import find_stops
from clackcount.running.timeline import find_spells, lay_timeline
from clackcount.running.trend import find_trend
from clackcount.running.vain import without_vain
from clackcount.settings import RunningSettings


def understand(beats: Beats, flow: FlowTrack, duration_s: float, settings: RunningSettings | None = None) -> Running:
    """What the loudest pump did in a recording of duration_s.

    The timeline covers [0, duration_s] without gaps. With other pumps in the recording, the story is that of the
    loudest; their slams are left out.
    """
    settings = settings or RunningSettings()
    pump = beats.pumps[0].pump if beats.pumps else 1
    perhaps = beats.perhaps.of_pump(pump) if beats.perhaps else None
    reading = read(beats.train.of_pump(pump), flow, settings, perhaps=perhaps)
    spells = without_vain(reading, find_spells(reading, duration_s, settings))
    return Running(
        timeline=lay_timeline(reading, spells, duration_s),
        stops=find_stops(reading, spells, duration_s, settings),
        startup=find_startup(reading, spells, settings),
        trend=find_trend(reading, spells, flow, duration_s, settings),
    )
