#!/usr/bin/env python3
"""Group stems against rough mixes, added up by numpy: sums.py DIR

The stems of all groups of a take, each without its gain, faded in and out as the rough mix is, are the
rough mix without its gain, down to -120 dBFS RMS. Needs numpy. Exit status 1 if a sum differs, or if there is nothing to add up.
"""

import json
import pathlib
import sys

import numpy as np


def read(path):
    """Samples of a PCM or float WAV file, frames x channels, full scale 1."""
    data = path.read_bytes()
    assert data[:4] == b"RIFF" and data[8:12] == b"WAVE", path
    at, fmt, samples = 12, None, None
    while at + 8 <= len(data):
        name, size = data[at : at + 4], int.from_bytes(data[at + 4 : at + 8], "little")
        body = data[at + 8 : at + 8 + size]
        if name == b"fmt ":
            fmt = body
        elif name == b"data":
            samples = body
        at += 8 + size + size % 2
    channels = int.from_bytes(fmt[2:4], "little")
    bits = int.from_bytes(fmt[14:16], "little")
    tag = int.from_bytes(fmt[:2], "little")
    if tag == 0xFFFE:
        tag = int.from_bytes(fmt[24:26], "little")
    if tag == 3:
        values = np.frombuffer(samples, "<f4" if bits == 32 else "<f8").astype(float)
    else:
        width = bits // 8
        raw = np.frombuffer(samples, np.uint8).reshape(-1, width)
        whole = np.zeros((len(raw), 4), np.uint8)
        whole[:, 4 - width :] = raw
        values = whole.view("<i4").ravel() / 2.0**31
    return values.reshape(-1, channels)


def rate(path):
    """Frames a second."""
    data = path.read_bytes()
    at = data.index(b"fmt ") + 12
    return int.from_bytes(data[at : at + 4], "little")


def fades(frames, rate_hz):
    """A mix comes up within 5 ms and goes down within 50, half a cosine each; its stems do not."""
    edge = lambda n, length: 0.5 - 0.5 * np.cos(np.pi * np.minimum(n, length) / length)
    n = np.arange(frames)
    return np.minimum(edge(n, int(0.005 * rate_hz)), edge(frames - 1 - n, int(0.05 * rate_hz)))


def main():
    folder = pathlib.Path(sys.argv[1])
    session = json.loads((folder / "session.json").read_text())
    takes, wrong = 0, 0
    for mix in session["mixes"]:
        groups = [o for o in mix["outputs"] if o["group"] is not None]
        if not groups:
            continue
        takes += 1
        bare = lambda o: read(folder / o["path"]) / 10 ** (o["gain_db"] / 20)
        whole = next(o for o in mix["outputs"] if o["path"] == mix["path"])
        rest = bare(whole)
        rest -= sum(bare(o) for o in groups) * fades(len(rest), rate(folder / whole["path"]))[:, None]
        rms = np.sqrt(np.mean(rest**2))
        level = 20 * np.log10(max(rms, 1e-12))
        if level > -120:
            wrong += 1
            print(f"{mix['song']} {mix['take']}: the sum of {len(groups)} groups differs by {level:.1f} dBFS RMS")
    print(f"{takes} takes added up, {wrong} wrong")
    return bool(wrong) or takes == 0


if __name__ == "__main__":
    sys.exit(main())
