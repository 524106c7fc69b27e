"""All that came out of one recording."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from clackcount import document
from clackcount.model.beats import Beats
from clackcount.model.findings import Finding
from clackcount.model.sound import FlowTrack, RecordingInfo
from clackcount.model.story import Running


@dataclass(frozen=True, slots=True)
class Listening:
    """All that came out of one recording. settings: the settings that made it; version: of the package."""

    recording: RecordingInfo
    beats: Beats
    flow: FlowTrack
    running: Running | None = None
    findings: tuple[Finding, ...] = ()
    version: str = ""
    settings: dict[str, float | int | str] = field(default_factory=dict)

    def to_dict(self) -> dict[str, Any]:
        """The published document (schema clackcount.listening/1): what ``clackcount listen --json`` prints."""
        return document.of_listening(self)
