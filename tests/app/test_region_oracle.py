"""The region against another program's profile contour on the same likelihood."""

import numpy as np
import pytest
from scipy.stats import f

from app.fitting import lines
from app.fitting.convergence import converge
from app.fitting.likelihood import measured_bearings
from calibration.table import Vector


@pytest.mark.parametrize("n", [5, 12])
def test_the_outline_is_the_profile_contour_of_minuit(n: int) -> None:
    iminuit = pytest.importorskip("iminuit")
    rng = np.random.default_rng(n)
    start = rng.uniform([-1.1, -0.5], [0.2, 0.5], (n, 2))
    family = np.array([0.95, 0.45])
    bearing = lines.needed_bearings(family, start) + rng.normal(0, 0.003, n)
    centre = np.array([1.27, 0.635])
    found = converge(measured_bearings(start, bearing), centre)
    assert found.region is not None

    def cost(phi: float, kappa: float, log_scatter: float) -> float:
        w = np.array([np.cos(phi), np.sin(phi)]) - kappa * start
        off = np.angle(np.exp(1j * (bearing - np.arctan2(w[:, 1], w[:, 0]))))
        return float(np.sum(off**2) * np.exp(-2 * log_scatter) + 2 * n * log_scatter)

    minuit = iminuit.Minuit(cost, phi=found.family[0], kappa=found.family[1], log_scatter=-6.0)
    minuit.errordef = 1.0
    minuit.strategy = 2
    minuit.migrad()
    assert minuit.valid
    assert [minuit.values["phi"], minuit.values["kappa"]] == pytest.approx(found.family, abs=2e-5)
    threshold = n * np.log(1 + 2 * f.ppf(0.95, 2, n - 2) / (n - 2))
    least = minuit.fval
    for direction in range(0, len(found.region) - 1, 9):
        phi, kappa = found.region[direction]
        held = iminuit.Minuit(cost, phi=phi, kappa=kappa, log_scatter=-6.0)
        held.errordef = 1.0
        held.fixed["phi"] = held.fixed["kappa"] = True
        held.migrad()
        assert held.fval - least == pytest.approx(threshold, rel=0.01)
    # And the contour that Minuit itself traces at that level lies on the outline.
    minuit.errordef = float(threshold)
    contour = np.array(minuit.mncontour("phi", "kappa", cl=1 - np.exp(-0.5), size=12))
    scale = np.sqrt(np.diag(found.family_covariance))
    gaps = [_gap(point, found.region, scale) for point in contour]
    assert max(gaps) < 0.1


def _gap(point: Vector, ring: Vector, scale: Vector) -> float:
    """Distance from a point to an outline, in standard deviations."""
    a, b = ring[:-1] / scale, ring[1:] / scale
    along = b - a
    share = np.clip(np.sum((point / scale - a) * along, axis=1) / np.sum(along**2, axis=1), 0, 1)
    return float(np.min(np.hypot(*(a + share[:, None] * along - point / scale).T)))
