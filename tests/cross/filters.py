#!/usr/bin/env python3
"""Compares every filter of batterhead with SciPy and with the analogue prototypes.

    python3 -m venv venv && venv/bin/pip install numpy scipy
    cargo run --release --example response > response.jsonl
    venv/bin/python tests/cross/filters.py response.jsonl

Prints the worst deviation of every kind and rate, and exits with 1 where one is above its limit.
- `runs`: our magnitude against scipy.signal.freqz_sos of our own coefficients.
- `design`: high- and low-pass against scipy.signal.butter (twice, for Linkwitz-Riley), above -200 dB.
- `analogue`: the others against the analogue prototypes of R. Bristow-Johnson, "Audio EQ Cookbook"
  (W3C Note, 2021), up to 18 kHz; the notch where it is above -40 dB.
Every pole must lie inside the unit circle, and every zero inside or on it.
"""

import json
import sys

import numpy as np
from scipy import signal

LIMITS = {"runs": 1e-6, "design": 1e-6, "analogue": 0.5}


def db(x):
    return 20 * np.log10(np.maximum(np.abs(x), 1e-15))


def analogue(kind, s, hz):
    """The prototype's response at s = j f / f0."""
    x = 1j * hz / s["freq_hz"]
    if kind == "notch":
        return (x * x + 1) / (x * x + x / s["q"] + 1)
    if kind == "tilt":
        a = 10 ** (s["gain_db"] / 20)
        return (1 + a * x) / (a + x)
    a = 10 ** (s["gain_db"] / 40)
    if kind == "peak":
        return (x * x + x * a / s["q"] + 1) / (x * x + x / (a * s["q"]) + 1)
    if "slope" in s:
        q = 1 / np.sqrt((a + 1 / a) * (1 / s["slope"] - 1) + 2)
    else:
        q = s.get("q", 1 / np.sqrt(2))
    r = np.sqrt(a) / q
    low, high = x * x + r * x + a, a * x * x + r * x + 1
    return a * low / high if kind == "low-shelf" else a * high / low


def design(kind, s, rate, hz):
    """SciPy's Butterworth filter of the same order."""
    twice = s.get("shape") == "linkwitz-riley"
    order = s["order"] // 2 if twice else s["order"]
    sos = signal.butter(order, s["freq_hz"], kind.replace("-", ""), fs=rate, output="sos")
    h = signal.sosfreqz(sos, 2 * np.pi * hz / rate)[1]
    return h * h if twice else h


def main():
    worst = {}

    def note(check, kind, rate, value, what):
        key = (check, kind, rate)
        if key not in worst or value > worst[key][0]:
            worst[key] = (value, what)

    count = 0
    unstable = []
    for line in open(sys.argv[1], encoding="utf-8"):
        case = json.loads(line)
        (kind, s), = case["stage"].items()
        rate = case["rate_hz"]
        hz, ours = np.array(case["magnitudes"]).T
        sos = np.array([[*b, 1.0, *a] for b, a in case["sections"]])
        count += 1
        for row in sos:
            poles, zeros = np.roots(row[3:]), np.roots(row[:3])
            if np.any(np.abs(poles) >= 1) or np.any(np.abs(zeros) > 1 + 1e-6):
                unstable.append(case)
        seen = ours > -200
        far = np.abs(hz / s["freq_hz"] - 1) > 1e-9 if kind == "notch" else np.full(hz.shape, True)
        runs = db(signal.sosfreqz(sos, 2 * np.pi * hz / rate)[1])
        note("runs", kind, rate, np.max(np.abs(runs - ours)[seen & far], initial=0.0), s)
        if "order" in s:
            error = np.abs(db(design(kind, s, rate, hz)) - ours)[seen]
            note("design", kind, rate, np.max(error), s)
        else:
            wanted = db(analogue(kind, s, hz))
            error = np.abs(wanted - ours)[(wanted > -40) & (hz <= 18_000)]
            note("analogue", kind, rate, np.max(error), s)

    bad = bool(unstable)
    for (check, kind, rate), (value, what) in sorted(worst.items()):
        over = value > LIMITS[check]
        bad |= over
        print(f"{check:9} {kind:11} {rate:8.0f}  {value:.2e} dB {'OVER ' if over else ''}{what}")
    print(f"{count} filters, {len(unstable)} with a pole or zero outside")
    sys.exit(int(bad))


if __name__ == "__main__":
    main()
