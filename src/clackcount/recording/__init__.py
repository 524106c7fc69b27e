"""Samples in: any recording a phone makes, a pipe, a growing file or a microphone, as blocks of mono sound."""

from __future__ import annotations

from clackcount.recording.live import follow_file, open_microphone, open_pcm
from clackcount.recording.opening import digest, open_recording
from clackcount.recording.stream import Recording

__all__ = ["Recording", "digest", "follow_file", "open_microphone", "open_pcm", "open_recording"]
