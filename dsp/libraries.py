"""Libraries that take half a second to load and that only results need, not samples.

A replay loads them when its first lap is over: nobody waits for its first picture. A live run can't stand still in the
middle, so it calls `load` before its link opens. Raises nothing.
"""

from __future__ import annotations


def load() -> None:
    """Load what `dsp.downforce` and `dsp.spectral_peaks` take from scipy when somebody asks for results."""
    import scipy.signal
    import scipy.special  # noqa: F401
