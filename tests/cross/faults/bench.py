"""A small session, the program run on it, and what has to hold of every output folder."""

import hashlib
import json
import math
import os
import shutil
import struct
import subprocess
import time
from pathlib import Path

RATE = 48_000
# Length of every source: the work is in the calls, not in the sound.
SECONDS = 0.5
# A run is a second at most; what takes so long hangs.
PATIENCE_S = 120


def again(ran, out, sources):
    """What was decided while a source could not be measured was delivered, and stays unless it is
    decided anew; all else heals by the same command."""
    if ran.status != 1:
        return []
    measured = json.loads((Path(out) / "session.json").read_text())["totals"]["tracks"]
    return ["--decide-anew"] if measured < len(sources) else []


class Bad(Exception):
    """Something that has to hold does not."""


def wav(seconds, hz, seed, rate=RATE):
    """A mono 24-bit WAV file: two damped hits a second over a little noise, the same every time."""
    frames = bytearray()
    noise = seed * 0x9E3779B9 & 0xFFFFFFFF | 1
    for frame in range(int(seconds * rate)):
        noise ^= noise << 13 & 0xFFFFFFFF
        noise ^= noise >> 17
        noise ^= noise << 5 & 0xFFFFFFFF
        since = frame % (rate // 2) / rate - 0.05
        ring = 0.3 * math.exp(-since * 12) * math.cos(math.tau * hz * since) if since >= 0 else 0.0
        sample = int((ring + (noise / 2**32 - 0.5) * 2e-4) * 8_388_607)
        frames += sample.to_bytes(3, "little", signed=True)
    return riff((b"fmt ", fmt(1, 1, rate, 24, 3)), (b"data", bytes(frames)))


def fmt(tag, channels, rate, bits, sample_bytes):
    frame = channels * sample_bytes
    return struct.pack("<HHIIHH", tag, channels, rate, rate * frame & 0xFFFFFFFF, frame & 0xFFFF, bits)


def riff(*chunks, outer=b"RIFF", size=None):
    body = b"WAVE"
    for name, payload in chunks:
        body += name + struct.pack("<I", len(payload)) + payload + b"\0" * (len(payload) % 2)
    return outer + struct.pack("<I", len(body) if size is None else size) + body


def sha256(path):
    return hashlib.sha256(Path(path).read_bytes()).hexdigest()


def tree(folder, own=False):
    """Every file below a folder with its SHA-256; the program's own memory only if asked for."""
    files = {}
    for path in sorted(Path(folder).rglob("*")):
        name = str(path.relative_to(folder))
        if path.is_file() and (own or not name.startswith(".batterhead")):
            files[name] = sha256(path)
    return files


def litter(folder):
    return [str(p) for p in Path(folder).rglob(".bh-*.part")] if Path(folder).exists() else []


class Ran:
    def __init__(self, status, stdout, stderr, seconds):
        self.status, self.stdout, self.stderr, self.seconds = status, stdout, stderr, seconds
        self.said = stdout + stderr

    def expect(self, *statuses):
        if self.status not in statuses:
            raise Bad(f"status {self.status} instead of {statuses}: {self.said[-400:]}")
        if "panicked" in self.said:
            raise Bad(f"a panic: {self.said[-400:]}")
        return self

    def says(self, *words):
        for word in words:
            if word not in self.said:
                raise Bad(f"nothing is said of {word!r}: {self.said[-400:]}")
        return self


class Scenario:
    """A command on a folder that earlier ones have left in some state, and the tree that it ends in."""

    def __init__(self, bench, name, command, before=None):
        self.bench, self.name, self.command = bench, name, command
        self.base = None
        if before:
            self.base = bench.new("before")
            before(self.base)
        golden = bench.new("golden")
        self.prepare(golden)
        self.run(golden).expect(0)
        self.golden = tree(golden)
        bench.verify(golden)

    def prepare(self, out):
        if self.base:
            shutil.copytree(self.base, out)

    def run(self, out, **how):
        words = [out if word == "OUT" else word for word in self.command]
        return self.bench.run(*words, **how)

    def heals(self, out):
        self.run(out).expect(0)
        self.bench.is_golden(out, self.golden)
        self.bench.sources_untouched()

    def goes_on(self, out):
        """What was decided and delivered while a file failed stays; but nothing is missing any more."""
        self.run(out).expect(0)
        if lost := self.golden.keys() - tree(out).keys():
            raise Bad(f"missing: {sorted(lost)[:5]}")
        if (out / "worksheet.toml").exists() and "No file of the session" in (out / "worksheet.toml").read_text():
            raise Bad("the worksheet takes a track for gone")
        self.bench.verify(out)
        self.bench.sources_untouched()


class Bench:
    """Four short files: two takes of two mics; and the tree that an undisturbed run makes of them."""

    def __init__(self, program, work):
        self.program = str(Path(program).resolve())
        self.work = Path(work)
        self.count = 0
        self.takes = self.work / "takes"
        for take in (1, 2):
            folder = self.takes / "Low Tide" / f"take {take}"
            folder.mkdir(parents=True)
            for mic, hz in (("Kick In", 60), ("SN TOP", 210)):
                (folder / f"{mic}.wav").write_bytes(wav(SECONDS, hz, 7 * take + hz))
        self.sources = tree(self.takes)
        golden = self.new("golden")
        self.prep(golden).expect(0)
        self.golden = tree(golden)
        self.verify(golden)

    def new(self, name="out"):
        self.count += 1
        return self.work / f"{name}-{self.count}"

    def copy_of_takes(self):
        folder = self.new("takes")
        shutil.copytree(self.takes, folder)
        return folder

    def run(self, *args, wrap=(), **more):
        process = self.start(*args, wrap=wrap, **more)
        return self.end(process)

    def start(self, *args, wrap=(), stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, **more):
        self.begun = time.monotonic()
        command = [*map(str, wrap), self.program, *map(str, args)]
        more.setdefault("cwd", self.work)
        return subprocess.Popen(command, stdin=stdin, stdout=stdout, stderr=subprocess.PIPE, **more)

    def end(self, process):
        begun = time.monotonic()
        try:
            out, err = process.communicate(timeout=PATIENCE_S)
        except subprocess.TimeoutExpired:
            process.kill()
            process.communicate()
            raise Bad(f"it hangs: {process.args}") from None
        text = lambda b: (b or b"").decode("utf-8", "replace")
        return Ran(process.returncode, text(out), text(err), time.monotonic() - begun)

    def prep(self, out, *more, takes=None, **how):
        return self.run("prep", takes or self.takes, "--out", out, "--jobs", "1", *more, **how)

    def verify(self, out):
        self.run("verify", out).expect(0)

    def sources_untouched(self):
        if tree(self.takes) != self.sources:
            raise Bad("a source was changed")

    def is_golden(self, out, golden=None):
        found, golden = tree(out), golden or self.golden
        if found != golden:
            names = sorted(n for n in {*found, *golden} if found.get(n) != golden.get(n))
            raise Bad(f"not the tree of an undisturbed run: {names[:5]}")
        if litter(out):
            raise Bad(f"litter: {litter(out)}")

    def all_whole(self, out):
        """What stands under a final name is whole, whatever happened."""
        for path in Path(out).rglob("*"):
            if not path.is_file() or ".batterhead" in path.parts or path.name.startswith(".bh-"):
                continue
            data = path.read_bytes()
            if path.suffix == ".wav" and struct.unpack("<I", data[4:8])[0] + 8 != len(data):
                raise Bad(f"half a file: {path}")
            if path.suffix == ".json":
                json.loads(data)

    def heals(self, out, *more, **how):
        """The same command again ends in the tree of an undisturbed run. What a run with failed files
        delivered stays, unless `more` says that everything is decided anew."""
        self.prep(out, *more, **how).expect(0)
        self.is_golden(out)
        self.sources_untouched()

    def scenarios(self, *names):
        """Commands on folders that are not empty, and those that are no `prep`; all, or these."""
        jobs = ["--jobs", "1"]
        more = self.copy_of_takes()
        folder = more / "Low Tide" / "take 3"
        folder.mkdir()
        for mic, hz in (("Kick In", 60), ("SN TOP", 210)):
            (folder / f"{mic}.wav").write_bytes(wav(SECONDS, hz, 21 + hz))

        def prepared(out):
            self.prep(out, takes=more).expect(0)

        def first_day(out):
            third = self.new("third")
            shutil.move(folder, third)
            prepared(out)
            shutil.move(third, folder)

        def edited(out):
            first_day(out)
            sheet = out / "worksheet.toml"
            text = sheet.read_text()
            at = text.index("\ngain_db = ") + 1  # the track's own, not that of a stage
            sheet.write_text(text[:at] + "gain_db = -7.5 # mine" + text[text.index("\n", at):])

        def checked(out):
            self.run("check", more, "--out", out, *jobs).expect(0)

        kick, snare = (folder / f"{mic}.wav" for mic in ("Kick In", "SN TOP"))
        # Long enough to be recognised by their hits.
        played = [self.work / f"played-{n}.wav" for n in (1, 2)]
        for n, path in enumerate(played):
            path.write_bytes(wav(4.0, 210 + 15 * n, 5 + n))
        def applied(out):
            self.run("apply", "snare-top", kick, snare, "--out", out, *jobs).expect(0)

        def turned(out):
            self.run("shootout", *reversed(played), "--out", out).expect(0)

        prep = ["prep", more, "--out", "OUT", *jobs]
        apply = ["apply", "kick-in", kick, snare, "--out", "OUT", *jobs]
        shootout = ["shootout", *played, "--out", "OUT"]
        all_of_them = [
            ("takes added", prep, first_day),
            ("worksheet edited", prep, edited),
            ("after check", prep, checked),
            ("one mic of many", [*prep, "--only", "snare-top"], edited),
            ("check", ["check", more, "--out", "OUT", *jobs], edited),
            ("apply", apply, prepared),
            ("apply alone", apply),
            ("apply again", apply, applied),
            ("shootout", shootout),
            ("shootout again", shootout, turned),
        ]
        return [Scenario(self, *one) for one in all_of_them if one[0] in (names or [one[0]])]

    def judge(self, out, ran, kept=True, scenario=None):
        """After a fault: a status of the contract, what it promises, and the same command heals."""
        ran.expect(0, 1, 3, *([2] if scenario or not Path(out).exists() else []))
        self.sources_untouched()
        if kept and litter(out):
            raise Bad(f"litter: {litter(out)}")
        if Path(out).exists():
            self.all_whole(out)
        if ran.status == 0 and kept:
            self.is_golden(out, scenario and scenario.golden)
        if ran.status == 1 and scenario and scenario.command[0] == "shootout":
            if str(self.work) not in ran.said:
                raise Bad(f"status 1, but no file is named: {ran.said[-300:]}")
        elif ran.status == 1:
            if not (Path(out) / "session.json").exists():
                raise Bad(f"status 1, but no report of what failed: {ran.said[-300:]}")
            report = json.loads((Path(out) / "session.json").read_text())
            if not report["failed"] or not all(f["path"] and f["reason"] for f in report["failed"]):
                raise Bad("status 1, but no file is named")
        if ran.status in (2, 3) and str(self.work) not in ran.said and "standard output" not in ran.said:
            raise Bad(f"no file is named: {ran.said[-300:]}")
        if not scenario:
            self.heals(out, *again(ran, out, self.sources))
        elif ran.status == 1:
            scenario.goes_on(out)
        else:
            scenario.heals(out)


def strace(*inject, calls=None, log="/dev/null"):
    """The words in front of a command that inject faults into it."""
    words = ["strace", "-f", "-qq", "-o", str(log)]
    if not any("signal=" in fault for fault in inject):
        words.append("--seccomp-bpf")  # much faster, but then no signal is injected
    names = calls or ",".join(i.split(":")[0] for i in inject)
    words += ["-e", f"trace={names}"]
    for fault in inject:
        words += ["-e", f"inject={fault}"]
    return words
