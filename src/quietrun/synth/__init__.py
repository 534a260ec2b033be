"""Synthetic clips with known truth: a recipe and a seed in, samples and truth out.

Beside the flow: nothing here reads ``run``, ``evidence`` or ``judge``.
"""

from quietrun.synth.recipe import OTHER, Recipe, draw_recipe, source_models
from quietrun.synth.render import Sound, render

__all__ = ["OTHER", "Recipe", "Sound", "draw_recipe", "render", "source_models"]
