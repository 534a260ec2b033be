"""``check --hear``: the files of a whole clip, listened to by numbers through another reader.

Nothing of ``exhibits`` is asked: file names say what is in a file, and the standard library's
``wave`` and plain arithmetic say whether it is.
"""

import re
import wave
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from quietrun.cli import main
from quietrun.exhibits.passages import SLOWER

DEMO = Path(__file__).parents[1] / "synthetic_audio"
NAME = re.compile(r"(\d)_([a-z_]+?)_(\d+\.\d)-(\d+\.\d)_kHz(_quiet_machine)?(_4x_slower)?\.wav")


def listen(path):
    """Samples and rate of a wav file."""
    with wave.open(str(path)) as file:
        assert (file.getnchannels(), file.getsampwidth()) == (1, 2)
        raw = np.frombuffer(file.readframes(file.getnframes()), "<i2")
        return raw / 32768.0, file.getframerate()


def inside(samples, rate_hz, lo, hi):
    power = np.abs(np.fft.rfft(samples)) ** 2
    hz = np.fft.rfftfreq(samples.size, 1 / rate_hz)
    return power[(hz >= lo) & (hz <= hi)].sum() / power.sum()


@pytest.fixture(scope="module", params=["bearing", "impeller"])
def heard(request, tmp_path_factory):
    """Parsed name to samples and rate, and what the program said."""
    folder = tmp_path_factory.mktemp("hear")
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("QUIETRUN_HOME", str(folder / "home"))
        args = ["check", str(DEMO / f"{request.param}.opus"), "--hear", str(folder / "sounds")]
        result = CliRunner().invoke(main, args)
    assert result.exit_code == 1, result.stderr
    found = {path.name: listen(path) for path in (folder / "sounds").iterdir()}
    return found, result.stderr


def passages(found):
    return {name: NAME.fullmatch(name) for name in found if name != "0_whole_clip.wav"}


def test_names_are_plain_and_each_is_told(heard):
    found, said = heard
    assert len(found) > 8
    for name, parsed in passages(found).items():
        assert parsed is not None, name
        assert name in said
    assert "Sounds of a quiet machine are from a made-up quiet machine" in said


def test_each_has_the_same_loudness_and_no_clipped_sample(heard):
    found, _ = heard
    for name, (samples, _) in found.items():
        level_db = 10 * np.log10(np.mean(samples**2))
        peak_db = 20 * np.log10(np.abs(samples).max())
        assert peak_db <= -0.99, name
        assert level_db == pytest.approx(-20.0, abs=0.1) or peak_db == pytest.approx(-1.0, abs=0.1)
        assert level_db < -19.9, name


def test_each_holds_its_band_where_it_is_said_to_lie(heard):
    """Bands from 5 kHz up, or beyond what 24 kHz carry, come down as a whole (not below 500 Hz)."""
    found, _ = heard
    shifted = 0
    for name, parsed in passages(found).items():
        samples, rate_hz = found[name]
        lo, hi = (1000.0 * float(parsed[i]) for i in (3, 4))
        slow = SLOWER if parsed[6] else 1
        if lo >= 5000.0 or hi > 0.46 * rate_hz:
            shifted += 1
            down = max(lo - 500.0, 0.0) if lo >= 5000.0 else hi - 0.46 * rate_hz
            lo, hi = lo - down, hi - down
        assert inside(samples, rate_hz, (lo - 60.0) / slow, (hi + 60.0) / slow) > 0.97, name
    assert shifted or not any("14.3" in name for name in found)


def test_what_is_slowed_lasts_four_times_as_long_as_the_piece_it_is_of(heard):
    """The end of the plain passage, 1.25 s, at a quarter of the pace: 5 s, and its envelope."""
    found, _ = heard
    seen = 0
    for name in found:
        plain = name.replace("_4x_slower", "")
        if plain == name:
            continue
        seen += 1
        (slow, rate_hz), (quick, _) = found[name], found[plain]
        piece_s = min(1.25, quick.size / rate_hz)
        assert slow.size / rate_hz == pytest.approx(4 * piece_s, abs=0.01), name
        # loudness in 60 steps over the same piece: the same course, at a quarter of the pace
        piece = quick[-round(piece_s * rate_hz) :]
        course = [
            np.array([np.mean(part**2) for part in np.array_split(x, 60)[3:-3]])
            for x in (piece, slow)
        ]
        assert np.corrcoef(*course)[0, 1] > 0.9, name
    assert seen >= 2


def test_beside_each_stands_the_quiet_machine_in_the_same_band(heard):
    found, _ = heard
    plain = [name for name in passages(found) if "quiet_machine" not in name]
    assert plain
    for name in plain:
        cut = name.replace("_4x_slower.wav", "").replace(".wav", "")
        slow = "_4x_slower" if "4x" in name else ""
        other = f"{cut}_quiet_machine{slow}.wav"
        assert other in found
        assert found[other][0].size > 0.3 * found[name][0].size
        assert not np.array_equal(found[other][0], found[name][0])
