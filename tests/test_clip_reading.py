"""Whatever a phone makes is read right: rate, length, level, channel, onset."""

from __future__ import annotations

import hashlib
import subprocess
import sys

import av
import clip_files as make
import numpy as np
import pytest
import soundfile

from quietrun.clip import read_clip

# name, codec, container, rate, sample format, more
ENCODED = {
    "aac.m4a": ("aac", "ipod", 48_000, "fltp", {}),
    "aac_44100.m4a": ("aac", "ipod", 44_100, "fltp", {}),
    "alac.m4a": ("alac", "ipod", 48_000, "s16p", {}),
    "alac24.m4a": ("alac", "ipod", 48_000, "s32p", {}),
    "index_first.m4a": ("aac", "ipod", 48_000, "fltp", {"options": {"movflags": "faststart"}}),
    "fragmented.m4a": (
        "aac",
        "mp4",
        48_000,
        "fltp",
        {"options": {"movflags": "frag_keyframe+empty_moov"}, "pipe": True},
    ),
    "raw.aac": ("aac", "adts", 48_000, "fltp", {"pipe": True}),
    "amr.3gp": ("libopencore_amrnb", "3gp", 8_000, "s16", {}),
    "voice.opus": ("libopus", "ogg", 16_000, "s16", {}),
    "voice48.opus": ("libopus", "ogg", 48_000, "s16", {}),
    "live.webm": ("libopus", "webm", 48_000, "s16", {"options": {"live": "1"}, "pipe": True}),
    "song.mp3": ("libmp3lame", "mp3", 44_100, "s16p", {}),
    "stream.flac": ("flac", "flac", 48_000, "s16", {}),
    "pcm.mov": ("pcm_s16le", "mov", 48_000, "s16", {}),
    "pcm24.mov": ("pcm_s24le", "mov", 48_000, "s32", {}),
    "pcm_u8.mov": ("pcm_u8", "mov", 48_000, "u8", {}),
    "float.mov": ("pcm_f32le", "mov", 48_000, "flt", {}),
    "double.mkv": ("pcm_f64le", "matroska", 48_000, "dbl", {}),
    "piped.wav": ("pcm_s16le", "wav", 48_000, "s16", {"pipe": True}),
    "caf.caf": ("pcm_s16be", "caf", 48_000, "s16", {}),
    "alac.caf": ("alac", "caf", 48_000, "s16p", {}),
}


@pytest.mark.parametrize("name", ENCODED)
def test_phone_formats_are_read_right(tmp_path, name):
    codec, container, rate_hz, sample_format, more = ENCODED[name]
    if not make.has_encoder(codec):
        pytest.skip(f"this PyAV has no encoder {codec}")
    path = make.encode(
        tmp_path / name,
        make.tone(rate_hz),
        codec,
        container,
        rate_hz=rate_hz,
        sample_format=sample_format,
        **more,
    )
    clip = read_clip(path)
    # Opus always decodes at 48 kHz (RFC 6716); its header keeps the input rate
    assert clip.rate_hz == (48_000 if codec == "libopus" else rate_hz)
    assert clip.source.channels == 1
    assert clip.duration_s == pytest.approx(3.0, abs=0.06)
    assert clip.source.duration_s == pytest.approx(clip.duration_s)
    middle = clip.samples[int(clip.rate_hz) : int(2 * clip.rate_hz)]
    assert make.loudest_hz(middle, clip.rate_hz) == pytest.approx(make.TONE_HZ, abs=1.5)
    level = np.sqrt(2 * np.mean(middle.astype("f8") ** 2))
    # AMR is a voice coder: it does not hold the level of a tone
    assert level == pytest.approx(0.3, rel=0.2 if "amr" in codec else 0.06)
    assert make.onset_s(clip.samples, clip.rate_hz) == pytest.approx(make.ONSET_S, abs=0.05)
    assert clip.problems == ()
    assert clip.source.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()


