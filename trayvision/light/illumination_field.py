"""The light over a tray as a smooth field, fitted to the whites that were seen."""

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from trayvision.colorimetry import LUMINANCE_WEIGHTS
from trayvision.light.kit_white import WhiteCells
from trayvision.measurement import Measurement

FloatArray = npt.NDArray[np.float64]

# Prior standard deviations of the log illumination's terms 1, u, v, uv, u2, v2, with u and v
# the tray's coordinates over its half length and half width: a lamp over one side doubles the
# light there, and what the whites do not show (u2 lies between the bars) stays this uncertain.
_LEVEL_PRIOR: Final = np.array([10.0, 0.4, 0.3, 0.15, 0.12, 0.12])
_CHROMA_PRIOR: Final = np.array([10.0, 0.05, 0.05, 0.02, 0.02, 0.02])
# Standard uncertainty of a clipped white's log level above its lower bound, and of its colour.
_CLIPPED_LEVEL: Final = 0.25
_CLIPPED_CHROMA: Final = 0.10
# The tags' paper and the bar between them need not be the same white.
_BAR_LEVEL_PRIOR: Final = 0.15
_BAR_CHROMA_PRIOR: Final = 0.03
# A white known only to lie beyond the range lies about this far beyond (log).
_UNTOLD_ABOVE: Final = 0.4
_UNTOLD_SIGMA: Final = 0.5
_CAUCHY: Final = 2.4
_TELLING_SIGMA: Final = 0.6
_SAYS_NOTHING: Final = 100.0
_ITERATIONS: Final = 8


@dataclass(frozen=True, eq=False)
class IlluminationField:
    """Log illumination per channel over a tray.

    Parameters
    ----------
    log_white : (3,) float array
        Log of the white's linear RGB at the tray's centre.
    coefficients : (6, 3) float array
        Log illumination relative to the centre: factors of 1 (zero), u, v, uv, u2, v2 with
        u = x / half length and v = y / half width.
    half_size_mm : (2,) float array
    level_covariance : (6, 6) float array
        Of the log level at the centre, and of the factors of u, v, uv, u2, v2.
    level_uncertainty, chroma_uncertainty : float
        Standard uncertainty of the log level, and of the log ratio of channels, at the centre.
    chroma_change : float
        Largest change of a log ratio of channels from end to end, side to side or across the
        diagonals, less twice its standard uncertainty; 0 when it could be none.
    """

    log_white: FloatArray
    coefficients: FloatArray
    half_size_mm: FloatArray
    level_covariance: FloatArray
    level_uncertainty: float
    chroma_uncertainty: float
    chroma_change: float

    def relative_at(self, xy_mm: FloatArray) -> FloatArray:
        """Illumination relative to the tray's centre at tray points; (..., 2) to (..., 3)."""
        return np.asarray(np.exp(_terms(xy_mm / self.half_size_mm) @ self.coefficients))

    @property
    def unevenness(self) -> Measurement:
        """(Largest - smallest) / mean luminance of a white that filled the opening.

        Its brightest and darkest places change with the level's terms, and the whites lie at
        the ends only: so its uncertainty is the root mean square change over the points of the
        spherical cubature rule (Arasaratnam, Haykin, IEEE Trans. Automat. Control 54 (2009)
        1254), not a slope. The colour's terms hardly change the luminance.
        """
        found = self._unevenness_with(np.zeros(6))
        free = self.level_covariance[1:, 1:]
        steps = np.linalg.cholesky(free * len(free)).T
        others = [
            self._unevenness_with(np.append(0.0, sign * step)) for step in steps for sign in (-1, 1)
        ]
        return Measurement(found, float(np.sqrt(np.mean((np.array(others) - found) ** 2))), "1")

    def _unevenness_with(self, change: FloatArray) -> float:
        across = np.linspace(-1.0, 1.0, 9)
        terms = _terms(np.stack(np.meshgrid(across, across), axis=-1))
        log = self.log_white + terms @ (self.coefficients + change[:, None])
        luminance = np.exp(log) @ LUMINANCE_WEIGHTS
        return float(np.ptp(luminance) / luminance.mean())


def flat_field(half_size_mm: FloatArray, *, level: float, chroma: float) -> IlluminationField:
    """Even light of unknown colour, with these standard uncertainties of its logarithm."""
    covariance = np.diag(np.append(level, _LEVEL_PRIOR[1:]) ** 2)
    return IlluminationField(
        np.zeros(3), np.zeros((6, 3)), half_size_mm, covariance, level, chroma, 0.0
    )


