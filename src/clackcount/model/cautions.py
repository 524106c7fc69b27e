"""Cautions that stand with what sends a person to the pump; they defer to local codes and trades."""

from __future__ import annotations

FINGERS = "Keep fingers out of the waste valve: it shuts with the force of the whole water column. Push with a stick."
PRESSURE = (
    "The ram, the pipes and above all the air vessel are under pressure many times the fall: shut the supply and let "
    "the pressure off at the delivery valve before you open anything. Follow local codes; use licensed trades where "
    "they are required."
)
AIR_VESSEL = (
    "An air-filled vessel stores energy and plastic tires under blows: keep people clear, replace it on any crack."
)
STREAM = (
    "Streams, intakes and pits are slippery and can drown: do not go alone or in flood, and mind cold water. Local "
    "rules for work in a stream come first."
)
COLD = "In frost drain what stands still; ice bursts pipes and makes banks slippery."
ANCHOR = "A ram or pipe that moves can break its joints: stand clear of it while it runs."

BESIDE_IT = (FINGERS, STREAM, COLD)  # where a phone is held
AT_THE_VALVE = (FINGERS, PRESSURE)
AT_THE_INTAKE = (STREAM, COLD)
EVERYWHERE = (FINGERS, PRESSURE, STREAM, COLD)