# subtype: container and the coding's coarsest step (ADPCM overshoots where the tone sets in)
PCM = {
    "PCM_16": ("WAV", 4e-5),
    "PCM_24": ("WAVEX", 2e-7),
    "PCM_32": ("WAV", 2e-7),
    "FLOAT": ("WAV", 1e-7),
    "DOUBLE": ("WAV", 1e-7),
    "PCM_U8": ("WAV", 8e-3),
    "PCM_S8": ("AIFF", 8e-3),
    "ALAW": ("WAV", 2e-2),
    "IMA_ADPCM": ("WAV", 0.2),
    "MS_ADPCM": ("WAV", 0.15),
}


@pytest.mark.parametrize("subtype", PCM)
def test_wav_of_every_kind(tmp_path, subtype):
    container, step = PCM[subtype]
    x = make.tone()
    path = tmp_path / "x.bin"
    soundfile.write(path, x, make.RATE_HZ, subtype, format=container)
    clip = read_clip(path)
    assert clip.source.decoder == "soundfile"
    assert clip.rate_hz == make.RATE_HZ
    np.testing.assert_allclose(clip.samples[: x.size], x, atol=step)
    assert abs(float(clip.samples.mean())) < 4e-3  # 8-bit silence is 128: centred
    assert clip.problems == ()


@pytest.mark.parametrize(
    ("container", "subtype"), [("RF64", "PCM_16"), ("W64", "PCM_16"), ("AU", "PCM_16")]
)
def test_other_plain_containers(tmp_path, container, subtype):
    path = tmp_path / "x.dat"
    soundfile.write(path, make.tone(), make.RATE_HZ, subtype, format=container)
    clip = read_clip(path)
    np.testing.assert_allclose(clip.samples, make.tone(), atol=4e-5)


def test_vorbis_is_read_by_soundfile(tmp_path):
    path = tmp_path / "x.m4a"
    soundfile.write(path, make.tone(), make.RATE_HZ, "VORBIS", format="OGG")
    clip = read_clip(path)
    assert (clip.source.decoder, clip.source.codec) == ("soundfile", "vorbis")
    assert clip.duration_s == pytest.approx(3.0, abs=0.01)


@pytest.mark.parametrize(
    "name", ["a.qta", "a.mp4", "a.wav", "a.txt", "no_suffix", "-3.m4a", "ü ☃.x"]
)
def test_the_suffix_does_not_matter(tmp_path, name):
    path = make.encode(tmp_path / "ok.m4a", make.tone(), "aac", "ipod").rename(tmp_path / name)
    clip = read_clip(path)
    assert clip.source.codec == "aac"
    assert clip.source.path == str(path)


def test_float_over_full_scale_is_kept(tmp_path):
    path = tmp_path / "hot.wav"
    soundfile.write(path, 4.0 * make.tone(), make.RATE_HZ, "FLOAT")
    assert np.abs(read_clip(path).samples).max() == pytest.approx(1.2, abs=1e-3)


@pytest.mark.parametrize("rubbish", [np.nan, np.inf, -1e38])
def test_samples_that_are_not_numbers(tmp_path, rubbish):
    x = make.tone()
    x[1000:1010] = rubbish
    path = tmp_path / "bad.wav"
    soundfile.write(path, x, make.RATE_HZ, "FLOAT")
    clip = read_clip(path)
    assert np.isfinite(clip.samples).all()
    assert np.abs(clip.samples).max() < 1
    (problem,) = clip.problems
    assert problem.code == "cut_file"
    assert problem.what.startswith("10 samples are not numbers")


def test_doubles_beyond_single_precision(tmp_path):
    x = make.tone().astype("f8")
    x[7] = 1e300
    with av.open(str(tmp_path / "d.mkv"), "w", format="matroska") as out:
        stream = out.add_stream("pcm_f64le", rate=make.RATE_HZ)
        stream.layout = "mono"
        frame = av.AudioFrame.from_ndarray(x[None], format="dbl", layout="mono")
        frame.sample_rate = make.RATE_HZ
        for packet in stream.encode(frame) + stream.encode(None):
            out.mux(packet)
    clip = read_clip(tmp_path / "d.mkv")
    assert clip.problems[0].what.startswith("1 samples are not numbers")


