"""What holds for every test."""

from __future__ import annotations

from hypothesis import settings

# Wall time is never asserted: on a busy machine one slow example, the first to load a library, proves nothing.
settings.register_profile("clackcount", deadline=None)
settings.load_profile("clackcount")
