"""Which machines first, and what to bring: rows put in order of urgency.

Of each machine the latest clip of each stage counts that carries an answer, so that a machine
that was mended in the week is not at the top for what it was before. A clip without a machine
stands for itself.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

from quietrun.batch.types import Row
from quietrun.report.contract import text
from quietrun.words import FAULT_TITLES, FAULTS

#: Order of urgency: what is wrong, what may be, what nobody knows, what is well.
ORDER = ("noisy", "inspect", "unusable", "quiet")

#: What a technician takes along for a fault or finding. Common practice, no source.
BRING: Mapping[str, tuple[str, ...]] = {
    "bearing_noise": ("both motor bearings", "a bearing puller and a sleeve"),
    "impeller_rub": ("a cooling impeller", "a feeler gauge"),
    "pre_breaker_wobble": ("shear plates", "a pre-breaker", "a dial gauge"),
    "burr_contact": ("a pair of burrs", "a brush and a vacuum cleaner"),
    "did_not_start": ("a start capacitor", "a start switch", "a capacitor meter"),
    "slow_run_up": ("a start capacitor", "a start switch", "a capacitor meter"),
    "start_switch_open_not_heard": ("a start switch",),
    "start_switch_close_not_heard": ("a start switch",),
    "coast_down_short": ("a brush and a vacuum cleaner",),
    "mains_hum_strong": ("a run capacitor", "a clamp meter"),
    "speed_sags": ("a run capacitor", "a clamp meter"),
    "face_rub": ("shims for the pre-breaker", "a feeler gauge"),
    "irregular_knocks": ("screws of the housing", "thread lock"),
    "unknown_noise": ("the whole tool box: nobody knows yet what it is",),
}
RECORD_AGAIN = "a phone: some clips must be recorded again"


@dataclass(frozen=True, slots=True)
class ClipLine:
    """One clip of the summary.

    Attributes
    ----------
    path, stage, word, date, date_source : str
    says : what was heard, in a sentence
    look : the first thing to look at or to do, ``""`` where there is none
    points_to : titles of the flagged faults
    codes : flagged faults and findings, but for clicks that only were not heard
    excess : largest log-odds over a limit, 0 where nothing is over
    phone, note : str
    """

    path: str
    stage: str
    word: str
    date: str
    date_source: str
    says: str
    look: str
    points_to: tuple[str, ...]
    codes: tuple[str, ...]
    excess: float
    phone: str = ""
    note: str = ""

    @property
    def day(self) -> str:
        """Day of the visit."""
        return self.date[:10]


@dataclass(frozen=True, slots=True)
class MachineLine:
    """One machine, or one clip of an unnamed one.

    Attributes
    ----------
    tag : str
        ``""`` where no machine was named.
    word : the most urgent verdict among the clips that count
    lead : the clip that decided it
    clips : all clips, latest first
    bring : what to take along
    again : the latest clip of some stage carries no answer
    """

    tag: str
    word: str
    lead: ClipLine
    clips: tuple[ClipLine, ...]
    bring: tuple[str, ...]
    again: bool = False

    @property
    def name(self) -> str:
        """Tag, or the clip's name."""
        return self.tag or self.lead.path


@dataclass(frozen=True, slots=True)
class Summary:
    """A batch at a glance.

    Attributes
    ----------
    counts : verdict to number of clips
    machines : most urgent first
    bring : (what, names of machines), for the most urgent first
    first_day, last_day : str
    model, version : str
    """

    counts: Mapping[str, int]
    machines: tuple[MachineLine, ...]
    bring: tuple[tuple[str, tuple[str, ...]], ...]
    first_day: str = ""
    last_day: str = ""
    model: str = ""
    version: str = ""

    @property
    def clips(self) -> int:
        """How many clips."""
        return sum(self.counts.values())

    @property
    def named(self) -> int:
        """How many machines have a name."""
        return sum(bool(machine.tag) for machine in self.machines)


@dataclass(slots=True)
class _Gathered:
    counts: Counter[str] = field(default_factory=Counter)
    machines: dict[str, list[ClipLine]] = field(default_factory=dict)
    alone: list[ClipLine] = field(default_factory=list)
    model: str = ""
    version: str = ""


def summarise(rows: Iterable[Row]) -> Summary:
    """Put rows in order of urgency."""
    gathered = _Gathered()
    for row in rows:
        line = clip_line(row)
        gathered.counts[line.word] += 1
        gathered.model = row["tool"]["model"] or gathered.model
        gathered.version = row["tool"]["version"]
        tag = row["machine"]["id"]
        if tag:
            gathered.machines.setdefault(tag, []).append(line)
        else:
            gathered.alone.append(line)
    machines = [_machine(tag, lines) for tag, lines in gathered.machines.items()]
    machines += [_machine("", [line]) for line in gathered.alone]
    machines.sort(key=_urgency)
    days = sorted(clip.day for machine in machines for clip in machine.clips)
    return Summary(
        counts={word: gathered.counts[word] for word in ORDER if gathered.counts[word]},
        machines=tuple(machines),
        bring=_bring(machines),
        first_day=days[0] if days else "",
        last_day=days[-1] if days else "",
        model=gathered.model,
        version=gathered.version,
    )


