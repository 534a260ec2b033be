"""The loops that must run sample by sample, compiled."""

from __future__ import annotations

import math

import numpy as np
from numba import njit

TABLE = 16384
"""Points of a surface profile over one turn."""
TURN = 2.0 * math.pi


@njit(cache=True)
def spin(n, dt, on, off, torque, drag, ripple, sag, start_hz):
    """Rotor speed from torque, unit inertia.

    ``torque``: peak, slip at the peak, backward share, start share, synchronous rad/s,
    speed share of opening and closing, 1.0 when the switch never opens (-1: never closed),
    weakness of the supply (torque falls with the current drawn).
    ``drag``: Coulomb, viscous, windage, in rad/s2 over rad/s powers. ``ripple`` is an extra
    relative load per step, ``sag`` scales the run torque per step. Returns speed, slip
    current and switch state per step.
    """
    omega = np.zeros(n)
    current = np.zeros(n)
    closed = np.zeros(n)
    peak, sb, backward, start, sync, opens, closes, stuck, weak = torque
    w = start_hz * TURN
    shut = stuck >= 0.0
    for i in range(n):
        powered = on <= i < off
        push = 0.0
        if powered:
            s = max(1.0 - w / sync, 1e-4)
            forward = 2.0 / (s / sb + sb / s)
            back = 2.0 / ((2.0 - s) / sb + sb / (2.0 - s))
            push = peak * sag[i] * (forward - backward * back)
            if shut:
                push += peak * start * forward
            push /= (1.0 + weak * s) ** 2
            current[i] = math.sqrt(s * s / (s * s + 2.0 * sb * sb)) + (0.55 if shut else 0.0)
        if shut and stuck < 0.5 and w > opens * sync:
            shut = False
        elif not shut and stuck == 0.0 and w < closes * sync:
            shut = True
        closed[i] = 1.0 if shut else 0.0
        omega[i] = w
        pull = (drag[0] + drag[1] * w + drag[2] * w * w) * ripple[i]
        w = max(0.0, w + dt * (push - pull))
    return omega, current, closed


@njit(cache=True, fastmath=True)
def ring(n, rate, freq, loss, amp, phase):
    """Sum of decaying modes: freq (m,) Hz, loss factors, amplitudes, phases."""
    out = np.zeros(n)
    for m in range(freq.size):
        w = TURN * freq[m] / rate
        step = np.exp(complex(-0.5 * w * loss[m], w))
        z = amp[m] * np.exp(complex(0.0, phase[m]))
        for i in range(n):
            out[i] += z.imag
            z = z * step
    return out


@njit(cache=True, fastmath=True)
def read_table(table, theta):
    """A profile of TABLE points over one turn, read at angles, linear between points."""
    out = np.empty(theta.size, dtype=np.float32)
    scale = TABLE / TURN
    mask = TABLE - 1
    for i in range(theta.size):
        place = theta[i] * scale
        low = math.floor(place)
        part = place - low
        k = int(low) & mask
        out[i] = table[k] * (1.0 - part) + table[(k + 1) & mask] * part
    return out


@njit(cache=True, fastmath=True)
def ball_force(theta, cage, balls, preload, radial, unbalance, outer, inner, cosine, rolling):
    """Sum of Hertzian ball forces along the load line, profiles read against angle.

    theta, cage : shape (n,), rad; outer, inner, cosine, rolling : shape (TABLE,).
    """
    n = theta.size
    out = np.empty(n, dtype=np.float32)
    scale = TABLE / TURN
    mask = TABLE - 1
    step = TABLE / balls
    for i in range(n):
        fixed = cage[i] * scale
        turned = (cage[i] - theta[i]) * scale
        spun = cage[i] * scale * 5.3
        total = 0.0
        for j in range(balls):
            a = fixed + j * step
            b = turned + j * step
            c = spun + j * 2969.0
            a0 = math.floor(a)
            b0 = math.floor(b)
            c0 = math.floor(c)
            ap = a - a0
            bp = b - b0
            cp = c - c0
            k = int(a0) & mask
            m = int(b0) & mask
            r = int(c0) & mask
            load = cosine[k] + (cosine[(k + 1) & mask] - cosine[k]) * ap
            swing = cosine[m] + (cosine[(m + 1) & mask] - cosine[m]) * bp
            depth = (
                preload
                + radial * load
                + unbalance * swing
                + outer[k] * (1.0 - ap)
                + outer[(k + 1) & mask] * ap
                + inner[m] * (1.0 - bp)
                + inner[(m + 1) & mask] * bp
                + rolling[r] * (1.0 - cp)
                + rolling[(r + 1) & mask] * cp
            )
            if depth > 0.0:
                total += depth * math.sqrt(depth) * (0.5 + load)
        out[i] = total
    return out


