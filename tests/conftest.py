"""What holds for all tests: none depends on how long something takes on this machine."""

from __future__ import annotations

from hypothesis import settings

settings.register_profile("whatever the clock says", deadline=None)
settings.load_profile("whatever the clock says")
