"""``check --picture``: which panels there are, that none is empty, and what stands around them."""

import struct
from dataclasses import replace

import made_analyses
import pytest
from made_exhibits import bare, exhibit
from matplotlib.figure import Figure

from quietrun.report.picture import picture_png


@pytest.fixture
def drawn(monkeypatch):
    """Draw an exhibit; gives the figure and the bytes of the PNG."""
    kept = []
    plain = Figure.savefig

    def savefig(self, *args, **kwargs):
        kept.append(self)
        return plain(self, *args, **kwargs)

    monkeypatch.setattr(Figure, "savefig", savefig)

    def draw(made):
        png = picture_png(made)
        return kept[-1], png

    return draw


def titles(figure):
    return [axis.get_title(loc="left") for axis in figure.axes]


def words(figure):
    return f"{figure._suptitle.get_text()}\n{figure._supxlabel.get_text()}".replace("\n", " ")


def test_each_panel_stands_under_its_question_with_units(drawn):
    figure, png = drawn(exhibit())
    assert titles(figure) == [
        "What happened, and when?",
        "Which tones, and which follow the speed?",
        "How does it run down?",
        "What repeats, and does it keep time with the turn?",
    ]
    assert [axis.get_xlabel().split()[0] for axis in figure.axes] == [
        "seconds",
        "seconds",
        "seconds",
        "times",
    ]
    assert "M17: NOISY. It sounds like bearing noise." in words(figure)
    first = made_analyses.noisy().verdict.faults[0]
    told = f"bearing noise {100 * first.probability:.0f} % (limit {100 * first.limit:.0f} %)"
    assert told in words(figure)
    assert png.startswith(b"\x89PNG\r\n\x1a\n")
    width, height = struct.unpack(">II", png[16:24])
    assert (width, height > 900) == (1440, True)


@pytest.mark.parametrize(
    ("missing", "panels"),
    [
        ({"coast": None}, 4),
        ({"envelope": None}, 4),
        ({"coast": None, "envelope": None}, 2),
        ({"wave": None, "spectrogram": None}, 2),
    ],
)
def test_what_is_missing_is_said_and_leaves_no_row_of_empty_panels(drawn, missing, panels):
    figure, _ = drawn(exhibit(not_shown=("It could not be followed.",), **missing))
    assert len(figure.axes) == panels
    empty = [axis for axis in figure.axes if not (axis.lines or axis.collections)]
    assert len(empty) <= 1
    assert all("not measurable" in axis.texts[0].get_text() for axis in empty)
    assert "It could not be followed." in words(figure)


def test_a_file_without_sound_gives_the_answer_and_what_to_do(drawn):
    figure, png = drawn(bare())
    assert figure.axes == []
    assert "UNUSABLE" in words(figure)
    assert "The file is empty. There is nothing to judge." in words(figure)
    assert "Nothing could be drawn." in words(figure)
    assert "Send the clip again." in words(figure)
    assert "[...]" not in words(figure)
    assert struct.unpack(">II", png[16:24])[1] < 400


def test_the_answer_is_not_cut(drawn):
    """The longest that a verdict says in one sentence goes on in a second line."""
    made = made_analyses.unreadable()
    because = ("I cannot tell: " + "a long reason why, " * 10 + "and its end.",)
    figure, _ = drawn(bare(replace(made, verdict=replace(made.verdict, because=because))))
    assert "and its end." in words(figure)
    assert "\n" in figure._suptitle.get_text()
