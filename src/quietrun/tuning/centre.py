"""A machine's own centre and scatter from few runs, leaning on the population.

With runs x_1..x_n, the population's centre m0, scatter between machines t and within one
machine s0 (known as firmly as nu0 runs would tell):

    s^2   = (nu0 s0^2 + sum (x_i - mean)^2) / (nu0 + n - 1)        pooled scatter
    w     = t^2 / (t^2 + s^2 / n)                                  weight of the own runs
    m     = w mean + (1 - w) m0                                    own centre, n < 5
    v     = t^2 (s^2 / n) / (t^2 + s^2 / n)                        its variance

the normal-normal shrinkage of any Bayes text (from memory: Gelman et al., Bayesian Data
Analysis, ch. 2 and 5), with s treated as known but for the degrees of freedom. From five runs
on the centre is the mean of the own runs alone (w = 1, v = s^2 / n).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from quietrun.judge.population import Spread

FIRM_RUNS = 5  # from here on tolerance limits of the own runs


@dataclass(frozen=True, slots=True)
class Centre:
    """Own centre and scatter of a quantity.

    Attributes
    ----------
    runs : int
    mean : of the own runs alone, None without any
    centre : shrunk centre
    centre_sd : its standard deviation
    run_sd : pooled scatter of single runs
    dof : degrees of freedom behind ``run_sd``
    weight : 0..1, share of the own runs in ``centre``
    """

    runs: int
    mean: float | None
    centre: float
    centre_sd: float
    run_sd: float
    dof: float
    weight: float

    @property
    def next_sd(self) -> float:
        """Scatter of the next run about ``centre``, with the centre's own doubt."""
        return math.hypot(self.run_sd, self.centre_sd)


def own_centre(runs: Sequence[float], spread: Spread | None) -> Centre:
    """Work out centre and scatter.

    Parameters
    ----------
    runs : own quiet runs
    spread : of the population; None: the own runs stand alone

    Raises
    ------
    ValueError
        No run at all, or fewer than two without a population.
    """
    n = len(runs)
    if n == 0 or (spread is None and n < 2):
        raise ValueError("without a population at least two runs are needed")
    mean = math.fsum(runs) / n
    squares = math.fsum((x - mean) ** 2 for x in runs)
    if spread is None:
        sd = math.sqrt(squares / (n - 1))
        return Centre(n, mean, mean, sd / math.sqrt(n), sd, n - 1, 1.0)
    dof = spread.dof + n - 1
    variance = (spread.dof * spread.within**2 + squares) / dof
    of_mean, of_machines = variance / n, spread.between**2
    if n >= FIRM_RUNS:
        return Centre(n, mean, mean, math.sqrt(of_mean), math.sqrt(variance), dof, 1.0)
    weight = of_machines / (of_machines + of_mean)
    return Centre(
        runs=n,
        mean=mean,
        centre=weight * mean + (1.0 - weight) * spread.centre,
        centre_sd=math.sqrt(weight * of_mean),
        run_sd=math.sqrt(variance),
        dof=dof,
        weight=weight,
    )
