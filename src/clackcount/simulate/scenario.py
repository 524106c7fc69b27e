"""What is to be rendered: rams with their acts, backgrounds, place and phone."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from clackcount.errors import SettingError
from clackcount.simulate.acts import Act, Running
from clackcount.simulate.backgrounds import MAKERS
from clackcount.simulate.channel import Phone, Place
from clackcount.simulate.ram import Ram


@dataclass(frozen=True, slots=True, eq=False)
class Layer:
    """A background: a name from backgrounds.MAKERS, or samples float (n,) of a recording with its rate.

    level_db: root mean square re the other layers.
    """

    sound: str | NDArray[np.floating]
    level_db: float = 0.0
    sample_rate_hz: int = 48000


@dataclass(frozen=True, slots=True, eq=False)
class Part:
    """One ram in a scenario, what it does, and its slam's level re snr_db of the scenario."""

    ram: Ram
    acts: tuple[Act, ...] = (Running(),)
    level_db: float = 0.0


@dataclass(frozen=True, slots=True, eq=False)
class Scenario:
    """All that is to be heard. snr_db: see simulate.level; None: 20 dB.

    rush_snr_db: level of the rush at the closing velocity over the background, in the octave where it stands out
    most, for the loudest ram; None leaves it to the ram itself.
    """

    duration_s: float
    parts: tuple[Part, ...] = ()
    layers: tuple[Layer, ...] = ()
    snr_db: float | None = None
    rush_snr_db: float | None = None
    place: Place = field(default_factory=Place)
    phone: Phone = field(default_factory=Phone)
    sample_rate_hz: int = 48000

    def __post_init__(self) -> None:
        if not 0 < self.duration_s < 1e7:
            raise SettingError(f"duration_s is {self.duration_s:g}; it must be positive")
        if not 4000 <= self.sample_rate_hz <= 384000:
            raise SettingError(f"sample_rate_hz is {self.sample_rate_hz}; it must lie in 4000..384000")
        for layer in self.layers:
            if isinstance(layer.sound, str) and layer.sound not in MAKERS:
                raise SettingError(
                    f"no background is called {layer.sound!r}", hint="one of " + ", ".join(sorted(MAKERS))
                )
