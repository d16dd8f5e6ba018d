"""Find where the road steps aside and back, as at a roundabout, by a matched filter."""

from __future__ import annotations

from typing import Final

import numpy as np
import numpy.typing as npt

from pacer.course.smooth import Samples, box_mean
from pacer.units import FloatArray

__all__ = ["REACH_M", "sidesteps"]

REACH_M: Final = 22.0
"""Half the length of a sidestep: a roundabout of 12 to 20 m is left 40 to 50 m after it is entered [m]."""

_SURE: Final = 4.25
"""Standard deviations at which it is one (a choice, by trial: docs/explanation/course.md)."""

_WITHOUT_ONE: Final = 2.2
_CLIP: Final = 4.0
"""Without the point that speaks loudest for it so many are still needed, and no point counts as farther off
than this many times the noise: one bad fix is no sidestep (choices)."""

_USUAL_SHARE: Final = 60.0
_USUAL_SIZE: Final = 0.842
"""60 in 100 absolute values of a standard normal variable are below this."""

_ENDS_M: Final = 60.0
"""At the ends of a file a straight isn't known; the rider is upright there by rule anyway."""

_AROUND_M: Final = 60.0


def sidesteps(off: FloatArray, noise: float, samples: Samples, straight: float) -> npt.NDArray[np.bool_]:
    """Tell where points lie off a smoothed line as they do where the road steps aside and back.

    The score test for a raised cosine beside a road whose curvature is white noise of density `straight`,
    which allows for what the smooth line takes of such a shape.

    Parameters
    ----------
    off : FloatArray, shape (k,)
        Distance of the samples from the line, positive to one side [m].
    noise : float
        Standard deviation of their position, each way [m].
    samples : Samples
    straight : float
        Density with which a straight was smoothed [1/m].

    Returns
    -------
    bool array, shape (samples.count,)
        At the middle of each, on the grid.
    """
    ends = round(_ENDS_M / samples.step)
    if samples.count <= 2 * ends:
        return np.zeros(samples.count, dtype=bool)
    half = round(REACH_M / samples.step)
    shape = 0.5 + 0.5 * np.cos(np.pi * np.arange(-half, half + 1) * samples.step / REACH_M)
    count = samples.on_grid(np.ones(off.size))
    beside = samples.on_grid(np.clip(off / noise, -_CLIP, _CLIP))
    like = np.abs(np.convolve(beside, shape, mode="same"))
    size = np.convolve(count, shape**2, mode="same")
    points_a_metre = box_mean(count, round(_AROUND_M / samples.step)) / samples.step
    left = _left_over(shape, samples.step, noise**2 / np.maximum(points_a_metre, 1e-6) / straight)
    deviation = np.sqrt(np.maximum(size * left, 1e-6))
    # Where noise wanders the whole file looks odd, and only what is odd there counts.
    deviation *= max(float(np.percentile(like / deviation, _USUAL_SHARE)) / _USUAL_SIZE, 1.0)
    sure = (like > _SURE * deviation) & (like - _loudest(beside, shape) > _WITHOUT_ONE * deviation)
    sure[:ends] = sure[-ends:] = False
    return np.asarray(sure)


def _loudest(beside: FloatArray, shape: FloatArray) -> FloatArray:
    """Greatest part that one node of the grid has in the likeness around each."""
    half = shape.size // 2
    far = np.pad(np.abs(beside), half)
    parts = (share * far[k : k + beside.size] for k, share in enumerate(shape))
    return np.asarray(np.maximum.reduce(list(parts)))


def _left_over(shape: FloatArray, step: float, stiffness: FloatArray) -> FloatArray:
    """Share of a shape's square that smoothing leaves, by the response of the smoothing to waves.

    A wave of angular frequency w is passed at 1 / (1 + stiffness w⁴).
    """
    waves = 2.0 * np.pi * np.fft.rfftfreq(1024, step)
    power = np.abs(np.fft.rfft(shape, 1024)) ** 2
    power[0] *= 0.5
    known = np.geomspace(max(float(stiffness.min()), 1.0), max(float(stiffness.max()), 2.0), 24)
    passed = 1.0 / (1.0 + known[:, None] * waves**4)
    return np.asarray(np.interp(stiffness, known, 1.0 - passed @ power / power.sum()))
