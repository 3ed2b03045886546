"""Position fixes against published worked examples."""

import numpy as np
import pytest
from scipy.optimize import brentq
from scipy.stats import chi2, f

from app.fitting import lines
from app.fitting.convergence import converge
from app.fitting.likelihood import measured_bearings
from app.fitting.region import ellipse_of
from calibration.table import Vector
from tests.published import published

TOWERS = {"6": (750142.0, 4393673.0), "7": (751674.0, 4393630.0), "8": (750985.0, 4395022.0)}


def lenth(count: int) -> tuple[Vector, Vector]:
    """Stations (n, 2) and mathematical angles (n,), with all eight observations or without the sixth."""
    rows = [r for r in published("lenth_bearings") if count == 8 or r["obs"] != "6"]
    return (
        np.array([(float(r["x"]), float(r["y"])) for r in rows]),
        np.radians([90 - float(r["bearing"]) for r in rows]),
    )


def von_mises_fix(at: Vector, angle: Vector, estimator: str, known_kappa: float | None = None) -> tuple[Vector, Vector]:
    """Lenth's estimators by his own iteration (1981; the formulas of the Fortran routines in the repository named in
    the data file): an oracle for the point and its covariance, written for this test."""
    s, c = np.sin(angle), np.cos(angle)
    z = s * at[:, 0] - c * at[:, 1]
    s_star, c_star, w = s, c, np.ones(len(s))
    for _ in range(2000):
        matrix = np.array(
            [[np.sum(w * s * s_star), -np.sum(w * c * s_star)], [-np.sum(w * s * c_star), np.sum(w * c * c_star)]]
        )
        point = np.linalg.solve(matrix, np.array([np.sum(w * s_star * z), -np.sum(w * c_star * z)]))
        d = np.hypot(*(point - at).T)
        s_star, c_star = (point[1] - at[:, 1]) / d**3, (point[0] - at[:, 0]) / d**3
        off = angle - np.arctan2(point[1] - at[:, 1], point[0] - at[:, 0])
        C = np.sum(w * np.cos(off)) / np.sum(w)
        inverse_kappa = 2 * (1 - C) + (1 - C) ** 2 * (0.48794 - 0.82905 * C - 1.3915 * C**2) / C
        if known_kappa is not None:
            inverse_kappa = 1 / known_kappa
        t = np.sqrt(2 / inverse_kappa * (1 - np.cos(off)))
        if estimator == "huber":
            w = np.minimum(t, 1.5) / t
        if estimator == "andrews":
            w = np.where(t < 1.5 * np.pi, 1.5 / t * np.sin(t / 1.5), 0.0)
    off_diagonal = -0.5 * np.sum(w * (s_star * c + c_star * s))
    information = np.array([[np.sum(w * s_star * s), off_diagonal], [off_diagonal, np.sum(w * c_star * c)]])
    return point, inverse_kappa * np.linalg.inv(information)


@pytest.mark.parametrize("row", published("lenth_results"), ids=lambda r: f"{r['estimator']}-{r['n']}")
def test_the_oracle_gives_lenths_published_results(row: dict[str, str]) -> None:
    point, covariance = von_mises_fix(*lenth(int(row["n"])), row["estimator"])
    se = np.sqrt(np.diag(covariance))
    assert point == pytest.approx([float(row["x"]), float(row["y"])], abs=0.0051)
    # Half a unit of the last printed digit, but for one entry (.945) that full convergence gives as .9444.
    assert se == pytest.approx([float(row["se_x"]), float(row["se_y"])], abs=0.0006)
    assert covariance[0, 1] / se.prod() == pytest.approx(float(row["correlation"]), abs=0.00051)