def fit_field(cells: WhiteCells, half_size_mm: FloatArray) -> IlluminationField:
    """Fit a low-order polynomial to the log of the whites by robust Bayesian least squares.

    Terms that the seen whites do not carry keep their prior, zero, and their prior's
    uncertainty. A clipped white is a lower bound.

    Parameters
    ----------
    cells : WhiteCells
        At least one.
    half_size_mm : (2,) float array
        Half length and half width of the tray.
    """
    # What changes across a bar's 40 mm is gloss and the strip's shadow, and says nothing of the
    # light between the bars: every white counts as at its tray's end.
    uv = np.clip(cells.xy_mm / half_size_mm, -1, 1)
    terms = np.column_stack([_terms(uv), ~cells.beside_tag])
    log = np.log(np.maximum(cells.linear_rgb, 1e-4))
    # The channel that the photo's range cut off least carries the level, if it is whole enough.
    share = cells.clipped.mean(axis=0)
    first = int(share.argmin()) if share.min() < 0.5 else 1
    cut = cells.clipped[:, first]
    samples = _Samples(terms, log[:, first], cells.level_sigma, cut, _CLIPPED_LEVEL)
    level, level_covariance = _posterior(samples, np.append(_LEVEL_PRIOR, _BAR_LEVEL_PRIOR))
    level_std = float(level_covariance[0, 0]) ** 0.5
    if cut.any() and not _told(samples):
        level[0] += _UNTOLD_ABOVE
        level_std = float(np.hypot(level_std, _UNTOLD_SIGMA))
    coefficients = np.repeat(level[:6, None], 3, axis=1)
    unknown = np.where(cut, _shared(_CLIPPED_CHROMA, cut), cells.chroma_sigma)
    deviations, changes = [], []
    for channel in {0, 1, 2} - {first}:
        bound = cells.clipped[:, channel] & ~cut
        ratio, covariance = _posterior(
            _Samples(terms, log[:, channel] - log[:, first], unknown, bound, _CLIPPED_CHROMA),
            np.append(_CHROMA_PRIOR, _BAR_CHROMA_PRIOR),
        )
        coefficients[:, channel] += ratio[:6]
        deviations.append(float(covariance[0, 0]) ** 0.5)
        changes.append(_change(ratio[:6], covariance[:6, :6]))
    log_white = coefficients[0].copy()
    coefficients[0] = 0.0
    return IlluminationField(
        log_white,
        coefficients,
        half_size_mm,
        level_covariance[:6, :6],
        level_std,
        max(deviations),
        max(changes),
    )


def _terms(uv: FloatArray) -> FloatArray:
    u, v = uv[..., 0], uv[..., 1]
    return np.stack([np.ones_like(u), u, v, u * v, u * u, v * v], axis=-1)


def _shared(sigma: float, members: npt.NDArray[np.bool_]) -> float:
    """Standard uncertainty of each member when their mean shall keep `sigma`."""
    return sigma * float(np.sqrt(max(int(members.sum()), 1)))


@dataclass(frozen=True, eq=False)
class _Samples:
    """Values at cells with their standard uncertainties; lower bounds have their own above."""

    terms: FloatArray
    values: FloatArray
    sigma: FloatArray
    lower_bound: npt.NDArray[np.bool_]
    sigma_above: float


def _posterior(samples: _Samples, prior: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Coefficients with a zero-mean normal prior, and their covariance.

    Cauchy weights, scaled by each value's own uncertainty, take shadowed or soiled whites out.
    A lower bound pulls a fit that lies beneath it up and hardly pulls down one above it; how
    far above the truth lies stays uncertain.
    """
    terms, values, bound = samples.terms, samples.values, samples.lower_bound
    # Where something better was seen, a bound says nothing of how far above it the truth lies.
    above = _SAYS_NOTHING if _told(samples) else _shared(samples.sigma_above, bound)
    coefficients: FloatArray = np.zeros(prior.size)
    # From above, or the bounds would hold the fit down at the range's end.
    coefficients[0] = max(
        np.percentile(values, 75), np.median(values[~bound]) if (~bound).any() else -np.inf
    )
    for _ in range(_ITERATIONS):
        residual = values - terms @ coefficients
        sigma = np.where(bound & (residual < 0), above, samples.sigma)
        weight = 1 / (sigma**2 * (1 + (residual / (_CAUCHY * sigma)) ** 2))
        precision = (terms.T * weight) @ terms + np.diag(1 / prior**2)
        coefficients = np.asarray(
            np.linalg.solve(precision, terms.T @ (weight * values)), dtype=np.float64
        )
    weight = np.where(bound, np.minimum(weight, 1 / above**2), weight)
    precision = (terms.T * weight) @ terms + np.diag(1 / prior**2)
    return coefficients, np.asarray(np.linalg.inv(precision), dtype=np.float64)


def _told(samples: _Samples) -> bool:
    """Whether values that are no mere bounds tell the level to `_TELLING_SIGMA` together."""
    precision = np.sum(1 / samples.sigma[~samples.lower_bound] ** 2)
    return bool(precision > 1 / _TELLING_SIGMA**2)


def _change(coefficients: FloatArray, covariance: FloatArray) -> float:
    ends = np.array([[-1.0, 0], [0, -1], [-1, -1], [-1, 1]])
    contrast = _terms(-ends) - _terms(ends)
    spread = np.sqrt(np.einsum("ij,jk,ik->i", contrast, covariance, contrast))
    return float(np.max(np.maximum(abs(contrast @ coefficients) - 2 * spread, 0)))
