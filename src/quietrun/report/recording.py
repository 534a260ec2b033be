"""What a recording session tells: the file, the device, and what is wrong with the recording."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from quietrun.pipeline import Analysis
from quietrun.problems import Problem
from quietrun.report.contract import Object, text, to_object
from quietrun.report.terminal import PLAIN_PAGE, Page, finish, wrap

SCHEMA = "quietrun/recorded-1"


def recorded_object(
    *,
    file: str,
    recorded_at: str,
    device: str,
    rate_hz: float,
    duration_s: float,
    ended: str,
    problems: Iterable[Problem],
    analysis: Analysis | None,
) -> Object:
    """Build the JSON object of a recording; ``analysis`` is null where it was not to be judged."""
    return {
        "schema": SCHEMA,
        "file": text(file),
        "recorded_at": recorded_at,
        "device": text(device),
        "sample_rate_hz": rate_hz,
        "duration_s": round(duration_s, 3),
        "ended": ended,
        "problems": [
            {
                "code": one.code,
                "what": text(one.what),
                "why": text(one.why),
                "do": text(one.do),
                "disables": list(one.disables),
            }
            for one in problems
        ],
        "analysis": None if analysis is None else to_object(analysis),
    }


def render_problems(problems: Sequence[Problem], page: Page = PLAIN_PAGE) -> str:
    """Say what is wrong with a recording, or that nothing was found."""
    lines: list[str] = []
    for problem in problems:
        lines.extend(wrap(problem.what, page.columns(), "  - "))
        lines.extend(wrap(f"Why:  {problem.why}", page.columns(), "    ", " " * 10))
        lines.extend(wrap(f"Do:   {problem.do}", page.columns(), "    ", " " * 10))
    if not lines:
        lines = ["Nothing is wrong with the recording; it was not judged."]
    return finish(lines, page)
