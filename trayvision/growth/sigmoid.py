"""Three sigmoids — logistic, Gompertz, Richards — over one set of parameters that growers know."""

from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]

# exp(500) is finite in double precision; beyond it every shape is 0 or its asymptote.
_EXPONENT_LIMIT = 500.0

# Skews beyond e^3 or below e^-3 are no longer told apart by any reading of a tray.
LOG_SKEW_LIMIT = 3.0


class Shape(StrEnum):
    """A sigmoid; its parameters are (log asymptote, half age, log width[, log skew]).

    *Asymptote* is the final value, *half age* the age at half of it, *width* the time from
    10 % to 90 % of it. All three mean the same for every shape, so that past runs fitted by
    one shape teach another. *Skew* is Richards' exponent: 1 gives the logistic, the limit 0
    the Gompertz curve.

    Notes
    -----
    With ``g(u) = (1 + skew exp(-u)) ** (-1 / skew)`` and ``u`` linear in age. Forms after
    F. J. Richards, J. Exp. Bot. 10 (1959) 290; the same family as in NIST StRD Rat42
    (logistic) and Rat43 (Richards, its b4 is the skew) and R's ``SSgompertz``.
    """

    LOGISTIC = "logistic"
    GOMPERTZ = "gompertz"
    RICHARDS = "richards"

    @property
    def parameters(self) -> int:
        """How many parameters the shape has: 4 for Richards, else 3."""
        return 4 if self is Shape.RICHARDS else 3


@dataclass(frozen=True, slots=True)
class GrowthLandmarks:
    """What a fitted sigmoid says in plain terms.

    Parameters
    ----------
    asymptote : float
        Final value, in the unit of the points.
    inflection_age : float
        Age of fastest growth, in the unit of the ages.
    max_rate : float
        Growth at that age, unit of the points per unit of age.
    width_10_90 : float
        Time from 10 % to 90 % of the asymptote, in the unit of the ages.
    """

    asymptote: float
    inflection_age: float
    max_rate: float
    width_10_90: float


def _skew(shape: Shape, theta: Floats) -> Floats:
    if shape is Shape.RICHARDS:
        return np.exp(np.clip(theta[..., 3], -LOG_SKEW_LIMIT, LOG_SKEW_LIMIT))
    return np.full(theta.shape[:-1], 1.0 if shape is Shape.LOGISTIC else 0.0)


def _log_g(shape: Shape, u: Floats, skew: Floats) -> Floats:
    decay = np.exp(-u)
    if shape is Shape.GOMPERTZ:
        return -decay
    return np.asarray(-np.log1p(skew * decay) / skew)


def _quantile(shape: Shape, share: ArrayLike, skew: Floats) -> Floats:
    """The u at which g(u) is `share`."""
    log_share = np.log(share)
    if shape is Shape.GOMPERTZ:
        return np.asarray(-np.log(-log_share) + np.zeros_like(skew))
    return np.asarray(-np.log(np.expm1(-skew * log_share) / skew))


def _quantile_slope(share: float, skew: Floats) -> Floats:
    """Derivative of `_quantile` with the skew, for Richards."""
    log_share = np.log(share)
    return np.asarray(1.0 / skew - log_share / np.expm1(skew * log_share))


def _placed(shape: Shape, theta: Floats, age: Floats) -> tuple[Floats, Floats, Floats]:
    """(u at each age, du/d(age), skew), each with a trailing axis for the ages."""
    skew = _skew(shape, theta)[..., None]
    span = _quantile(shape, 0.9, skew) - _quantile(shape, 0.1, skew)
    rate = span * np.exp(-theta[..., 2, None])
    u = _quantile(shape, 0.5, skew) + rate * (age - theta[..., 1, None])
    return np.clip(u, -_EXPONENT_LIMIT, _EXPONENT_LIMIT), rate, skew


