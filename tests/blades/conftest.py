"""The first call of a formula compiles it: a deadline on a single example would only time the compiler."""

from __future__ import annotations

from hypothesis import settings

settings.register_profile("compiled", deadline=None)
settings.load_profile("compiled")
