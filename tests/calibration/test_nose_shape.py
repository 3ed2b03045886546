"""The nose inside a blurred rise, on profiles made by another route than the fit's own model (fine box sampling)."""

import numpy as np
import pytest

from calibration.nose_shape import nose_offsets, window_px

Profile = tuple[float, float, float]  # where the nose truly is, width of the dark line, how dark it is


def seen(nose_px: float, width_px: float, dark: float, blur_px: float) -> tuple[np.ndarray, float]:
    """A profile aligned on its half-way crossing, and the nose relative to that crossing."""
    at = np.arange(-14, 10, 0.01)
    light = np.where(at > nose_px, 1.0, np.where(at > nose_px - width_px, dark, 0.92))
    ramp = (at <= nose_px - width_px) & (at > nose_px - width_px - 1.5)
    light[ramp] = dark + (0.92 - dark) * (nose_px - width_px - at[ramp]) / 1.5
    kernel = np.exp(-0.5 * (np.arange(-500, 501) * 0.01 / blur_px) ** 2)
    pad = len(kernel) // 2
    blurred = np.convolve(np.pad(light, pad, mode="edge"), kernel / kernel.sum(), mode="valid")
    low = int(np.argmin(np.where(at < nose_px + 1, blurred, np.inf)))
    half = (blurred[low] + 1.0) / 2
    crossing = at[low + int(np.argmax(blurred[low:] > half))]
    return np.interp(window_px(), at - crossing, blurred), nose_px - crossing


def test_thin_lines_stray_and_are_put_right() -> None:
    """Two wide dark lines tell the blur, so that the thin one can be put right to better than a tenth of a pixel."""
    cases = [seen(0.0, 5.0, 0.25, 0.9), seen(0.0, 4.0, 0.3, 0.9), seen(0.0, 1.1, 0.25, 0.9)]
    found = nose_offsets([profile for profile, _ in cases])
    assert abs(cases[2][1]) > 0.15  # the bare crossing is wrong by this
    for offset, (_, truth) in zip(found, cases, strict=True):
        assert offset.offset_px == pytest.approx(truth, abs=0.09)
        assert abs(offset.offset_px - truth) < 3 * offset.sd_px + 0.03
    assert found[2].sd_px > found[0].sd_px


def test_a_profile_seen_in_part_is_enough() -> None:
    profile, truth = seen(0.0, 5.0, 0.25, 0.7)
    profile[:20] = np.nan
    (offset,) = nose_offsets([profile])
    assert offset.offset_px == pytest.approx(truth, abs=0.1)
