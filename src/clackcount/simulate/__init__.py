"""A ram that exists only in numbers: cycle physics becomes sound, with the truth beside it.

ram = random_ram(rng, rate_per_min=60)
made = render(Scenario(60.0, (Part(ram),), (Layer("stream"),), snr_db=6), seed=1)
made.samples, made.truth.slam_s
"""

from clackcount.simulate.acts import Hand, Quiet, Running, Rushing
from clackcount.simulate.backgrounds import MAKERS
from clackcount.simulate.channel import Phone, Place, random_phone
from clackcount.simulate.cycle import DriveColumn, Rhythm
from clackcount.simulate.ram import Ram, Rush, random_column, random_ram, random_rhythm
from clackcount.simulate.render import Rendered, render, render_blocks
from clackcount.simulate.scenario import Layer, Part, Scenario
from clackcount.simulate.scenes import CONDITIONS, STORIES, random_acts, random_scene, without_ram
from clackcount.simulate.truth import PumpTruth, Truth
from clackcount.simulate.voice import MATERIALS, Voice, random_voice

__all__ = [
    "CONDITIONS",
    "MAKERS",
    "MATERIALS",
    "STORIES",
    "DriveColumn",
    "Hand",
    "Layer",
    "Part",
    "Phone",
    "Place",
    "PumpTruth",
    "Quiet",
    "Ram",
    "Rendered",
    "Rhythm",
    "Running",
    "Rush",
    "Rushing",
    "Scenario",
    "Truth",
    "Voice",
    "random_acts",
    "random_column",
    "random_phone",
    "random_ram",
    "random_rhythm",
    "random_scene",
    "random_voice",
    "render",
    "render_blocks",
    "without_ram",
]
