"""Analyses made by hand: what reports and commands are shown in tests.

No number here is a measurement; each is chosen to be seen in the output.
"""

from dataclasses import replace

import numpy as np

from quietrun.clip import Source
from quietrun.evidence import Evidence, Feature, Missing
from quietrun.fitness import Fitness
from quietrun.judge import Contact, FaultScore, Finding, Reason, Verdict
from quietrun.judge.model import Model, Scorecard, Term
from quietrun.machine import Machine
from quietrun.pipeline import Analysis, ModelStamp
from quietrun.problems import Problem
from quietrun.run import CoastDown, Run, SpeedTrack, SwitchEvent
from quietrun.words import FAULTS, POSSIBLE

MODEL = ModelStamp(name="general", sha256="0123456789abcdef" * 4)
CAUTIONS = (
    "Unplug the machine before you open it.",
    "Start and run capacitors hold a charge after unplugging.",
)
KNOCK = Reason(
    "knock_rate", 12.437, "per turn", (0.0, 1.5), 2.1, "Knocks come several times a turn."
)
HISS = Reason("hiss_slope", None, "dB", None, 0.3, "The hiss could not be followed.")
CALM = Reason("calm_band", 0.02, "1", (0.0, 0.1), -0.4, "One band is calm.")
CATALOGUE = {
    "knock_rate": Feature(
        name="knock_rate",
        family="knocks",
        unit="per turn",
        phase="steady",
        band_hz=(2000.0, 8000.0),
        worse=1,
        needs_hz=8000.0,
        stages=("motor_only", "assembled"),
        says="Knocks a turn in the steady run.",
        source="made for a test",
    ),
    "hiss_slope": Feature(
        name="hiss_slope",
        family="shape",
        unit="dB",
        phase="coast_down",
        band_hz=None,
        worse=0,
        needs_hz=4000.0,
        stages=("assembled",),
        says="How the hiss falls with speed.",
        source="made for a test",
    ),
}

SCORECARDS = Model(
    name="general",
    sha256=MODEL.sha256,
    features=tuple(CATALOGUE),
    cards={
        "bearing_noise": Scorecard(
            "bearing_noise",
            -3.0,
            0.5,
            0.3,
            (Term("knock_rate", (2.0, 6.0), (-0.5, 0.4, 2.1), 0.1, (0.0, 1.5)),),
        )
    },
    unknown=Scorecard("unknown", -3.0, 0.5, 0.3, ()),
)


def score(fault, probability, *, stage="assembled", reasons=()):
    possible = fault in POSSIBLE[stage]
    return FaultScore(
        fault=fault,
        possible=possible,
        probability=probability if possible else None,
        limit=0.5,
        flagged=possible and probability is not None and probability > 0.5,
        log_odds=0.0 if probability is not None else None,
        base=-3.0,
        reasons=tuple(reasons),
    )


def full_run():
    return Run(
        mains_hz=50.014,
        mains_measured=True,
        poles=4,
        power_on_s=1.2,
        at_speed_s=2.1,
        power_off_s=6.4,
        rest_s=9.8,
        shaft_hz=24.87,
        shaft_confidence=0.9,
        track=SpeedTrack(np.array([6.4, 9.8]), np.array([1.0, 0.0]), np.array([1.0, 0.5])),
        switch_open=SwitchEvent(1.8, 0.74, 14.0),
        switch_close=None,
        coast=CoastDown(3.4, 0.5, 0.2, 0.3, 1.2, 0.8),
        hum_share=0.4,
        rotation_heard=True,
        phases={"room": (0.0, 1.2), "steady": (2.1, 6.4)},
    )


def analysis(word="quiet", *, probabilities=(0.02, 0.03, 0.01, 0.02), stage="assembled", **verdict):
    scores = tuple(
        score(fault, p, stage=stage, reasons=(CALM, HISS, KNOCK))
        for fault, p in zip(FAULTS, probabilities, strict=True)
    )
    given = {
        "word": word,
        "faults": scores,
        "findings": (),
        "contacts": None,
        "because": ("Nothing heard is over its limit.",),
        "look_first": (),
        "not_heard": (),
        "cautions": CAUTIONS,
    }
    return Analysis(
        source=Source(
            path="cafe/clip.m4a",
            sha256="ab" * 32,
            container="mov,mp4",
            codec="aac",
            decoder="av",
            channels=2,
            channel_used=0,
            duration_s=10.24,
            recorded_at="2026-03-02T09:15:00+01:00",
        ),
        rate_hz=48000.0,
        machine=Machine(id="M17", mains_hz=50.0, poles=4, stage=stage),
        fitness=Fitness(bandwidth_hz=18123.4, room_snr_db=21.26, problems=()),
        run=full_run(),
        evidence=Evidence({"knock_rate": 12.437, "hiss_slope": Missing("no coast-down")}),
        verdict=Verdict(**(given | verdict)),
        model=MODEL,
    )


def quiet():
    return analysis()


def noisy():
    return analysis(
        "noisy",
        probabilities=(0.979, 0.12, 0.004, 0.31),
        because=(
            "It sounds like bearing noise (probability 0.98, limit 0.50).",
            "The machine came to rest early.",
            "The switch-on is not in the clip.",
        ),
        look_first=("Spin the shaft by hand and feel for roughness.", "Check end play."),
        findings=(
            Finding(
                code="coast_down_short",
                says="The machine came to rest early.",
                value=3.4,
                unit="s",
                usual=(5.0, 9.0),
                look_at="Packed grounds between the burrs.",
            ),
        ),
        not_heard=("The click of the start switch closing.", "The switch-on is not in the clip."),
    )


def inspect():
    return analysis(
        "inspect",
        probabilities=(0.41, 0.02, 0.01, 0.02),
        because=("Bearing noise is near its limit.",),
    )


def burr_setting():
    return analysis("quiet", stage="burr_setting", contacts=(Contact(4.1234, 5.5, 0.3),))


def band_limited():
    made = analysis("inspect", because=("Only part of the job could be judged.",))
    problem = Problem(
        code="band_limited",
        what="The recording holds no sound above 3.8 kHz.",
        why="Bearings and rubs are heard above that.",
        do="Record with the phone's own microphone, not a headset.",
        disables=("tones",),
    )
    verdict = replace(made.verdict, not_heard=(f"{problem.what} {problem.why}", "Rare noises."))
    return replace(made, fitness=Fitness(3800.0, None, (problem,)), verdict=verdict)


def unreadable():
    problem = Problem(
        code="empty_file",
        what="The file is empty.",
        why="There is nothing to judge.",
        do="Send the clip again.",
        fatal=True,
    )
    return Analysis(
        source=Source("away/empty.m4a", None, None, None, "av", 0, 0, 0.0),
        rate_hz=None,
        machine=Machine(stage="motor_only"),
        fitness=Fitness(0.0, None, (problem,)),
        run=None,
        evidence=None,
        verdict=Verdict(
            word="unusable",
            faults=tuple(score(fault, None, stage="motor_only") for fault in FAULTS),
            findings=(),
            contacts=None,
            because=("I cannot tell: The file is empty. There is nothing to judge.",),
            look_first=("Send the clip again.",),
            not_heard=(),
            cautions=CAUTIONS,
        ),
        model=MODEL,
    )


ALL = {
    "quiet": quiet,
    "noisy": noisy,
    "inspect": inspect,
    "burr_setting": burr_setting,
    "band_limited": band_limited,
    "unreadable": unreadable,
}