def test_maximum_likelihood_fix_of_lenths_seven_bearings() -> None:
    at, angle = lenth(7)
    centre = at.mean(axis=0)
    found = converge(measured_bearings(at - centre, angle), centre)
    assert found.point_m is not None
    assert found.covariance_m2 is not None
    # Published: 7.23, 1.98 with the von Mises likelihood; for errors of three degrees the normal one differs by 1e-4.
    assert found.point_m == pytest.approx([7.23, 1.98], abs=0.005)
    oracle, oracle_covariance = von_mises_fix(at, angle, "ml")
    assert found.point_m == pytest.approx(oracle, abs=5e-4)
    # The published standard errors divide by n, ours by n - 2; the curvature of the likelihood differs by under 1 %.
    se = np.sqrt(np.diag(found.covariance_m2))
    assert se * np.sqrt(5 / 7) == pytest.approx([0.156, 0.156], rel=0.02)
    assert found.covariance_m2[0, 1] / se.prod() == pytest.approx(0.664, abs=0.015)
    assert oracle_covariance == pytest.approx(found.covariance_m2 * 5 / 7, rel=0.05)


def test_angle_least_squares_of_lenths_seven_bearings() -> None:
    """The same fix by a general least-squares solver over the point itself."""
    from scipy.optimize import least_squares

    at, angle = lenth(7)

    def off(point: Vector) -> Vector:
        away = point - at
        difference = angle - np.arctan2(away[:, 1], away[:, 0])
        return np.asarray(np.angle(np.exp(1j * difference)))

    plain = least_squares(off, [7.5, 2.2], xtol=1e-12, ftol=1e-12, gtol=1e-12)
    centre = np.array([5.0, 5.0])
    found = converge(measured_bearings(at - centre, angle), centre)
    assert found.point_m == pytest.approx(plain.x, abs=1e-5)
    assert found.spread_rad == pytest.approx(np.sqrt(2 * plain.cost / 5), rel=1e-5)
    assert found.covariance_m2 == pytest.approx(2 * plain.cost / 5 * np.linalg.inv(plain.jac.T @ plain.jac), rel=1e-3)


def test_all_eight_of_lenths_bearings_do_not_settle_on_a_point() -> None:
    """With the outlier believed, the published standard errors (1.5, 1.7) reach past the stations: no ellipse then."""
    at, angle = lenth(8)
    found = converge(measured_bearings(at - at.mean(axis=0), angle), at.mean(axis=0))
    assert found.status == "infinite"
    assert found.point_m is None
    assert found.ellipse is None
    assert found.region is not None
    point = at.mean(axis=0) + lines.to_point(found.family)
    # The best fit is still the published one, within the normal likelihood's difference at 30 degrees of error.
    assert point == pytest.approx([5.87, 1.13], abs=0.5)


@pytest.mark.parametrize("row", published("towers"), ids=lambda r: r["bearings"])
def test_towers_with_known_standard_deviation(row: dict[str, str]) -> None:
    sighted = [b.split(":") for b in row["bearings"].split()]
    at = np.array([TOWERS[tower] for tower, _ in sighted])
    angle = np.radians([90 - float(bearing) for _, bearing in sighted])
    centre = np.mean(list(TOWERS.values()), axis=0)
    found = converge(measured_bearings(at - centre, angle, np.radians(2.5)), centre, scatter_rad=0.0)
    assert found.covariance_m2 is not None
    assert found.ellipse is not None
    assert found.point_m == pytest.approx([float(row["x"]), float(row["y"])], abs=2.5)
    printed = np.array([[float(row["vxx"]), float(row["vxy"])], [float(row["vxy"]), float(row["vyy"])]])
    # Von Mises with kappa = 525.93 and normal with the same sd differ by a few tenths of a per cent, three bearings
    # that do not meet by a little more.
    assert found.covariance_m2 == pytest.approx(printed, rel=0.06)
    assert found.ellipse.area_m2 / 1e4 == pytest.approx(float(row["area_ha"]), rel=0.02)