def sigmoid(shape: Shape, theta: ArrayLike, age: ArrayLike) -> Floats:
    """Value of a sigmoid.

    Parameters
    ----------
    shape : Shape
        Which sigmoid.
    theta : array_like, shape (..., 3) or (..., 4)
        Parameters as in `Shape`; leading axes are sets of parameters.
    age : array_like, shape (n,)
        Ages, in any one unit.

    Returns
    -------
    ndarray, shape (..., n)
        Values in the unit of the asymptote.
    """
    theta, age = np.asarray(theta, float), np.atleast_1d(np.asarray(age, float))
    u, _, skew = _placed(shape, theta, age)
    return np.asarray(np.exp(theta[..., 0, None] + _log_g(shape, u, skew)))


def sigmoid_jacobian(shape: Shape, theta: ArrayLike, age: ArrayLike) -> Floats:
    """Derivatives of `sigmoid` with its parameters, shape (n, parameters), for one `theta`."""
    theta, age = np.asarray(theta, float), np.atleast_1d(np.asarray(age, float))
    u, rate, skew = _placed(shape, theta, age)
    value = np.exp(theta[0] + _log_g(shape, u, skew))
    decay = np.exp(-u)
    slope_u = value * decay / (1.0 + skew * decay)
    columns = [value, -slope_u * rate, -slope_u * rate * (age - theta[1])]
    if shape is Shape.RICHARDS:
        at_fixed_u = value * (np.log1p(skew * decay) / skew - decay / (1.0 + skew * decay)) / skew
        span_slope = _quantile_slope(0.9, skew) - _quantile_slope(0.1, skew)
        u_slope = _quantile_slope(0.5, skew) + span_slope * np.exp(-theta[2]) * (age - theta[1])
        columns.append(skew * (at_fixed_u + slope_u * u_slope))
    return np.stack(columns, axis=-1)


def age_at_value(shape: Shape, theta: ArrayLike, value: float) -> Floats:
    """Age at which a sigmoid passes `value`; inf where its asymptote lies at or below it.

    Parameters
    ----------
    shape : Shape
        Which sigmoid.
    theta : array_like, shape (..., 3) or (..., 4)
        Parameters as in `Shape`.
    value : float
        Positive, in the unit of the asymptote.

    Returns
    -------
    ndarray, shape (...)
        Ages.

    Raises
    ------
    ValueError
        If `value` is not positive and finite.
    """
    if not (np.isfinite(value) and value > 0):
        raise ValueError(f"value must be positive and finite, got {value!r}")
    theta = np.asarray(theta, float)
    skew = _skew(shape, theta)
    share = value * np.exp(-theta[..., 0])
    reached = share < 1.0
    safe_share = np.where(reached, np.maximum(share, 1e-300), 0.5)
    span = _quantile(shape, 0.9, skew) - _quantile(shape, 0.1, skew)
    steps = (_quantile(shape, safe_share, skew) - _quantile(shape, 0.5, skew)) / span
    return np.where(reached, theta[..., 1] + steps * np.exp(theta[..., 2]), np.inf)


def landmarks(shape: Shape, theta: ArrayLike) -> GrowthLandmarks:
    """Asymptote, age and rate of fastest growth, and 10–90 % width of one sigmoid."""
    theta = np.asarray(theta, float)
    skew = _skew(shape, theta)
    width = float(np.exp(theta[2]))
    rate = float(_quantile(shape, 0.9, skew) - _quantile(shape, 0.1, skew)) / width
    asymptote = float(np.exp(theta[0]))
    # Fastest growth is at u = 0 for the whole family, where dg/du = g / (1 + skew).
    at_inflection = float(np.exp(_log_g(shape, np.zeros(()), skew)) / (1.0 + skew))
    return GrowthLandmarks(
        asymptote=asymptote,
        inflection_age=float(theta[1] - _quantile(shape, 0.5, skew) / rate),
        max_rate=asymptote * rate * at_inflection,
        width_10_90=width,
    )
