"""``quietrun explain``: what a feature is."""

from __future__ import annotations

import difflib

import click

from quietrun.cli.output import page, say
from quietrun.errors import UsageError


@click.command()
@click.argument("feature", required=False)
def explain(feature: str | None) -> None:
    """Tell what a FEATURE is, or list all of them.

    The reasons under a verdict name features: what was measured, in which
    phase of the run and which band, what makes it worse, and where the
    physics comes from.
    """
    from quietrun.evidence import BY_NAME
    from quietrun.judge import load_model
    from quietrun.report.text import render_catalogue, render_feature

    if feature is None:
        say(render_catalogue(BY_NAME, page()))
        return
    if feature not in BY_NAME:
        near = difflib.get_close_matches(feature, BY_NAME, n=2)
        raise UsageError(
            f"There is no feature {feature!r}.",
            "Only what stands in the catalogue can be explained.",
            f"Did you mean {' or '.join(near)}?" if near else "List them with: quietrun explain",
        )
    say(render_feature(BY_NAME[feature], load_model(), page()))