@pytest.mark.parametrize(
    ("name", "codec", "container", "sample_format"),
    [
        ("packed.mov", "pcm_s16le", "mov", "s16"),
        ("planar.m4a", "aac", "ipod", "fltp"),
        ("wav", None, None, None),
    ],
)
def test_antiphase_stereo_does_not_cancel(tmp_path, name, codec, container, sample_format):
    x = make.tone()
    pair = np.stack([x, -x])
    path = tmp_path / name
    if codec is None:
        soundfile.write(path, pair.T, make.RATE_HZ, format="WAV")
    else:
        make.encode(path, pair, codec, container, sample_format=sample_format)
    clip = read_clip(path)
    assert clip.source.channels == 2
    assert clip.duration_s == pytest.approx(3.0, abs=0.05)
    middle = clip.samples[make.RATE_HZ : 2 * make.RATE_HZ]
    assert make.loudest_hz(middle, clip.rate_hz) == pytest.approx(make.TONE_HZ, abs=1.5)
    assert np.abs(middle).max() == pytest.approx(0.3, rel=0.06)


@pytest.mark.parametrize("louder", [0, 1])
def test_the_louder_channel_is_kept(tmp_path, louder):
    pair = np.stack([make.tone(level=0.1), make.tone(level=0.1)], axis=1)
    pair[:, louder] *= 3
    soundfile.write(tmp_path / "s.wav", pair, make.RATE_HZ)
    clip = read_clip(tmp_path / "s.wav")
    assert clip.source.channel_used == louder
    assert np.abs(clip.samples).max() == pytest.approx(0.3, abs=1e-3)


def test_a_clipped_channel_is_passed_over(tmp_path):
    noise = np.random.default_rng(4).normal(0, 0.2, 3 * make.RATE_HZ)
    pair = np.stack([np.clip(4 * noise, -1, 1), noise], axis=1)
    soundfile.write(tmp_path / "s.wav", pair, make.RATE_HZ, "PCM_24")
    assert read_clip(tmp_path / "s.wav").source.channel_used == 1


def test_an_offset_or_rumble_is_not_loudness(tmp_path):
    t = np.arange(3 * make.RATE_HZ) / make.RATE_HZ
    pair = np.stack([make.tone(level=0.1), 0.4 + 0.3 * np.sin(2 * np.pi * 8 * t)], axis=1)
    soundfile.write(tmp_path / "s.wav", pair, make.RATE_HZ)
    assert read_clip(tmp_path / "s.wav").source.channel_used == 0


def test_eight_channels(tmp_path):
    data = np.tile(make.tone(level=0.01)[:, None], (1, 8))
    data[:, 5] *= 10
    soundfile.write(tmp_path / "8.wav", data, make.RATE_HZ)
    clip = read_clip(tmp_path / "8.wav")
    assert (clip.source.channels, clip.source.channel_used) == (8, 5)


def test_the_first_decodable_track_of_two(tmp_path):
    for spoilt in (0, 1):
        path = make.encode(tmp_path / "two.mov", make.tone(), "aac", "mov", tracks=2)
        clip = read_clip(make.spoil_track(path, spoilt))
        assert clip.duration_s == pytest.approx(3.0, abs=0.05)
        assert clip.source.codec == "aac"


def test_nothing_is_resampled(tmp_path):
    t = np.arange(2 * make.RATE_HZ) / make.RATE_HZ
    soundfile.write(tmp_path / "x.wav", 0.3 * np.sin(2 * np.pi * 15_000 * t), make.RATE_HZ)
    clip = read_clip(tmp_path / "x.wav")
    assert make.loudest_hz(clip.samples, clip.rate_hz) == pytest.approx(15_000, abs=1)


