"""Numbers are written alike whatever the country: nothing in the product asks the locale."""

import ast
import locale
from pathlib import Path

import pytest

from quietrun.machine import Machine
from quietrun.pipeline import analyse
from quietrun.report.contract import to_json, to_object
from quietrun.report.text import render

ROOT = Path(__file__).parents[1]
COMMA = {"decimal_point": ",", "thousands_sep": ".", "grouping": [3, 3, 0]}
ASKS = {"format_string", "localeconv", "setlocale", "atof", "currency", "delocalize"}


def asks_the_locale(code):
    """Lines that format or read numbers by the locale: ``locale.X`` and the format type ``n``."""
    lines = []
    for node in ast.walk(ast.parse(code)):
        if isinstance(node, ast.Attribute) and node.attr in ASKS:
            lines.append(node.lineno)
        elif isinstance(node, ast.FormattedValue) and node.format_spec is not None:
            last = node.format_spec.values[-1] if node.format_spec.values else None
            if isinstance(last, ast.Constant) and str(last.value).endswith("n"):
                lines.append(node.lineno)
    return lines


def test_the_search_finds_what_it_looks_for():
    assert asks_the_locale('f"{x:n}"\nlocale.format_string("%f", x)\nf"{x:.3f}"') == [1, 2]


@pytest.mark.parametrize("path", sorted((ROOT / "src").rglob("*.py")), ids=lambda p: p.stem)
def test_nothing_asks_the_locale(path):
    assert asks_the_locale(path.read_text(encoding="utf-8")) == []


def test_text_and_json_keep_the_point_where_commas_are_usual(monkeypatch):
    analysis = analyse(str(ROOT / "synthetic_audio" / "bearing.opus"), machine=Machine())
    before, text = to_json(to_object(analysis)), render(analysis)
    monkeypatch.setattr(locale, "localeconv", lambda: COMMA)
    for name in ("de_DE.UTF-8", "de_DE.utf8"):
        try:
            old = locale.setlocale(locale.LC_NUMERIC)
            locale.setlocale(locale.LC_NUMERIC, name)
            break
        except locale.Error:
            continue
    try:
        assert to_json(to_object(analysis)) == before
        assert render(analysis) == text
    finally:
        locale.setlocale(locale.LC_NUMERIC, old)
