"""The phone: its linear path, its gain control, its limits."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from quietrun.synth.families import PhoneFamily
from quietrun.synth.kit import Floats, Rng, Signal, Spectrum, irfft, rfft, white

_GAIN_HZ = 200


def linear_response(phone: PhoneFamily, freqs_hz: Floats) -> NDArray[np.complex128]:
    """Complex response of microphone and input stage over frequency."""
    f = np.maximum(freqs_hz, 1.0)
    eq = np.interp(np.log(f), np.log(phone.eq_hz), phone.eq_db)
    size = 10 ** (eq / 20.0) / np.sqrt(1 + (f / phone.top_hz) ** 24)
    s = 1j * f / phone.high_pass_hz
    order = phone.high_pass_order
    high = np.ones_like(s)
    for pole in np.exp(0.5j * np.pi * (1 + (2 * np.arange(order) + 1) / order)):
        high = high * s / (s - pole)
    return np.asarray(size * high)


def response_bins(phone: PhoneFamily, bins: int, step_hz: float) -> Spectrum:
    """Response at ``bins`` multiples of ``step_hz``, straight between every sixteenth."""
    coarse = linear_response(phone, np.arange(bins // 16 + 2) * (16 * step_hz))
    coarse = coarse.astype(np.complex64)
    part = (np.arange(16) / 16).astype(np.float32)
    fine = coarse[:-1, None] + (coarse[1:] - coarse[:-1])[:, None] * part
    return np.asarray(fine.reshape(-1)[:bins])


def _levels(x: Signal, rate_hz: int) -> tuple[Floats, int]:
    """Rms in blocks of 5 ms, and the block's length."""
    block = max(1, rate_hz // _GAIN_HZ)
    count = x.size // block + 1
    padded = np.pad(x, (0, count * block - x.size))
    return np.sqrt(np.square(padded.reshape(count, block)).mean(axis=1)) + 1e-7, block


def _stretch(gain: Floats, block: int, n: int) -> Signal:
    """Bring a gain per block to the audio rate by straight lines."""
    g = np.append(gain, gain[-1]).astype(np.float32)
    step = (np.arange(block) / block).astype(np.float32)
    return np.asarray((g[:-1, None] + (g[1:] - g[:-1])[:, None] * step).reshape(-1)[:n])


def _followed(level: Floats, attack: float, release: float) -> Floats:
    """Envelope with one-pole attack and release (factors kept per block)."""
    env, out = float(level[0]), []
    for value in level.tolist():
        keep = attack if value > env else release
        env = keep * env + (1 - keep) * value
        out.append(env)
    return np.asarray(out)


def ride(x: Signal, phone: PhoneFamily) -> Signal:
    """Automatic gain: pulls the level towards a target, within a range, at its own speeds."""
    if phone.gain_mode == "fixed":
        return x
    slow = 3.0 if phone.gain_mode == "slow" else 1.0
    level, block = _levels(x, phone.rate_hz)
    step = block / phone.rate_hz
    keep = [float(np.exp(-step / (s * slow))) for s in (phone.gain_attack_s, phone.gain_release_s)]
    target = float(np.sqrt(np.mean(np.square(level))))
    wanted = 20 * np.log10(target / _followed(level, *keep))
    gain = 10 ** (np.clip(wanted, -phone.gain_range_db, phone.gain_range_db) / 20.0)
    return x * _stretch(gain, block, x.size)


def gate(x: Signal, rate_hz: int, threshold: float, rng: Rng) -> Signal:
    """Noise gate: what stays below a level (FS) is cut off, with a hold time."""
    level, block = _levels(x, rate_hz)
    hold = int(rng.uniform(0.05, 0.4) * _GAIN_HZ)
    open_ = (_followed(level, 0.3, 0.9) > threshold).astype(float)
    held = np.convolve(open_, np.ones(hold), mode="full")[: open_.size] > 0
    smooth = np.convolve(held.astype(float), np.ones(6) / 6, mode="same")
    depth = 10 ** (rng.uniform(-70, -25) / 20)
    return x * _stretch(depth + (1 - depth) * smooth, block, x.size)


def fade(x: Signal, rate_hz: int, db_per_s: float, rng: Rng) -> Signal:
    """Noise reduction that takes a steady machine for noise: it fades until something changes."""
    level, block = _levels(x, rate_hz)
    slow = _followed(level, 0.995, 0.98)
    fast = _followed(level, 0.8, 0.9)
    changing = np.abs(20 * np.log10(fast / slow)) > 6.0
    step = db_per_s / _GAIN_HZ
    floor = float(rng.uniform(-30, -14))
    down, out = 0.0, []
    for moving in changing.tolist():
        down = min(0.0, down + 0.6) if moving else max(floor, down - step)
        out.append(down)
    return x * _stretch(10 ** (np.asarray(out) / 20.0), block, x.size)


def suppress(x: Signal, rate_hz: int, strength_db: float) -> Signal:
    """Spectral noise suppression, mild: bins near their own slow minimum are turned down."""
    size = 1 << round(np.log2(rate_hz * 0.021))
    hop = size // 2
    count = x.size // hop + 2
    padded = np.pad(x, (hop, count * hop + size - x.size))
    frames = np.lib.stride_tricks.sliding_window_view(padded, size)[::hop][: count + 1]
    window = np.sin(np.pi * (np.arange(size) + 0.5) / size).astype(np.float32)
    z = rfft(frames * window)
    power = np.square(z.real) + np.square(z.imag)
    smooth = np.apply_along_axis(np.convolve, 0, power[:, ::4], np.ones(9) / 9, mode="same")
    floor = np.minimum.accumulate(np.maximum(smooth, 1e-12), axis=0)
    snr = np.repeat(smooth / floor, 4, axis=1)[:, : z.shape[1]]
    lowest = 10 ** (-strength_db / 20)
    z *= np.clip(1.0 - 1.5 / np.maximum(snr, 1e-6), lowest, 1.0).astype(np.float32)
    blocks = irfft(z, size) * window
    out = np.zeros((blocks.shape[0] + 1, hop), dtype=np.float32)
    out[:-1] += blocks[:, :hop]
    out[1:] += blocks[:, hop:]
    return out.reshape(-1)[hop : hop + x.size]


def soft_limit(x: Signal) -> Signal:
    """Limiter as a soft knee towards full scale."""
    size = np.abs(x)
    over = np.sign(x) * (0.6 + 0.39 * np.tanh((size - 0.6) / 0.39))
    return np.asarray(np.where(size < 0.6, x, over), dtype=np.float32)


def self_noise(phone: PhoneFamily, rng: Rng, n: int) -> Signal:
    """Noise of the microphone and its amplifier."""
    return white(rng, n) * np.float32(10 ** (phone.noise_dbfs / 20.0))


def resample(x: Signal, rate_hz: int, to_hz: int) -> Signal:
    """Band-limited change of rate through one long transform."""
    n = round(x.size * to_hz / rate_hz)
    pad = rate_hz // 100
    long = np.pad(x, (0, (-x.size) % pad + pad))
    size = long.size // pad * (to_hz // 100)
    z = rfft(long)
    out = np.zeros(size // 2 + 1, dtype=np.complex64)
    keep = min(z.size, out.size)
    out[:keep] = z[:keep]
    y = irfft(out, size)[:n] * (size / long.size)
    return np.asarray(y, dtype=np.float32)


def second_channel(x: Signal, phone: PhoneFamily, rng: Rng) -> Signal:
    """Stereo from one sound: a second microphone near by, a dead one, or a turned-over one."""
    if phone.stereo == "mono":
        return x
    if phone.stereo == "one_dead":
        other = self_noise(phone, rng, x.size)
    elif phone.stereo == "turned":
        other = -x + self_noise(phone, rng, x.size)
    else:
        taps = rng.normal(0, 0.25, 24).astype(np.float32) * np.exp(-np.arange(24) / 6.0)
        taps[int(rng.integers(0, 12))] += rng.uniform(0.4, 1.1)
        other = np.convolve(x, taps.astype(np.float32))[: x.size]
    pair = [x, other] if rng.random() < 0.5 else [other, x]
    return np.ascontiguousarray(np.stack(pair, axis=1).astype(np.float32))
