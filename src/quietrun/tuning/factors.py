"""One-sided limits where the scatter is known better than from the own runs alone.

``dsp.stats`` holds the textbook factors, whose degrees of freedom are n - 1. Here the scatter
is pooled with the population's, so the degrees of freedom come by themselves; with
``dof = n - 1`` both agree (tested).
"""

from __future__ import annotations

import math


def pooled_tolerance_factor(n: int, dof: float, coverage: float, confidence: float) -> float:
    """One-sided tolerance factor k for a mean of n runs and a scatter with ``dof``.

    k = t'(confidence; dof, z_coverage sqrt(n)) / sqrt(n), t' the non-central t quantile
    (ISO 16269-6, several samples with common variance; from memory).

    Parameters
    ----------
    n : runs behind the mean, >= 1
    dof : degrees of freedom of the scatter, > 0
    coverage, confidence : 0..1
    """
    from scipy.stats import nct, norm

    if n < 1 or dof <= 0 or not (0 < coverage < 1 and 0 < confidence < 1):
        raise ValueError(f"no factor for n={n}, dof={dof}, {coverage}, {confidence}")
    return float(nct.ppf(confidence, dof, norm.ppf(coverage) * math.sqrt(n))) / math.sqrt(n)


def t_quantile(share: float, dof: float) -> float:
    """Quantile of Student's t."""
    from scipy.stats import t

    return float(t.ppf(share, dof))


def t_tail(x: float, dof: float) -> float:
    """Probability that Student's t exceeds x."""
    from scipy.stats import t

    return float(t.sf(x, dof))
