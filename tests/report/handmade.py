"""Listenings made by hand: what the report has to say is known, without hearing anything."""

from __future__ import annotations

import numpy as np

from clackcount import model


def train_of(time_s, *, pump=None, strength_db=18.2, reopen_after_s=0.25, duration_s=None) -> model.SlamTrain:
    """A train of slams, all alike; reopen_after_s None where no reopening is heard."""
    n = len(time_s)
    time_s = np.asarray(time_s, dtype=np.float64)
    reopen_s = time_s + reopen_after_s if reopen_after_s else np.full(n, np.nan)
    return model.SlamTrain(
        time_s=time_s,
        strength_db=np.full(n, strength_db),
        confidence=np.full(n, 0.9),
        reopen_s=reopen_s,
        opened_s=np.full(n, np.nan),
        pump=np.ones(n) if pump is None else pump,
        beating=np.ones(n, dtype=bool),
        duration_s=duration_s if duration_s is not None else (float(time_s[-1]) + 1.0 if n else 10.0),
    )


def beat_of(train: model.SlamTrain, **changes) -> model.Beat:
    """The beat of pump 1 of a train, with some fields said otherwise."""
    own = train.of_pump(changes.get("pump", 1))
    rate = 60.0 / float(np.mean(np.diff(own.time_s)))
    fields = {
        "pump": 1,
        "start_s": float(own.time_s[0]),
        "end_s": float(own.time_s[-1]),
        "n_cycles": len(own) - 1,
        "rate_per_min": rate,
        "rate_ci95_per_min": (rate - 0.03, rate + 0.03),
        "regularity": model.Regularity(cv=0.011, robust_cv=0.009, missed=0, pattern=model.Pattern.EVEN),
        "open_s": 0.71,
        "shut_s": 0.25,
        "confidence": 0.97,
        "doubts": (),
    }
    return model.Beat(**(fields | changes))


def listening_of(train: model.SlamTrain, **parts) -> model.Listening:
    """A Listening around a train. parts: pumps, doubts, running, findings, and fields of the recording."""
    info = {
        "path": "lower-meadow.m4a",
        "duration_s": train.duration_s,
        "sample_rate_hz": 48000,
        "channels": 2,
        "container": "m4a",
        "codec": "aac",
    }
    info |= {name: parts.pop(name) for name in list(parts) if name in {*info, "clipped_fraction", "warnings"}}
    flow = model.FlowTrack(step_s=0.5, level_db=np.zeros((4, 1), dtype=np.float32), band_hz=np.array([100.0, 200.0]))
    return model.Listening(
        recording=model.RecordingInfo(**info),
        beats=model.Beats(train=train, pumps=parts.pop("pumps", ()), doubts=parts.pop("doubts", ())),
        flow=flow,
        version="0.1.0",
        settings={"self_cycles_min": 6},
        **parts,
    )


FINDING = model.Finding(
    code="open-stall-debris",
    severity=model.Severity.ACT,
    title="The waste valve was held open",
    evidence="The last slam is at 0:41; after it water rushes 14 dB above the quiet of the shut valve.",
    next="Shut the supply, then look into the waste valve for a leaf or a twig.",
    confidence=0.823,
    basis=model.Basis.COMMON_PRACTICE,
    causes=("leaf or twig in the valve", "supply too small to shut it"),
    checks=("supply level", "strainer", "waste valve"),
    listen_at_s=(41.7,),
    question="Has the stream fallen since yesterday?",
    cautions=("Keep fingers out of the waste valve: it shuts with the force of the whole water column.",),
)