def test_silence_is_readable(tmp_path):
    soundfile.write(tmp_path / "zeros.wav", np.zeros(make.RATE_HZ), make.RATE_HZ)
    clip = read_clip(tmp_path / "zeros.wav")
    assert clip.duration_s == 1.0
    assert not clip.samples.any()


def test_when_it_was_recorded(tmp_path):
    # creation_time is UTC when the recorder stops (FILES.md item 38): the length is taken off
    path = make.encode(
        tmp_path / "t.m4a",
        make.tone(seconds=10.0),
        "aac",
        "ipod",
        tags={"creation_time": "2024-03-30T23:59:58.000000Z"},
    )
    # what fills the coder at the start is part of the length, or not, by the version of FFmpeg
    assert read_clip(path).source.recorded_at in (
        "2024-03-30T23:59:47+00:00",
        "2024-03-30T23:59:48+00:00",
    )


@pytest.mark.parametrize("text", ["1970-01-01T00:00:00Z", "1904-01-01T00:00:00Z", "yesterday"])
def test_an_unset_clock_is_no_date(tmp_path, text):
    path = make.encode(tmp_path / "t.m4a", make.tone(), "aac", "ipod", tags={"creation_time": text})
    assert read_clip(path).source.recorded_at is None


def test_a_camera_start_time_keeps_its_offset(tmp_path):
    path = make.encode(
        tmp_path / "t.mov",
        make.tone(),
        "aac",
        "mov",
        tags={"com.apple.quicktime.creationdate": "2024-05-01T14:00:00+0200"},
        options={"movflags": "use_metadata_tags"},
    )
    assert read_clip(path).source.recorded_at == "2024-05-01T14:00:00+02:00"


def test_a_rate_that_changes_midway_stops_there(tmp_path):
    parts = []
    for rate_hz in (48_000, 32_000):
        name = tmp_path / f"{rate_hz}.mp3"
        make.encode(
            name,
            make.tone(rate_hz),
            "libmp3lame",
            "mp3",
            rate_hz=rate_hz,
            sample_format="s16p",
            options={"write_xing": "0", "id3v2_version": "0"},
        )
        parts.append(name.read_bytes())
    (tmp_path / "both.mp3").write_bytes(b"".join(parts))
    clip = read_clip(tmp_path / "both.mp3")
    assert clip.rate_hz == 48_000
    assert clip.duration_s == pytest.approx(3.0, abs=0.1)
    (problem,) = clip.problems
    assert "48000 to 32000 Hz" in problem.what


def test_the_samples_cannot_be_written_to(tmp_path):
    soundfile.write(tmp_path / "x.wav", make.tone(), make.RATE_HZ)
    with pytest.raises(ValueError, match="read-only"):
        read_clip(tmp_path / "x.wav").samples[0] = 1


def test_keep_s_must_be_positive(tmp_path):
    with pytest.raises(ValueError, match="keep_s must be positive"):
        read_clip(tmp_path / "x.wav", keep_s=0.0)


@pytest.mark.parametrize(
    ("name", "needed", "spared"), [("x.m4a", "av", "soundfile"), ("x.wav", "soundfile", "av")]
)
def test_only_the_library_that_is_needed_is_loaded(tmp_path, name, needed, spared):
    path = tmp_path / name
    if name.endswith("wav"):
        soundfile.write(path, make.tone(), make.RATE_HZ)
    else:
        make.encode(path, make.tone(), "aac", "ipod")
    code = (
        "import sys; from quietrun.clip import read_clip; "
        "assert 'av' not in sys.modules and 'soundfile' not in sys.modules; "
        "read_clip(sys.argv[1]); print(sorted({'av', 'soundfile', 'scipy'} & set(sys.modules)))"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, str(path)], capture_output=True, text=True, check=True
    )
    assert done.stdout.strip() == f"['{needed}']", spared
