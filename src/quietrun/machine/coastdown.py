"""How a shaft runs down: dw/dt = -(a + b w + c w^2), solved and fitted.

Friction that does not ask for speed (Coulomb: bearings' seals, a rub), friction that grows
with it (viscous: grease) and air (windage: the fan), each divided by the inertia.

Conventions
-----------
``w`` is a speed in any unit of speed (rad/s, turns per second, share of running speed); then
``a`` is in that unit per second, ``b`` in 1/s and ``c`` in 1/(unit s). Times are s from the
moment of ``w0``. ``a``, ``b``, ``c`` are never negative: drag only slows.

The equation is a Riccati equation with constant coefficients; written as w = y / x with
y' = -b/2 y - a x, x' = b/2 x + c y it is linear, and its matrix squares to
(b^2/4 - a c) times one. So with s = b^2/4 - a c and T(t) = tanh(sqrt(s) t) / sqrt(s)
(tan where s < 0, t where s = 0)

    w(t) = (w0 - (a + b w0 / 2) T) / (1 + (b/2 + c w0) T)

holds for all cases alike, and the time from w0 down to w1 solves
T = (w0 - w1) / (a + b (w0 + w1) / 2 + c w0 w1). The textbook forms, one for each case, are in
``tests/test_machine_coastdown.py``.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import product

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]

_HUBER = 1.345  # 95 % efficient for Gaussian errors (Huber 1964)
_ROUNDS = 12


@dataclass(frozen=True, slots=True)
class DragShares:
    """Shares of the drag torque at one speed; they add up to 1."""

    coulomb: float
    viscous: float
    windage: float


@dataclass(frozen=True, slots=True)
class DragFit:
    """A run-down fitted.

    Attributes
    ----------
    a, b, c : see the module
    w0 : speed
        Fitted speed at ``time_s[0]``.
    rms : speed
        Weighted root mean square of what the fit leaves over, outliers held.
    stop_s : s
        From ``time_s[0]`` to rest by the fit; infinite where the fit has no Coulomb part.
    stop_spread_s : s
        Standard error of ``stop_s`` from the residuals, taken as independent; infinite
        where the data do not bind it.
    """

    a: float
    b: float
    c: float
    w0: float
    rms: float
    stop_s: float
    stop_spread_s: float


def speed(time_s: ArrayLike, a: float, b: float, c: float, w0: float) -> Floats:
    """Speed against time, 0 from the stop on.

    Parameters
    ----------
    time_s : shape (n,), s
        From the moment of ``w0``; not negative.
    a, b, c, w0 : see the module

    Returns
    -------
    shape (n,), unit of ``w0``

    Raises
    ------
    ValueError
        A negative coefficient or speed.
    """
    _check(a, b, c, w0)
    t = np.asarray(time_s, dtype=np.float64)
    stop = stop_time(a, b, c, w0)
    inside = np.minimum(t, stop) if math.isfinite(stop) else t
    return np.where(t < stop, _speed(inside, a, b, c, w0), 0.0)


def time_to(w1: float, a: float, b: float, c: float, w0: float) -> float:
    """Time from ``w0`` down to ``w1``, s; infinite where it is never reached.

    Raises
    ------
    ValueError
        A negative coefficient, or ``w1`` not within 0 .. ``w0``.
    """
    _check(a, b, c, w0)
    if not 0.0 <= w1 <= w0:
        raise ValueError(f"w1 must lie within 0 .. {w0!r}, got {w1!r}")
    if w1 == w0:
        return 0.0
    mean_drag = a + b * (w0 + w1) / 2.0 + c * w0 * w1
    if mean_drag == 0.0 or (w1 == 0.0 and a == 0.0):
        return math.inf
    return _inverse_tangent((w0 - w1) / mean_drag, b * b / 4.0 - a * c)


def stop_time(a: float, b: float, c: float, w0: float) -> float:
    """Time to rest, s; infinite without a Coulomb part."""
    return time_to(0.0, a, b, c, w0)


def half_speed_time(a: float, b: float, c: float, w0: float) -> float:
    """Time to half of ``w0``, s."""
    return time_to(w0 / 2.0, a, b, c, w0)


def drag_shares(a: float, b: float, c: float, w: float) -> DragShares:
    """How the drag at speed ``w`` splits.

    Raises
    ------
    ValueError
        No drag at all, a negative coefficient or speed.
    """
    _check(a, b, c, w)
    parts = (a, b * w, c * w * w)
    total = sum(parts)
    if total == 0.0:
        raise ValueError("no drag at this speed")
    return DragShares(*(part / total for part in parts))


def retardation_power_w(inertia_kg_m2: float, speed_rpm: float, slowing_rpm_s: float) -> float:
    """Power that slows a rotor: (2 pi / 60)^2 J N dN/dt, W (the retardation test)."""
    return (2.0 * math.pi / 60.0) ** 2 * inertia_kg_m2 * speed_rpm * slowing_rpm_s


def fit_drag(time_s: ArrayLike, w: ArrayLike, weight: ArrayLike | None = None) -> DragFit:
    """Fit ``a``, ``b``, ``c`` (none negative) and ``w0`` to a falling speed.

    A first guess solves the integrated equation
    w(t) = w0 - a t - b int w - c int w^2 by non-negative least squares; Gauss-Newton steps on
    the closed form refine it, with Huber weights so that a few wild points do no harm.

    Parameters
    ----------
    time_s : shape (n,), s, increasing, n >= 6
    w : shape (n,), any unit of speed, not all zero
        Points at rest are not wanted: the model has no rest.
    weight : shape (n,) or None
        Trust in each point (inverse variance up to a factor). ``None``: all alike.

    Returns
    -------
    DragFit

    Raises
    ------
    ValueError
        Shapes differ, too few points with weight, times not increasing, or nothing falls.
    """
    t, y, trust = _checked(time_s, w, weight)
    span, top = float(t[-1] - t[0]), float(np.median(y[: max(3, y.size // 10)]))
    t, y = (t - t[0]) / span, y / top
    params = _first_guess(t, y, trust)
    left, cov = math.inf, np.full((4, 4), math.inf)
    residual = _residual(t, y, params)
    for _ in range(_ROUNDS):
        robust, left = _huber(residual, trust)
        step, cov = _bounded_step(_slopes(t, params), residual, robust, params)
        params, residual, moved = _walk(t, y, robust, params, residual, step)
        if moved < 1e-6:
            break
    w0, a, b, c = (float(value) for value in params)
    stop = stop_time(a, b, c, w0)
    spread = _stop_spread(params, cov, left, stop)
    return DragFit(
        a=a * top / span,
        b=b / span,
        c=c / (top * span),
        w0=w0 * top,
        rms=left * top,
        stop_s=stop * span,
        stop_spread_s=spread * span,
    )


def _check(a: float, b: float, c: float, w0: float) -> None:
    if not (a >= 0.0 and b >= 0.0 and c >= 0.0 and w0 >= 0.0):
        raise ValueError(f"drag and speed are not negative, got {(a, b, c, w0)!r}")


def _tangent(t: Floats, s: float) -> Floats:
    """Evaluate T(t) of the module."""
    root = math.sqrt(abs(s))
    if root * float(np.max(t, initial=0.0)) < 1e-4:
        return t * (1.0 - s * t * t / 3.0)
    return np.tanh(root * t) / root if s > 0.0 else np.tan(root * t) / root


def _inverse_tangent(value: float, s: float) -> float:
    """Time at which T reaches ``value``."""
    root = math.sqrt(abs(s))
    if root * value < 1e-4:
        return value * (1.0 + s * value * value / 3.0)
    if s < 0.0:
        return math.atan(root * value) / root
    return math.atanh(root * value) / root if root * value < 1.0 else math.inf


def _speed(t: Floats, a: float, b: float, c: float, w0: float) -> Floats:
    tangent = _tangent(t, b * b / 4.0 - a * c)
    bottom = 1.0 + (b / 2.0 + c * w0) * tangent
    return np.asarray((w0 - (a + b * w0 / 2.0) * tangent) / bottom)


def _checked(
    time_s: ArrayLike, w: ArrayLike, weight: ArrayLike | None
) -> tuple[Floats, Floats, Floats]:
    t = np.asarray(time_s, dtype=np.float64)
    y = np.asarray(w, dtype=np.float64)
    trust = np.ones_like(y) if weight is None else np.asarray(weight, dtype=np.float64)
    if t.ndim != 1 or t.shape != y.shape or t.shape != trust.shape:
        raise ValueError(f"shapes differ: {t.shape}, {y.shape}, {trust.shape}")
    if not (np.isfinite(t).all() and np.isfinite(y).all() and np.isfinite(trust).all()):
        raise ValueError("times, speeds and weights must be finite")
    if (trust < 0.0).any() or int((trust > 0.0).sum()) < 6:
        raise ValueError("at least 6 points with a positive weight are needed")
    if not (np.diff(t) > 0.0).all():
        raise ValueError("times must increase")
    third = max(2, y.size // 3)
    if not np.median(y[:third]) > max(0.0, float(np.median(y[-third:]))):
        raise ValueError("the speed does not fall")
    return t, y, trust / trust.max()


def _non_negative(gram: Floats, right: Floats, free: int = 1) -> Floats:
    """Minimise x'Gx/2 - r'x with all but the first ``free`` unknowns not negative.

    Exact by trying every set of unknowns held at zero: there are at most eight.
    """
    size = right.size
    best, best_value = np.zeros(size), math.inf
    for held in product((False, True), repeat=size - free):
        use = np.array([True] * free + [not h for h in held])
        try:
            part = np.linalg.solve(gram[np.ix_(use, use)], right[use])
        except np.linalg.LinAlgError:
            continue
        if (part[free:] < 0.0).any():
            continue
        value = -0.5 * float(right[use] @ part)
        if value < best_value:
            best, best_value = np.zeros(size), value
            best[use] = part
            if not any(held):
                break  # the unbounded optimum is allowed: nothing can be better
    return best


def _first_guess(t: Floats, y: Floats, trust: Floats) -> Floats:
    smooth = y.copy()
    if y.size >= 5:
        smooth[2:-2] = np.median(np.lib.stride_tricks.sliding_window_view(y, 5), axis=1)
    gaps = np.diff(t)
    columns = [np.ones_like(t)]
    for rate in (np.ones_like(y), smooth, smooth * smooth):
        whole = np.concatenate(([0.0], np.cumsum(gaps * (rate[1:] + rate[:-1]) / 2.0)))
        columns.append(-whole)
    table = np.stack(columns, axis=1)
    gram = table.T @ (table * trust[:, None]) + 1e-9 * np.eye(4)
    guess = _non_negative(gram, table.T @ (trust * smooth))
    guess[0] = max(guess[0], 1e-3)
    return _until_the_end(guess, t)


def _until_the_end(params: Floats, t: Floats) -> Floats:
    """Shrink the drag so that the model still turns at the last point, where w was seen."""
    w0, a, b, c = params
    stop = stop_time(float(a), float(b), float(c), float(w0))
    if stop < t[-1]:
        params = params.copy()
        params[1:] *= 0.999 * stop / t[-1]
    return params


def _slopes(t: Floats, params: Floats) -> Floats:
    """Differentiate the closed form by w0, a, b, c, shape (n, 4)."""
    w0, a, b, c = (float(value) for value in params)
    base = (w0, a, b, c)
    out = np.empty((t.size, 4))
    here = _speed(t, a, b, c, w0)
    for i in range(4):
        step = 1e-6 * max(1.0, base[i])
        moved = list(base)
        moved[i] += step
        out[:, i] = (_speed(t, moved[1], moved[2], moved[3], moved[0]) - here) / step
    return out


def _residual(t: Floats, y: Floats, params: Floats) -> Floats:
    w0, a, b, c = (float(value) for value in params)
    return y - _speed(t, a, b, c, w0)


def _walk(
    t: Floats, y: Floats, weight: Floats, params: Floats, residual: Floats, step: Floats
) -> tuple[Floats, Floats, float]:
    """Go as far along the step as makes the fit better; how far that was comes last."""
    before = float(weight @ residual**2)
    for share in (1.0, 0.5, 0.25, 0.1):
        there = params + share * step
        left = _residual(t, y, there)
        if float(weight @ left**2) <= before:
            return there, left, share * float(np.abs(step).max())
    return params, residual, 0.0


def _huber(residual: Floats, trust: Floats) -> tuple[Floats, float]:
    """Weights against outliers, and the scale of the residuals (normalised MAD)."""
    scale = 1.4826 * float(np.median(np.abs(residual[trust > 0.0]))) + 1e-12
    size = np.abs(residual) * np.sqrt(trust) / scale
    return trust * np.minimum(1.0, _HUBER / np.maximum(size, _HUBER)), scale


def _bounded_step(
    slopes: Floats, residual: Floats, weight: Floats, params: Floats
) -> tuple[Floats, Floats]:
    """One Gauss-Newton step that keeps a, b, c from going negative, and its covariance."""
    heavy = slopes * weight[:, None]
    gram = slopes.T @ heavy
    gram += 1e-10 * np.trace(gram) * np.eye(4)
    target = residual + slopes @ params
    new = _non_negative(gram, heavy.T @ target)
    step = new - params
    largest = float(np.abs(step).max())
    if largest > 1.0:
        step /= largest
    use = np.concatenate(([True], new[1:] > 0.0))
    cov = np.zeros((4, 4))
    cov[np.ix_(use, use)] = np.linalg.inv(gram[np.ix_(use, use)])
    return step, cov


def _stop_spread(params: Floats, cov: Floats, scale: float, stop: float) -> float:
    if not math.isfinite(stop):
        return math.inf
    w0, a, b, c = (float(value) for value in params)
    gradient = np.empty(4)
    base = [a, b, c, w0]
    for i, at in enumerate((3, 0, 1, 2)):
        moved = base.copy()
        step = 1e-5 * max(1e-2, moved[at])
        moved[at] += step
        gradient[i] = (stop_time(moved[0], moved[1], moved[2], moved[3]) - stop) / step
    return float(scale * math.sqrt(max(0.0, float(gradient @ cov @ gradient))))
