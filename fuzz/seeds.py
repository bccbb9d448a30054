"""Writes the seeds of the fuzz targets anew: python3 fuzz/seeds.py (presets have tests/data/presets)."""

import struct
from pathlib import Path

HERE = Path(__file__).parent / "seeds"


def fmt(tag, channels, rate, bits, sample_bytes, more=b""):
    frame = channels * sample_bytes
    return struct.pack("<HHIIHH", tag, channels, rate, rate * frame, frame, bits) + more


def extensible(sub, channels, rate, valid, sample_bytes, mask):
    guid = struct.pack("<H", sub) + bytes.fromhex("000000001000800000aa00389b71")
    return fmt(0xFFFE, channels, rate, sample_bytes * 8, sample_bytes, struct.pack("<HHI", 22, valid, mask) + guid)


def riff(*chunks, outer=b"RIFF"):
    body = b"WAVE" + b"".join(
        name + struct.pack("<I", len(payload)) + payload + b"\0" * (len(payload) % 2) for name, payload in chunks
    )
    return outer + struct.pack("<I", len(body)) + body


def bext():
    return b"take 3".ljust(256, b"\0") + b"recorder".ljust(82, b"\0") + struct.pack("<QH", 48_000 * 3600, 1) + b"\0" * 254 + b"A=PCM\r\n"


def noise(count):
    state, out = 1, bytearray()
    for _ in range(count):
        state = (state * 6364136223846793005 + 1442695040888963407) % 2**64
        out.append(state >> 56)
    return bytes(out)


def wavs():
    for bits, bytes_ in ((8, 1), (16, 2), (24, 3), (32, 4)):
        yield f"int {bits}", riff((b"fmt ", fmt(1, 2, 48_000, bits, bytes_)), (b"data", noise(10 * 2 * bytes_)))
    floats = struct.pack("<8f", 0.5, -1.5, float("nan"), float("inf"), 1e-40, -0.0, 1.0, 1e30)
    yield "float 32", riff((b"fmt ", fmt(3, 1, 44_100, 32, 4, b"\0\0")), (b"fact", struct.pack("<I", 8)), (b"data", floats))
    yield "float 64", riff((b"fmt ", fmt(3, 1, 44_100, 64, 8)), (b"data", struct.pack("<4d", 0.5, -1.5, 1e-310, 1.0)))
    yield "20 in 24", riff((b"fmt ", extensible(1, 2, 96_000, 20, 3, 3)), (b"data", noise(30)))
    yield "24 in 32", riff((b"fmt ", extensible(1, 1, 96_000, 24, 4, 4)), (b"data", noise(40)))
    yield "chunks", riff(
        (b"JUNK", b"\0" * 28), (b"bext", bext()), (b"odd ", b"abc"), (b"fmt ", fmt(1, 1, 48_000, 16, 2)), (b"data", noise(20)),
        (b"cue ", struct.pack("<IIIIIII", 1, 1, 4, 0x61746164, 0, 0, 4)), (b"smpl", struct.pack("<9I", 0, 0, 20833, 60, 0, 0, 0, 0, 0)),
        (b"LIST", b"INFOICMT\2\0\0\0hi"), (b"LIST", b"adtllabl\6\0\0\0\1\0\0\0A\0"), (b"iXML", b"<BWFXML/>"), (b"note", b"x"),
    )
    yield "never finished", riff((b"fmt ", fmt(1, 1, 48_000, 16, 2)))+ b"data\0\0\0\0" + noise(40)
    yield "rf64", riff((b"ds64", struct.pack("<QQQI", 100, 40, 20, 0)), (b"fmt ", fmt(1, 1, 48_000, 16, 2)), outer=b"RF64") + b"data\xff\xff\xff\xff" + noise(40)
    yield "cut", riff((b"fmt ", fmt(1, 1, 48_000, 16, 2)), (b"data", noise(40)))[:-20]


SESSION = [
    '[naming]\ntemplate = "{song}_{take}_{mic}"\n',
    'pattern = "{song}/{take}/{mic}"\npairs = "split"\nleft-out = "never"\n',
    '[presets]\nsnare-top = "snare-top-tight"\n\n[output]\nbits = 16\nrate_hz = 44100\ndither = false\n',
    '[[input]]\nfile = "OH*"\nmic = "overhead-l"\n\n[[input]]\nchannel = 3\nmic = "kick-in"\n',
    '[mix]\ntarget_lufs = -18.0\n\n[mix.place]\nroom = { fader_db = -3.0, pan = 10 }\n',
    '[[derived]]\nof = "room"\npreset = "trashy-room"\nname = "trashy-room"\n',
    '[words]\nsdrum = "snare-top"\n',
]

WORKSHEET = [
    """schema = 1

[track."low-tide/take-01/low-tide_take-01_snare-top"]
mic = "snare-top"
preset = "snare-top"
left_out = false
muted = false
polarity_inverted = false
delay_samples = 0
stages = [
  { high-pass = { freq_hz = 80.0, order = 4 } },
  { gate = { range_db = -12.0 } },
]
gain_db = -7.5
""",
]

TEMPLATE = ["{song}_{take}_{mic}", "{mic}", "{song} - {mic}.{side}\ncon\ntake-03\nsnare-top", "../{mic}", "{a}{", "{mic}." + "x" * 190]


def write(folder, name, content):
    path = HERE / folder / name
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(content)


for name, content in wavs():
    write("wav", name.replace(" ", "-"), content)
for target, texts in (("session", SESSION), ("worksheet", WORKSHEET), ("template", TEMPLATE)):
    for i, text in enumerate(texts):
        write(target, f"{i}", text.encode())
