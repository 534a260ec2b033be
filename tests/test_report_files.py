"""Where pages, pictures and sounds may be written, and that they are written whole."""

import io
import wave

import numpy as np
import pytest
from made_analyses import quiet
from made_exhibits import RATE_HZ, bare, beep, exhibit, named, passage

from quietrun.errors import UsageError
from quietrun.report.exhibit import Wave
from quietrun.report.files import (
    check_page_place,
    check_picture_place,
    check_sound_folder,
    write_page,
    write_sounds,
    write_whole,
)
from quietrun.report.page import render
from quietrun.report.page_sound import mp3, pcm16, wav
from quietrun.report.picture import write_picture


def test_a_page_is_written_whole_over_its_own_kind_only(tmp_path):
    path = tmp_path / "visit.html"
    write_page(path, render([exhibit()]))
    write_page(path, render([named("B2")]))
    assert "B2" in path.read_text(encoding="utf-8")
    assert [one.name for one in tmp_path.iterdir()] == ["visit.html"]
    path.write_text("<p>my own page")
    with pytest.raises(UsageError, match="quietrun did not make it"):
        write_page(path, render([exhibit()]))
    assert path.read_text() == "<p>my own page"


def test_a_recording_is_never_written_over(tmp_path):
    clip = tmp_path / "clip.html"  # whatever its name
    clip.write_bytes(wav(beep()))
    for check in (check_page_place,):
        with pytest.raises(UsageError, match="quietrun did not make it"):
            check(clip)
    shot = tmp_path / "photo.png"
    shot.write_bytes(b"\x89PNG\r\n\x1a\n" + bytes(100))
    with pytest.raises(UsageError, match="quietrun did not make it"):
        check_picture_place(shot)


def test_the_name_must_tell_what_it_is(tmp_path):
    with pytest.raises(UsageError, match=r"does not end in \.html") as caught:
        check_page_place(tmp_path / "clip.m4a")
    assert "clip.html" in caught.value.do
    with pytest.raises(UsageError, match=r"does not end in \.png"):
        check_picture_place(tmp_path / "clip.jpg")


@pytest.mark.parametrize(
    ("check", "name"),
    [(check_page_place, "a.html"), (check_picture_place, "a.png"), (check_sound_folder, "a")],
)
def test_a_missing_folder_is_said(tmp_path, check, name):
    with pytest.raises(UsageError, match="There is no folder"):
        check(tmp_path / "nowhere" / name)


def test_a_folder_in_the_way_is_said(tmp_path):
    (tmp_path / "a.html").mkdir()
    with pytest.raises(UsageError, match="cannot be written"):
        check_page_place(tmp_path / "a.html")


def test_nothing_is_left_when_writing_fails(tmp_path, monkeypatch):
    def full(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("os.replace", full)
    with pytest.raises(UsageError, match="No space left on device"):
        write_whole(tmp_path / "a.html", b"x")
    assert list(tmp_path.iterdir()) == []


def test_sounds_go_only_into_a_new_or_empty_folder(tmp_path):
    write_sounds(tmp_path / "new", [exhibit()])
    with pytest.raises(UsageError, match="holds something"):
        write_sounds(tmp_path / "new", [exhibit()])
    (tmp_path / "file").write_text("x")
    with pytest.raises(UsageError, match="holds something"):
        check_sound_folder(tmp_path / "file")


def test_sounds_have_plain_names_and_whole_samples(tmp_path):
    made = write_sounds(tmp_path / "out", [exhibit()])
    assert [one.path.name for one in made] == [
        "0_whole_clip.wav",
        "1_bearing_noise_growl_2.0-4.0_kHz.wav",
        "1_bearing_noise_growl_2.0-4.0_kHz_4x_slower.wav",
        "1_bearing_noise_growl_2.0-4.0_kHz_quiet_machine.wav",
    ]
    with wave.open(str(made[1].path)) as file:
        assert (file.getnchannels(), file.getsampwidth(), file.getframerate()) == (1, 2, RATE_HZ)
        got = np.frombuffer(file.readframes(file.getnframes()), "<i2") / 32767
    assert np.abs(got - beep().samples).max() < 1 / 32767


def test_sounds_of_several_clips_get_folders_with_harmless_names(tmp_path):
    bad = named("M", "a/../<x>:*?\u2603.m4a")
    made = write_sounds(tmp_path / "out", [bad, exhibit(passages=(passage(short="../x"),)), bare()])
    folders = sorted(one.name for one in (tmp_path / "out").iterdir())
    assert folders == ["1_x", "2_clip", "3_empty"]
    assert all(one.path.parent.parent == tmp_path / "out" for one in made)


def test_pcm_is_held_at_the_rail():
    assert pcm16(np.array([0.0, 1.0, -2.0, 3.0], np.float32)).tolist() == [
        0,
        32767,
        -32768,
        32767,
    ]


def test_mp3_keeps_the_tone():
    """Decoded by the library's own reader: the beep's tone and level are still there."""
    import soundfile

    packed = mp3(beep())
    if packed is None:
        pytest.skip("this libsndfile writes no MP3; pages then hold WAV")
    x, rate = soundfile.read(io.BytesIO(packed))
    assert rate == RATE_HZ
    assert len(packed) < 0.5 * len(wav(beep()))
    part = x[4000:10000]
    spectrum = np.abs(np.fft.rfft(part * np.hanning(part.size)))
    assert np.argmax(spectrum) * rate / part.size == pytest.approx(440, abs=4)
    assert np.sqrt(2 * np.mean(part**2)) == pytest.approx(0.1, rel=0.05)


def test_without_mp3_the_page_holds_wav(monkeypatch):
    import soundfile

    monkeypatch.setattr(soundfile, "available_formats", dict)
    page = render([exhibit()])
    assert page.count('src="data:audio/wav;base64,') == 4


@pytest.mark.parametrize("made", [exhibit, bare, lambda: exhibit(quiet(), coast=None)])
def test_a_picture_is_drawn_and_carries_our_mark(tmp_path, made):
    from matplotlib import image

    path = tmp_path / "clip.png"
    write_picture(path, made())
    first = path.read_bytes()
    write_picture(path, made())  # over its own kind
    assert b"quietrun" in first[:400]
    pixels = image.imread(path)
    assert pixels.shape[0] > (250 if made is bare else 800)  # a file without sound: words only
    assert pixels.shape[1] > 1000
    assert pixels[..., :3].std() > 0.05  # something is drawn


def test_mathematics_in_a_name_is_only_text(tmp_path):
    write_picture(tmp_path / "a.png", named("$\\frac{x$ \\undefined ^_"))


def test_the_shortest_clip_has_a_picture_too(tmp_path):
    """One sample: nothing to draw between, and nothing fails."""
    one = Wave(np.array([0.0]), np.array([0.1]), np.array([0.1]), ())
    write_picture(tmp_path / "a.png", exhibit(bare().analysis, wave=one, spectrogram=None))
    assert "<svg" in render([exhibit(bare().analysis, wave=one, spectrogram=None)])
