"""Changes that change nothing: no test can find them, so they are not counted.

Each was looked at by a person. A change is known by its module, the text of its line, where in
that text it stands and what is put in; one whose line is edited is counted again.
"""

from __future__ import annotations

from mutants.operators import Mutant

#: (module, line without its indentation, column in it, what is put in) -> why nothing changes.
EQUAL: dict[tuple[str, str, int, str], str] = {
    (
        "dsp/windows.py",
        "return float(-20.0 * np.log10(np.abs(np.sum(w * half)) / np.abs(np.sum(w))))",
        44,
        "(w / half)",
    ): "a sum is as large as its conjugate",
    (
        "dsp/levels.py",
        "return np.asarray(_F4**2 * f2**2 / ((f2 + _F1**2) * sides * (f2 + _F4**2)))",
        18,
        "(_F4 * 2)",
    ): "divided by its own value at 1 kHz: a factor drops out",
    (
        "dsp/frames.py",
        "spectrum = np.fft.rfft(x, padded).astype(np.complex64, copy=False)",
        60,
        "True",
    ): "a copy has the same values",
    (
        "dsp/tones.py",
        "lambda f: critical_band(f).lo_hz - band.hi_hz, band.hi_hz, 3.0 * band.hi_hz + 300.0",
        78,
        "600.0",
    ): "only where the search for a root ends",
    (
        "evidence/levels.py",
        "share = np.interp(t, scene.coast_time, scene.coast_share, left=0.0, right=0.0)",
        63,
        "1.0",
    ): "left of the track the next line puts 0",
    (
        "evidence/levels.py",
        "half = smooth[min(int(0.5 * last), last - 1), i]",
        35,
        "(last + 1)",
    ): "half of 4 or more is always less",
    (
        "evidence/levels.py",
        "slope = float(np.mean((x - x.mean()) * (y - y.mean())) / spread)",
        27,
        "x.sum",
    ): "a covariance needs only one of its two factors centred",
    (
        "evidence/knocks.py",
        "by = max(1, round(envelope.rate_hz * _STEP_S))",
        9,
        "2",
    ): "an envelope of about 2 kHz has far more values in a step",
    (
        "run/ratio.py",
        "return rate / size, spectra(at_s), spectra(hold).mean(axis=0, keepdims=True)",
        35,
        "spectra(hold).sum",
    ): "only levels over their surroundings are taken of it: a factor drops out",
    (
        "run/course.py",
        "if b - a < 12 or weight.sum() <= 0:",
        17,
        "weight.mean",
    ): "of weights that are never negative, a mean is 0 where the sum is",
    (
        "run/speed.py",
        "beyond = np.full(reach, -99.0)",
        25,
        "198.0",
    ): "beyond the ends: only peaks that stand over 0 dB are taken at all",
    (
        "judge/score.py",
        "return 1.0 / (1.0 + math.exp(-max(-60.0, min(60.0, log_odds))))",
        45,
        "120.0",
    ): "beyond 60 the probability is 0 or 1 to every digit that is shown",
}


def why_equal(source: str, mutant: Mutant) -> str | None:
    """Give the reason why a change changes nothing, or None where none is known."""
    line = source.split("\n")[mutant.line - 1]
    before = len("\n".join(source.split("\n")[: mutant.line - 1]).encode()) + (mutant.line > 1)
    column = mutant.start - before - (len(line) - len(line.lstrip()))
    return EQUAL.get((mutant.module, line.strip(), column, mutant.after))