def test_least_squares_intersection_differs_from_the_maximum_likelihood_fix() -> None:
    """Formula as in the header of the report collection of DFLib (github.com/tvrusso/DFLib): squared distances."""
    at, angle = lenth(7)
    point = lines.intersection(at, angle)
    u = lines.unit(angle)
    project = np.eye(2) - u[:, :, None] * u[:, None, :]
    assert point == pytest.approx(np.linalg.solve(project.sum(axis=0), np.einsum("nij,nj->i", project, at)), abs=1e-9)
    assert np.hypot(*(point - [7.2285, 1.9808])) > 0.05
    meeting = np.array([3.0, -2.0])
    exact = np.arctan2(*(meeting - at).T[::-1])
    assert lines.intersection(at, exact) == pytest.approx(meeting, abs=1e-9)


def test_ellipse_axes_are_stansfields() -> None:
    """R. G. Stansfield, Statistical theory of D.F. fixing, J. IEE 94 IIIA, 762-770, 1947; axes with the correction of
    S. Burnett et al., 1986, as restated in DFLib's documentation."""
    at, angle = lenth(7)
    fix = np.array([7.24859, 2.00626])
    weight = (np.hypot(*(fix - at).T) * np.radians(2.880)) ** -2
    lam, mu, nu = (np.sum(weight * v) for v in (np.sin(angle) ** 2, np.cos(angle) ** 2, np.sin(angle) * np.cos(angle)))
    phi = 0.5 * np.arctan2(-2 * nu, lam - mu)
    axes = sorted((lam - nu * np.tan(phi), mu + nu * np.tan(phi)))
    ellipse = ellipse_of(np.linalg.inv([[lam, -nu], [-nu, mu]]), -2 * np.log(0.05))
    factor = np.sqrt(-2 * np.log(0.05))
    assert ellipse.semi_major_m == pytest.approx(factor / np.sqrt(axes[0]), rel=1e-9)
    assert ellipse.semi_minor_m == pytest.approx(factor / np.sqrt(axes[1]), rel=1e-9)
    assert ellipse.area_m2 == pytest.approx(-2 * np.pi * np.log(0.05) / np.sqrt(lam * mu - nu**2), rel=1e-9)


def test_the_fixs_covariance_is_stansfields_for_small_errors() -> None:
    """His inverse covariance is the information of bearings with known sd, taken at the fix."""
    at, _ = lenth(7)
    point = np.array([7.5, 2.2])
    angle = np.arctan2(*(point - at).T[::-1])
    found = converge(measured_bearings(at - [6, 7], angle, np.radians(2.5)), np.array([6.0, 7.0]), scatter_rad=0.0)
    weight = (np.hypot(*(point - at).T) * np.radians(2.5)) ** -2
    lam, mu, nu = (np.sum(weight * v) for v in (np.sin(angle) ** 2, np.cos(angle) ** 2, np.sin(angle) * np.cos(angle)))
    assert found.covariance_m2 == pytest.approx(np.linalg.inv([[lam, -nu], [-nu, mu]]), rel=1e-6)


# Printed chi-square table: exampapers.nust.na (4.60517, 5.99146, 7.37776, 9.21034, 10.5963).
@pytest.mark.parametrize(
    ("confidence", "quantile"), [(0.90, 4.60517), (0.95, 5.99146), (0.975, 7.37776), (0.99, 9.21034), (0.995, 10.5966)]
)
def test_known_scatter_scales_the_ellipse_by_chi_square(confidence: float, quantile: float) -> None:
    at, _ = lenth(7)
    angle = np.arctan2(*(np.array([7.5, 2.2]) - at).T[::-1])
    centre = np.array([6.0, 7.0])
    found = converge(
        measured_bearings(at - centre, angle, np.radians(0.1)), centre, scatter_rad=0.0, confidence=confidence
    )
    assert found.ellipse is not None
    assert found.covariance_m2 is not None
    largest = float(np.linalg.eigvalsh(found.covariance_m2)[-1])
    assert found.ellipse.semi_major_m**2 / largest == pytest.approx(quantile, abs=1e-4)


