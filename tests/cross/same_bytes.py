#!/usr/bin/env python3
"""Two builds beside each other: same_bytes.py OLD NEW [--make MAKE_SESSION] [--whole] [--keep DIR]

Prepares three sessions with both programs and compares every stem and mix: the demo, a generated
session of 3 takes x 16 mics, and an odd one (mixed rates and depths, a stereo file, a file that was
never finished, one that is no sound, names that say nothing). By default the samples count (`fmt ` and
`data`); with --whole every byte. Exit status 1 if anything differs, 2 if there is nothing to compare.
"""

import argparse
import hashlib
import math
import pathlib
import random
import struct
import subprocess
import sys
import tempfile


def chunks(data):
    """Name and body of each chunk of a WAV or RF64 file; a size that is too large ends the file."""
    at = 12
    while at + 8 <= len(data):
        name, size = data[at : at + 4], int.from_bytes(data[at + 4 : at + 8], "little")
        yield name, data[at + 8 : at + 8 + size]
        at += 8 + size + size % 2


def digest(path, whole):
    data = path.read_bytes()
    if not whole:
        data = b"".join(name + body for name, body in chunks(data) if name in (b"fmt ", b"data"))
    return hashlib.sha256(data).hexdigest()


def wav(path, samples, rate_hz, bits=24, channels=1, unfinished=False):
    """Samples (full scale 1, interleaved) as PCM, or as 32-bit float where `bits` is 32."""
    if bits == 32:
        body = struct.pack(f"<{len(samples)}f", *samples)
    else:
        top = 2 ** (bits - 1) - 1
        values = (int(max(-1, min(1, x)) * top) for x in samples)
        body = b"".join(v.to_bytes(bits // 8, "little", signed=True) for v in values)
    frame = channels * bits // 8
    tag = 3 if bits == 32 else 1
    fmt = struct.pack("<HHIIHH", tag, channels, rate_hz, rate_hz * frame, frame, bits)
    size = 0 if unfinished else len(body)
    head = b"WAVEfmt " + struct.pack("<I", 16) + fmt + b"data" + struct.pack("<I", size)
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(b"RIFF" + struct.pack("<I", len(head) + len(body)) + head + body)


def drum(freq_hz, every_s, rate_hz, seconds, seed, channels=1, level=0.4):
    """Strokes that ring at one pitch over a little noise, by a generator of its own seed."""
    noise = random.Random(seed)
    samples = []
    for n in range(int(seconds * rate_hz)):
        since = (n / rate_hz) % every_s
        ring = math.exp(-since / 0.12) * math.sin(2 * math.pi * freq_hz * since)
        crack = math.exp(-since / 0.004) * noise.uniform(-1, 1)
        value = level * (0.7 * ring + 0.3 * crack) + 1e-5 * noise.uniform(-1, 1)
        samples.extend([value * (1 - 0.2 * c) for c in range(channels)])
    return samples


def odd(folder):
    """A session that hardly any recorder would leave."""
    seconds = 5
    for take in (1, 2):
        at = folder / "Odd Song"
        name = lambda mic: at / f"Odd Song T{take:02} {mic}.wav"
        wav(name("Kick In"), drum(62, 0.7, 48_000, seconds, take), 48_000)
        wav(name("Snare Top"), drum(196, 0.9, 48_000, seconds, 10 + take), 48_000, bits=16)
        wav(name("Snare Bottom"), [-x for x in drum(196, 0.9, 48_000, seconds, 20 + take)], 48_000, bits=32)
        wav(name("Overhead"), drum(400, 0.35, 48_000, seconds, 30 + take, channels=2), 48_000, channels=2)
        wav(name("Room L"), drum(90, 0.7, 44_100, seconds, 40 + take), 44_100)
        wav(name("Room R"), drum(90, 0.7, 44_100, seconds - 0.5, 50 + take), 44_100)
        wav(name("Tom 1"), [0.0] * 48_000 * seconds, 48_000)
        wav(name("Gizmo"), drum(900, 1.1, 48_000, seconds, 60 + take), 48_000, unfinished=take == 2)
    (folder / "Odd Song" / "Odd Song T01 Hat.wav").write_bytes(b"no sound at all")


def prepare(program, session, out):
    ran = subprocess.run([program, "prep", session, "--out", out, "--quiet"], capture_output=True)
    assert ran.returncode in (0, 1), ran.stderr.decode()


def sounds(out, whole):
    files = sorted(p for part in ("stems", "mixes") for p in (out / part).rglob("*.wav"))
    return {str(p.relative_to(out)): digest(p, whole) for p in files}


def main():
    arguments = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    arguments.add_argument("old")
    arguments.add_argument("new")
    arguments.add_argument("--make", help="the example make_session, built; without it the generated session is left out")
    arguments.add_argument("--whole", action="store_true")
    arguments.add_argument("--keep", type=pathlib.Path)
    given = arguments.parse_args()
    with tempfile.TemporaryDirectory() as scratch:
        root = given.keep or pathlib.Path(scratch)
        demo = root / "demo"
        if not demo.exists():
            subprocess.run([given.old, "demo", "--out", demo, "--quiet"], check=True, capture_output=True)
            odd(root / "odd")
        sessions = {"demo": demo / "takes", "odd": root / "odd"}
        if given.make:
            sessions["usual"] = root / "usual"
            size = ["--songs", "1", "--takes", "3", "--mics", "16", "--seconds", "20"]
            subprocess.run([given.make, root / "usual", *size], check=True, capture_output=True)
        else:
            print("usual: left out, no --make")
        different = compared = 0
        for name, session in sessions.items():
            found = []
            for which, program in (("old", given.old), ("new", given.new)):
                out = root / f"{name}-{which}"
                prepare(program, session, out)
                found.append(sounds(out, given.whole))
            old, new = found
            changed = sorted(f for f in old.keys() | new.keys() if old.get(f) != new.get(f))
            compared += len(old)
            different += len(changed)
            print(f"{name}: {len(old)} files, {len(changed)} differ")
            for file in changed:
                what = "differs" if file in old and file in new else "is only in one"
                print(f"  {file} {what}")
    return 2 if compared == 0 else int(different > 0)


if __name__ == "__main__":
    sys.exit(main())
