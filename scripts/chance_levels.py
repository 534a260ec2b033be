"""How high the mains comb and the shaft comb come by chance, in noise without a machine.

    python scripts/chance_levels.py [--draws 60]

The limits at which ``run/`` claims a hum or a speed are set over these.
"""

from __future__ import annotations

import click
import numpy as np

from quietrun.dsp.frames import frames_of
from quietrun.run.course import best_comb
from quietrun.run.speed import find_shaft


@click.command()
@click.option("--draws", default=60, show_default=True)
@click.option("--seed", default=5, show_default=True)
def main(draws: int, seed: int) -> None:
    """Print quantiles of the chance levels."""
    rng = np.random.default_rng(seed)
    found = []
    for i in range(draws):
        noise = rng.normal(0, 0.02, 480000)
        if i % 2:
            noise = 0.05 * np.cumsum(noise)
            noise -= np.convolve(noise, np.ones(4800) / 4800, "same")
        frames = frames_of(noise.astype(np.float32), 48000.0)
        comb, _, _ = best_comb(frames, None)
        shaft = find_shaft(frames, (3.0, 8.0), mains_hz=50.0, poles=None, top_hz=16000.0)
        z, margin = (0.0, 0.0) if shaft is None else (shaft.z, shaft.margin)
        found.append((comb.salience_db, max(comb.rises_db), z, margin))
    table = np.quantile(np.array(found), [0.5, 0.9, 0.97, 1.0], axis=0)
    click.echo("quantile  salience dB  best line dB  shaft z  shaft margin")
    for name, values in zip(("0.50", "0.90", "0.97", "1.00"), table, strict=True):
        click.echo(f"{name:8} " + "".join(f"{v:13.2f}" for v in values))


if __name__ == "__main__":
    main()