# Hotelling's form p (n - 1)/(n - p) F(p, n - p) for p = 2, 95 % (support.sas.com's documentation of ellipses).
@pytest.mark.parametrize(
    ("n", "limit"), [(3, 798.0), (4, 57.000), (5, 25.472), (10, 10.0327), (20, 7.5041), (42, 6.6250)]
)
def test_estimated_scatter_scales_the_ellipse_by_f(n: int, limit: float) -> None:
    rng = np.random.default_rng(n)
    centre = np.array([1.27, 0.635])
    start = rng.uniform([-1.1, -0.5], [0.2, 0.5], (n, 2))
    family = np.array([1.0, 0.45])
    angle = lines.needed_bearings(family, start) + rng.normal(0, np.radians(0.02), n)
    found = converge(measured_bearings(start, angle), centre)
    assert found.ellipse is not None
    assert found.covariance_m2 is not None
    scale = found.ellipse.semi_major_m**2 / float(np.linalg.eigvalsh(found.covariance_m2)[-1])
    # For a fix F has n - 2 degrees of freedom and the factor 2; the published numbers carry 2 (n - 1)/(n - 2).
    assert scale == pytest.approx(limit * (n - 2) / (n - 1), rel=1e-3 if n > 3 else 0.02)


def test_ellipse_of_the_oven_data() -> None:
    """Johnson and Wichern, Examples 5.3 to 5.5: T^2 at (.55, .60) = 1.22711625, limit 6.62504 (unrounded data)."""
    x = np.array([(float(r["closed"]), float(r["open"])) for r in published("oven_radiation")]) ** 0.25
    n, mean, S = len(x), x.mean(axis=0), np.cov(x.T)
    limit = 2 * (n - 1) / (n - 2) * float(f.ppf(0.95, 2, n - 2))
    assert mean == pytest.approx([0.564, 0.603], abs=5e-4)
    assert limit == pytest.approx(6.62504034, abs=1e-5)
    ellipse = ellipse_of(S / n, limit)
    turn = np.array(
        [
            [np.cos(ellipse.angle_rad), np.sin(ellipse.angle_rad)],
            [-np.sin(ellipse.angle_rad), np.cos(ellipse.angle_rad)],
        ]
    )
    along, across = turn @ (np.array([0.55, 0.60]) - mean)
    inside = (along / ellipse.semi_major_m) ** 2 + (across / ellipse.semi_minor_m) ** 2
    assert inside * limit == pytest.approx(1.22711625, abs=2e-6)
    # The book's first half-axis; its second (.018) comes from an eigenvalue rounded to one digit.
    assert ellipse.semi_major_m == pytest.approx(0.064, abs=5e-4)


def test_known_sd_of_the_oracle_is_whites_kappa() -> None:
    """Rowlingson's vignette holds kappa at 525.932 for a sd of 2.5 degrees: seven observations ML (7.23, 1.98)."""
    C = np.exp(-(np.radians(2.5) ** 2) / 2)
    kappa = 1 / (2 * (1 - C) + (1 - C) ** 2 * (0.48794 - 0.82905 * C - 1.3915 * C**2) / C)
    assert kappa == pytest.approx(525.932, abs=5e-3)
    at, angle = lenth(7)
    assert von_mises_fix(at, angle, "ml", kappa)[0] == pytest.approx([7.23, 1.98], abs=0.005)
    found = converge(measured_bearings(at - [6, 7], angle, np.radians(2.5)), np.array([6.0, 7.0]), scatter_rad=0.0)
    assert found.point_m == pytest.approx([7.23, 1.98], abs=0.005)


def test_f_form_grows_over_chi_square_as_published() -> None:
    for n, limit in ((5, 25.472), (20, 7.5041), (100, 6.2415)):
        assert 2 * (n - 1) / (n - 2) * f.ppf(0.95, 2, n - 2) == pytest.approx(limit, abs=1e-3)
    assert chi2.ppf(0.95, 2) == pytest.approx(5.99146, abs=1e-5)
    # The closed form on which the region rests: 2 F(2, nu)/nu = 20^(2/nu) - 1.
    for nu in (1, 3, 10, 40):
        root = brentq(lambda x, nu=nu: (1 + x) ** (-nu / 2) - 0.05, 0, 1e4)
        assert root == pytest.approx(2 * f.ppf(0.95, 2, nu) / nu, rel=1e-6)
