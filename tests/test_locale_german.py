"""A whole program under a German locale: the files it writes are those of any other country.

The locale is built here with ``localedef`` (POSIX) where its sources are installed, so that the C
library too puts a comma into every number that asks it (``LC_NUMERIC``), as on a German desk.
"""

import csv
import json
import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

DEMO = Path(__file__).parents[1] / "synthetic_audio"
SOURCES = Path("/usr/share/i18n/locales/de_DE")
NAME = "de_DE.UTF-8"
#: The program as a person starts it, after the C library has taken the person's country.
PROGRAM = (
    "import locale, os; locale.setlocale(locale.LC_ALL, '');"
    "assert locale.localeconv()['decimal_point'] == os.environ['POINT'];"
    "from quietrun.cli import main; main()"
)

pytestmark = pytest.mark.skipif(
    shutil.which("localedef") is None or not SOURCES.is_file(),
    reason="no German locale can be built here: apt-get install locales",
)


@pytest.fixture(scope="module")
def countries(tmp_path_factory):
    """Environment of each country, with the decimal point that its C library has."""
    folder = tmp_path_factory.mktemp("locales")
    subprocess.run(
        ["localedef", "-i", "de_DE", "-f", "UTF-8", str(folder / NAME)], check=True, timeout=60
    )
    plain = {key: value for key, value in os.environ.items() if not key.startswith("LC_")}
    return {
        "german": {
            **plain,
            "LOCPATH": str(folder),
            "LANG": NAME,
            "LC_ALL": NAME,
            "LC_NUMERIC": NAME,
            "POINT": ",",
        },
        "plain": {**plain, "LANG": "C.UTF-8", "LC_ALL": "C.UTF-8", "POINT": "."},
    }


def run(env, folder, *args, code):
    told = subprocess.run(
        [sys.executable, "-c", PROGRAM, *map(str, args)],
        env={**env, "QUIETRUN_HOME": str(folder / "home")},
        cwd=folder,
        capture_output=True,
        text=True,
        encoding="utf-8",
        timeout=120,
    )
    assert told.returncode == code, told.stderr
    return told.stdout


@pytest.fixture(scope="module")
def made(countries, tmp_path_factory):
    """What each country gets: text, JSON, rows, table, page, picture, sounds."""
    clips = tmp_path_factory.mktemp("clips")
    shutil.copy(DEMO / "bearing.opus", clips)
    given = clips / "bearing.opus"
    os.utime(given, (1_780_000_000, 1_780_000_000))
    (clips / "week.csv").write_text("clip;machine;mains_hz;note\nbearing.opus;M1;50,0;Küche\n")
    found = {}
    for country, env in countries.items():
        out = tmp_path_factory.mktemp(country)
        text = run(
            env, out, "check", given, "--picture", "a.png", "--hear", "sounds", "--page", "a.html",
            code=1,
        )  # fmt: skip
        printed = run(env, out, "check", given, "--json", "--mains", "50", code=1)
        args = ("-o", "week.jsonl", "--csv", "week.csv", "--page", "week.html", "-j", "1")
        run(env, out, "batch", clips / "week.csv", *args, code=1)
        found[country] = {
            "text": text.split("Wrote")[0],
            "json": printed,
            **{path.name: path.read_bytes() for path in out.iterdir() if path.is_file()},
            "sounds": {path.name: path.read_bytes() for path in (out / "sounds").iterdir()},
        }
    return found


@pytest.mark.parametrize("what", ["text", "json", "a.html", "a.png", "week.csv", "week.html"])
def test_what_is_written_is_the_same_in_every_country(made, what):
    assert made["german"][what] == made["plain"][what]
    assert made["german"][what]


def test_sounds_have_the_same_names_and_samples(made):
    assert made["german"]["sounds"] == made["plain"]["sounds"]
    assert any("1.0-3.8_kHz" in name for name in made["german"]["sounds"])


def test_numbers_are_still_numbers(made):
    """JSON and table are read back by readers that know nothing of the country."""
    told = json.loads(made["german"]["json"])
    assert isinstance(told["run"]["mains_hz"], float)
    assert told["run"]["mains_hz"] == pytest.approx(50.0, abs=0.1)
    row = json.loads(made["german"]["week.jsonl"])
    assert row["machine"]["mains_hz"] == 50.0, "50,0 in the manifest is fifty"
    assert row["faults"] == json.loads(made["plain"]["week.jsonl"])["faults"]
    (line,) = csv.DictReader(made["german"]["week.csv"].decode("utf-8").splitlines())
    assert float(line["mains_hz"]) == pytest.approx(50.0, abs=0.1)
    page = made["german"]["a.html"].decode("utf-8")
    assert not re.search(r'(?:x|y|cx|cy|r|width|height)="\d+,\d', page), "SVG knows no comma"
    assert "50.02 Hz" in page
