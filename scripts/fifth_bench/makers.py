"""Machines: what is fixed for one grinder, drawn with wide spread on purpose."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

#: Leanings of a sound machine: how many dB its parts stand over or under the middle.
LEANINGS: dict[str, dict[str, float]] = {
    "plain": {},
    "whiny": {"slots": 10, "fan_tones": 8, "air": -4},
    "hissy": {"seal": 10, "air": 5, "hum": -6},
    "hummy": {"hum": 8, "slots": 4, "air": -6},
    "rumbly": {"rolling": 8, "shake": 8},
    "ticking": {"balls": 10, "weights": 6, "events": 6},
    "windy": {"air": 9, "fan_tones": 4, "hum": -5},
    "buzzing": {"buzz": 12, "hum": 3},
    "swaying": {"seal": 3, "chamber_air": 6, "rolling": 3},
}
#: Part of a machine: middle and spread of its level, dB(A) against one another.
LEVELS: dict[str, tuple[float, float]] = {
    "hum": (-5.0, 5.0),
    "slots": (-13.0, 6.0),
    "air": (-3.0, 4.0),
    "fan_tones": (-12.0, 6.0),
    "rolling": (-9.0, 5.0),
    "balls": (-18.0, 6.0),
    "shake": (-30.0, 7.0),
    "chamber_air": (-11.0, 5.0),
    "seal": (-16.0, 6.0),
    "buzz": (-14.0, 6.0),
    "weights": (-9.0, 6.0),
    "events": (-12.0, 6.0),
}


@dataclass(frozen=True, slots=True)
class Maker:
    """One grinder."""

    name: str
    seed: int
    mains_hz: int
    poles: int
    leaning: str
    levels_db: dict[str, float]
    balls: int
    ball_ratio: float
    contact_cos: float
    blades: int
    blade_places: tuple[float, ...]
    bars: int
    teeth: int
    slip: float
    breakdown_slip: float
    run_up_s: float
    coast_s: float
    drag_split: tuple[float, float, float]
    open_share: float
    close_share: float
    click_db: float
    swing: float
    light: float

    @property
    def orders(self) -> dict[str, float]:
        """Passing rates of the front bearing, per turn (standard kinematics)."""
        flat = self.ball_ratio * self.contact_cos
        return {
            "outer": round(self.balls / 2 * (1 - flat), 4),
            "inner": round(self.balls / 2 * (1 + flat), 4),
            "cage": round((1 - flat) / 2, 4),
            "ball": round((1 - flat**2) / self.ball_ratio, 4),
        }

    @property
    def sync_hz(self) -> float:
        """Synchronous turns a second at the nominal mains."""
        return 2.0 * self.mains_hz / self.poles


def draw(seed: int, number: int) -> Maker:
    """Grinder ``number`` of the park of ``seed``."""
    rng = np.random.default_rng([5, seed, 101, number])
    leaning = str(rng.choice(list(LEANINGS)))
    levels = {
        part: middle + rng.normal(0, spread) + LEANINGS[leaning].get(part, 0.0)
        for part, (middle, spread) in LEVELS.items()
    }
    poles = int(rng.choice([4, 4, 4, 2]))
    blades = int(rng.integers(4, 18))
    uneven = rng.choice([0.0, 0.02, 0.08, 0.2])
    places = (np.arange(blades) + rng.uniform(-1, 1, blades) * uneven * 2) / blades
    split = rng.dirichlet([4.0, 2.0, 2.5])
    open_share = float(np.clip(rng.normal(0.74, 0.055), 0.52, 0.84))
    if rng.random() > 0.45:
        levels["buzz"] = -200.0
    if rng.random() > 0.5:
        levels["weights"] = -200.0
    return Maker(
        name=f"v{seed}-{number:03d}",
        seed=int(rng.integers(1 << 31)),
        mains_hz=int(rng.choice([50, 60])),
        poles=poles,
        leaning=leaning,
        levels_db=levels,
        balls=int(rng.integers(7, 12)),
        ball_ratio=float(rng.uniform(0.19, 0.33)),
        contact_cos=float(rng.choice([1.0, 1.0, 0.98, 0.966])),
        blades=blades,
        blade_places=tuple(places.tolist()),
        bars=int(rng.choice([34, 38, 42, 44, 48, 52] if poles == 4 else [18, 20, 22, 28, 30])),
        teeth=int(rng.integers(9, 60)),
        slip=float(np.exp(rng.uniform(np.log(0.002), np.log(0.035)))),
        breakdown_slip=float(rng.uniform(0.1, 0.28)),
        run_up_s=float(np.exp(rng.uniform(np.log(0.35), np.log(2.8)))),
        coast_s=float(np.exp(rng.uniform(np.log(1.0), np.log(13.0)))),
        drag_split=(float(split[0]), float(split[1]), float(split[2])),
        open_share=open_share,
        close_share=open_share * float(rng.uniform(0.4, 0.88)),
        click_db=float(rng.normal(0, 8)),
        swing=float(rng.choice([0.0, 0.1, 0.3, 0.6]) * rng.uniform(0.5, 1.0)),
        light=float(rng.normal(0, 1)),
    )
