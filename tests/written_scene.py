"""A scene whose spectra are written down bin by bin, for tests of what is measured in it."""

import numpy as np

from quietrun.evidence.scene import Scene
from quietrun.run import Run


def written_scene(frames, *, spans, top_hz, **known):
    """A 25 Hz shaft on 50 Hz mains, without envelopes or noise levels but for what is given."""
    given = {
        "run": Run(),
        "envelopes": (),
        "noise_time": np.zeros(0),
        "noise": np.zeros((0, 13)),
        "noise_room": np.zeros(13),
        "shaft_hz": 25.0,
        "mains_hz": 50.0,
    }
    return Scene(frames=frames, top_hz=top_hz, spans=spans, **(given | known))
