"""Cycles and flow noise in, the story of the recording out: timeline, start-up, stops and their causes, trend."""

from __future__ import annotations

from clackcount.running.understanding import understand
from clackcount.running.watching import Watcher

__all__ = ["Watcher", "understand"]
