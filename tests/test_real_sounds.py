"""Real recordings that are no grinder run: never ``quiet``, never a fault claimed."""

from pathlib import Path

import pytest

from quietrun.pipeline import analyse

DATA = Path(__file__).parents[2] / "shared" / "data"
FOLDERS = ("ambience", "speech_music", "phone_motor", "mimii_fan")
CLIPS = [p for folder in FOLDERS for p in sorted((DATA / folder).glob("*.*"))]


@pytest.mark.skipif(not CLIPS, reason="needs ../shared/data (real recordings)")
def test_no_real_sound_without_a_grinder_is_judged():
    assert len(CLIPS) >= 20
    for path in CLIPS:
        verdict = analyse(path).verdict
        assert verdict.word in ("unusable", "inspect"), path.name
        assert verdict.because, path.name


@pytest.mark.skipif(not CLIPS, reason="needs ../shared/data (real recordings)")
def test_a_real_grinder_of_another_kind_is_not_called_quiet():
    analysis = analyse(DATA / "grinder" / "whole_run_50hz.wav")
    assert analysis.verdict.word != "quiet"
    assert analysis.run.running_rpm is None
    said = " ".join(analysis.verdict.not_heard)
    assert "shaft speed" in said
