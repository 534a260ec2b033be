"""``quietrun example``: hear what a fault sounds like."""

from __future__ import annotations

import os
from typing import Any

import click

from quietrun.cli.options import json_option
from quietrun.cli.output import say
from quietrun.errors import UsageError
from quietrun.words import FAULT_TITLES, FAULTS, POSSIBLE, STAGES

CLEAR_SNR_DB = 30.0  # a quiet room: an example is for listening


@click.command()
@click.argument("sound", metavar="FAULT|quiet", type=click.Choice(["quiet", *FAULTS]))
@click.option(
    "-o",
    "--output",
    required=True,
    type=click.Path(dir_okay=False),
    metavar="OUT.wav|OUT.flac",
    help="File to write.",
)
@click.option(
    "--severity",
    type=click.FloatRange(0.0, 1.0),
    default=0.7,
    show_default=True,
    help="How far the fault stands out: at 0.2 it just reaches the machine's own sound, "
    "at 1.0 it stands about 20 dB over it.",
)
@click.option(
    "--seed",
    type=click.IntRange(0),
    default=1,
    show_default=True,
    help="Another number: another machine, room and phone.",
)
@click.option(
    "--stage",
    type=click.Choice(STAGES),
    default="assembled",
    show_default=True,
    help="What is assembled.",
)
@click.option(
    "--mains",
    type=click.Choice(["50", "60"]),
    default="50",
    show_default=True,
    help="Mains frequency, Hz.",
)
@click.option("--phone", type=click.IntRange(0), help="Number of a made-up phone; else by seed.")
@click.option("--force", is_flag=True, help="Write over a file that is there.")
@json_option
def example(sound: str, output: str, force: bool, as_json: bool, **told: Any) -> None:
    """Write a made-up clip of a FAULT, or of a quiet machine.

    Nothing in it was recorded: it is computed, so that you can hear what the
    tool means by a word. The faults: bearing_noise, impeller_rub,
    pre_breaker_wobble, burr_contact.
    """
    if os.path.exists(output) and not force:
        raise UsageError(
            f"{output} is there already.",
            "It might be a recording that you need.",
            "Name another file, or say --force.",
        )
    if sound != "quiet" and sound not in POSSIBLE[told["stage"]]:
        raise UsageError(
            f"{FAULT_TITLES[sound].capitalize()} is not possible at stage {told['stage']}.",
            "The parts that make it are not there.",
            f"Possible there: {', '.join(sorted(POSSIBLE[told['stage']]))}.",
        )

    from quietrun.report.contract import to_json
    from quietrun.synth import render
    from quietrun.synth.write import write_sound

    made = render(_recipe(sound, **told))
    write_sound(made, output)
    if as_json:
        say(to_json({"file": output, "truth": made.truth}))
        return
    what = "a quiet machine"
    if sound != "quiet":
        what = f"{FAULT_TITLES[sound]} at severity {told['severity']:g}"
    say(f"{output}: {what}, {made.truth['duration_s']:.1f} s, computed, not recorded.")


def _recipe(
    sound: str, *, severity: float, seed: int, stage: str, mains: str, phone: int | None
) -> Any:
    import numpy as np

    from quietrun.synth import draw_recipe

    fixed: dict[str, Any] = {
        "stage": stage,
        "mains_hz": float(mains),
        "faults": {} if sound == "quiet" else {sound: severity},
        "snr_db": CLEAR_SNR_DB,
    }
    if phone is not None:
        fixed["phone"] = phone
    return draw_recipe(np.random.default_rng(seed), **fixed)