def _urgency(machine: MachineLine) -> tuple[int, float, int, str]:
    lead = machine.lead
    return (ORDER.index(machine.word), -lead.excess, -len(lead.codes), machine.name)


def _logit(probability: float) -> float:
    held = min(max(probability, 1e-9), 1 - 1e-9)
    return math.log(held / (1 - held))


def _excess(row: Row) -> float:
    over = [0.0]
    for fault in row["faults"].values():
        if fault["flagged"] and fault["probability"] is not None and fault["limit"] is not None:
            over.append(_logit(fault["probability"]) - _logit(fault["limit"]))
    return max(over)


def clip_line(row: Row) -> ClipLine:
    """Take from a row what the summary shows."""
    flagged = tuple(name for name in FAULTS if row["faults"][name]["flagged"])
    problems = row["recording"]["problems"]
    look = row["look_first"]
    if row["verdict"] == "unusable" and problems:
        look = [problem["do"] for problem in problems]
    return ClipLine(
        path=row["clip"]["path"],
        stage=row["machine"]["stage"],
        word=row["verdict"],
        date=row["batch"]["date"],
        date_source=row["batch"]["date_source"],
        says=" ".join(row["because"]),
        look=look[0] if look else "",
        points_to=tuple(FAULT_TITLES[name] for name in flagged),
        codes=flagged + tuple(one["code"] for one in row["findings"] if not _only_unheard(one)),
        excess=_excess(row),
        phone=row["batch"]["phone"] or "",
        note=row["batch"]["note"] or "",
    )


def _only_unheard(finding: Mapping[str, object]) -> bool:
    """A click of the start switch that drowned: no sign of anything, and no part to bring.

    In earnest the same word comes with a value, how sure its scorecard is.
    """
    return str(finding["code"]).startswith("start_switch_") and finding["value"] is None


def _machine(tag: str, lines: list[ClipLine]) -> MachineLine:
    by_stage: dict[str, list[ClipLine]] = {}
    for line in lines:
        by_stage.setdefault(line.stage, []).append(line)
    counts = [_latest(stage) for stage in by_stage.values()]
    lead = min(counts, key=_weight)
    wanted = dict.fromkeys(
        thing
        for line in counts
        if line.word in ("noisy", "inspect")
        for code in line.codes
        for thing in BRING.get(code, ())
    )
    again = any(max(stage, key=_age).word == "unusable" for stage in by_stage.values())
    clips = tuple(sorted(lines, key=_age, reverse=True))
    return MachineLine(tag, lead.word, lead, clips, tuple(wanted), again)


def _age(line: ClipLine) -> tuple[str, str]:
    return line.date, line.path


def _weight(line: ClipLine) -> tuple[int, float]:
    return ORDER.index(line.word), -line.excess


def _latest(lines: list[ClipLine]) -> ClipLine:
    """Of one stage, the latest clip with an answer; of several at one time, the worst."""
    answered = [line for line in lines if line.word != "unusable"] or lines
    last = max(line.date for line in answered)
    return min((line for line in answered if line.date == last), key=_weight)


def _bring(machines: Iterable[MachineLine]) -> tuple[tuple[str, tuple[str, ...]], ...]:
    wanted: dict[str, list[str]] = {}
    again = []
    for machine in machines:
        for thing in machine.bring:
            wanted.setdefault(thing, []).append(machine.name)
        if machine.again:
            again.append(machine.name)
    if again:
        wanted[RECORD_AGAIN] = again
    return tuple((thing, tuple(names)) for thing, names in wanted.items())


def plain(words: str) -> str:
    """Make a name safe to print: what would move the cursor or break the line is spelled out."""
    shown = text(words) or ""
    return "".join(
        letter if letter.isprintable() else letter.encode("unicode_escape").decode()
        for letter in shown
    )


def as_text(summary: Summary, *, most: int = 12) -> str:
    """Set the summary for a terminal: the most urgent machines, one line each."""
    counts = ", ".join(f"{number} {word}" for word, number in summary.counts.items())
    lines = [f"{summary.clips} {'clip' if summary.clips == 1 else 'clips'}: {counts}."]
    urgent = [machine for machine in summary.machines if machine.word != "quiet"]
    for machine in urgent[:most]:
        lines.append(f"  {machine.word:8}  {plain(machine.name)}: {plain(_short(machine.lead))}")
    if len(urgent) > most:
        lines.append(f"  and {len(urgent) - most} more")
    for thing, names in summary.bring[:most]:
        shown = ", ".join(map(plain, names[:3])) + (
            f" and {len(names) - 3} more" if len(names) > 3 else ""
        )
        lines.append(f"  Bring {thing} ({shown}).")
    return "\n".join(lines)


def _short(line: ClipLine) -> str:
    if line.points_to:
        return ", ".join(line.points_to)
    says = line.says or line.look
    return says if len(says) <= 100 else says[:97].rstrip() + "..."