@njit(cache=True, fastmath=True)
def blade_rub(theta, angle, reach, wall, rough, gap):
    """Penetration force of blade tips along a wall: sum over blades, shape (n,)."""
    n = theta.size
    out = np.empty(n, dtype=np.float32)
    scale = TABLE / TURN
    mask = TABLE - 1
    for i in range(n):
        base = theta[i] * scale
        total = 0.0
        for b in range(angle.size):
            place = base + angle[b] * scale
            low = math.floor(place)
            part = place - low
            k = int(low) & mask
            depth = reach[b] + wall[k] * (1.0 - part) + wall[(k + 1) & mask] * part - gap[i]
            if depth > 0.0:
                total += depth * (1.0 + rough[(k * 7 + 977 * b) & mask])
        out[i] = total
    return out


@njit(cache=True, fastmath=True)
def gap_contact(n, rate, shake, gravity, theta, turn, hold, slack, stiff, damp, jitter):
    """Force between a driver and a loose part with play (relative coordinate, unit mass).

    shake : shape (n,), acceleration of the driver; gravity turns with ``theta``;
    hold : shape (n,), steady acceleration that presses the part to the driving face;
    slack : half the play; stiff, damp : contact stiffness (rad/s)^2 and damping 1/s;
    jitter : shape (n,), random acceleration; turn : shape (n,), 0..1, how far gravity counts.
    Returns the contact force, shape (n,).
    """
    out = np.zeros(n, dtype=np.float32)
    x = -slack
    v = 0.0
    dt = 1.0 / rate
    for i in range(n):
        acc = -shake[i] - hold[i] + gravity * turn[i] * math.sin(theta[i]) + jitter[i]
        force = 0.0
        if x > slack:
            force = -(stiff * (x - slack) + damp * v)
            if force > 0.0:
                force = 0.0
        elif x < -slack:
            force = -(stiff * (x + slack) + damp * v)
            if force < 0.0:
                force = 0.0
        v += dt * (acc + force)
        x += dt * v
        # end stops of the slot itself: nothing travels through steel
        if x > 3.0 * slack:
            x = 3.0 * slack
            v = -0.3 * abs(v)
        elif x < -3.0 * slack:
            x = -3.0 * slack
            v = 0.3 * abs(v)
        out[i] = force
    return out


@njit(cache=True, fastmath=True)
def hopf(rate, freq, growth, noise, pull):
    """Friction oscillation of one mode: z' = (i w + g(t) - |z|^2 b) z + noise.

    freq : shape (n,), Hz; growth : shape (n,), 1/s (negative: dies away);
    noise : shape (n,), falls silent with the machine;
    pull : how far the tone bends with its own amplitude.
    """
    n = freq.size
    out = np.empty(n, dtype=np.float32)
    re = 1e-4
    im = 0.0
    dt = 1.0 / rate
    for i in range(n):
        power = re * re + im * im
        g = growth[i] - 150.0 * power
        w = TURN * freq[i] * (1.0 - pull * power) * dt
        gain = math.exp(max(-0.5, min(0.5, g * dt)))
        c = math.cos(w) * gain
        s = math.sin(w) * gain
        re, im = re * c - im * s + noise[i] * dt, re * s + im * c
        if power > 25.0:
            re *= 0.5
            im *= 0.5
        out[i] = im
    return out


@njit(cache=True, fastmath=True)
def delay_network(n, delays, gains, damp, mix):
    """Impulse response of a feedback delay network with one-pole damping a line."""
    lines = delays.size
    longest = delays.max()
    store = np.zeros((lines, longest))
    low = np.zeros(lines)
    out = np.zeros(n)
    read = np.zeros(lines)
    for i in range(n):
        total = 0.0
        for k in range(lines):
            y = store[k, i % delays[k]]
            low[k] = (1.0 - damp[k]) * y + damp[k] * low[k]
            read[k] = low[k] * gains[k]
            total += read[k]
        spread = 2.0 / lines * total
        kick = 1.0 if i == 0 else 0.0
        for k in range(lines):
            store[k, i % delays[k]] = read[k] - spread + kick * mix[k]
            out[i] += read[k] * mix[k]
    return out


@njit(cache=True, fastmath=True)
def follow_level(power, up, down):
    """One-pole level follower with own rates up and down, shape (n,)."""
    out = np.empty(power.size)
    level = power[0]
    for i in range(power.size):
        rate = up if power[i] > level else down
        level += rate * (power[i] - level)
        out[i] = level
    return out
