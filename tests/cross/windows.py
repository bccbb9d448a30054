"""Tries the Windows program under Wine, beside the one of this machine.

windows.py PROGRAM.exe PROGRAM WORK: runs both on the same sessions and compares every byte; then what is
different on Windows: long paths, names that it reserves, names that differ in case only, a file that is
open elsewhere, a folder that another run holds, Ctrl-C, output that is no console. Wine 8 has no
bcryptprimitives.dll: one with ProcessPrng, made of SystemFunction036, belongs beside PROGRAM.exe.
"""

import filecmp
import os
import pathlib
import pty
import select
import shutil
import signal
import subprocess
import sys
import time

passed = 0


def check(holds, what, ran=None):
    global passed
    if not holds:
        sys.exit(f"FAILED: {what}\n{ran or ''}")
    passed += 1
    print(f"ok: {what}", flush=True)


def files(folder):
    """All outputs; the memory of a run is none."""
    found = (path.relative_to(folder) for path in folder.rglob("*") if path.is_file())
    return sorted(str(path) for path in found if path.parts[0] != ".batterhead")


def same(one, other):
    _, differ, unread = filecmp.cmpfiles(one, other, files(one), shallow=False)
    return files(one) == files(other) and not differ and not unread


class Programs:
    def __init__(self, windows, native, work):
        self.windows, self.native, self.work = windows, native, work
        self.environment = dict(os.environ, WINEDEBUG="-all", WINEPREFIX=str(work / "wine"), RAYON_NUM_THREADS="1")

    def run(self, *words, native=False):
        command = [self.native] if native else ["wine", self.windows]
        return subprocess.run(
            [*command, *words], cwd=self.work, env=self.environment, capture_output=True, text=True
        )

    def prepared(self, takes, out):
        """The session as both prepare it: whether all is the same, and what was said."""
        native = self.run("--quiet", "prep", takes, "--out", f"{out}-native", native=True)
        windows = self.run("--quiet", "prep", takes, "--out", out)
        alike = native.returncode == windows.returncode
        return alike and same(self.work / f"{out}-native", self.work / out), windows


def demo(programs):
    native = programs.run("--quiet", "demo", "--out", "demo-native", native=True)
    begun = time.monotonic()
    windows = programs.run("demo", "--out", "demo")
    check(windows.returncode == native.returncode, f"demo ({time.monotonic() - begun:.0f} s)", windows)
    check(same(programs.work / "demo-native", programs.work / "demo"), "demo: the same bytes")
    check("\x1b" not in windows.stdout + windows.stderr, "demo: what is no console gets no escape sequences")
    verified = programs.run("verify", "demo\\prepared")
    check(verified.returncode == 0, "verify", verified)
    (programs.work / "demo/prepared/run.json").write_text("{}")
    check(programs.run("verify", "demo/prepared").returncode == 5, "verify finds a change")


def small(programs, where, mics=6):
    """A session of one take of the demo, in a folder of its own."""
    where.mkdir(parents=True)
    for path in sorted((programs.work / "demo-native/takes").glob("Low Tide_T01_*.wav"))[:mics]:
        shutil.copy(path, where / path.name)
    return where


def names(programs):
    deep = pathlib.Path(*["a folder in a folder that goes on and on"] * 8)
    takes = small(programs, programs.work / deep / "takes")
    check(len(str(takes)) > 300, f"a path of {len(str(takes))} letters")
    alike, ran = programs.prepared(deep / "takes", deep / "out")
    check(alike, "long paths: the same bytes", ran)

    takes = small(programs, programs.work / "reserved")
    for path in sorted(takes.iterdir()):
        path.rename(takes / f"CON_T01_{path.stem.split('_')[-1]}.wav")
    alike, ran = programs.prepared("reserved", "reserved-out")
    check(alike, "reserved names: the same bytes", ran)
    made = [name for name in os.listdir(programs.work / "reserved-out/stems")]
    check(made == ["con-1"], "reserved names: a song called CON", made)

    small(programs, programs.work / "Case")
    first = programs.run("prep", "Case", "--out", "Case-Out")
    again = programs.run("prep", "CASE", "--out", "case-out")
    check(first.returncode == again.returncode == 0, "names in another case: the same session and folder", again)
    check(not (programs.work / "case-out").exists(), "names in another case: no second folder")
    inside = programs.run("prep", "Case", "--out", "CASE\\out")
    check(inside.returncode == 2 and "inside" in inside.stderr, "an output folder in its session, in another case", inside)


def held(programs):
    small(programs, programs.work / "held")
    check(programs.run("prep", "held", "--out", "held-out").returncode == 0, "prep")
    page = programs.work / "held-out/session.html"
    before = page.read_bytes()
    sheet = programs.work / "held-out/worksheet.toml"
    lines = sheet.read_text().splitlines()
    at = next(i for i, line in enumerate(lines) if line.startswith("gain_db"))
    lines[at] = "gain_db = -1.5"
    sheet.write_text("\n".join(lines) + "\n")
    reader = subprocess.Popen(
        ["wine", "cmd", "/c", "ping -n 60 127.0.0.1 > NUL < held-out\\session.html"],
        cwd=programs.work, env=programs.environment, start_new_session=True,
    )
    time.sleep(3)
    ran = programs.run("prep", "held", "--out", "held-out")
    os.killpg(reader.pid, signal.SIGKILL)
    reader.wait()
    subprocess.run(["wineserver", "-k"], env=programs.environment)
    print("   ", ran.returncode, ran.stderr.strip().replace("\n", "\n    "))
    check(ran.returncode in (0, 1, 3), "a file that is open elsewhere", ran)
    said = "another program may have it open" in ran.stderr and "close it there" in ran.stderr
    check(ran.returncode == 0 or said, "a file that is open elsewhere: what to do is said", ran)
    check(ran.returncode == 0 or page.read_bytes() == before, "a file that is open elsewhere stays whole")
    check(programs.run("prep", "held", "--out", "held-out").returncode == 0, "and is made by the same command later")
    check(programs.run("verify", "held-out").returncode == 0, "and all is well")


class Console:
    """A Windows program at a terminal of its own, where keys can be pressed."""

    def __init__(self, programs, *words):
        self.shown = b""
        self.process, self.terminal = pty.fork()
        if self.process == 0:
            os.chdir(programs.work)
            os.execvpe("wine", ["wine", programs.windows, *words], programs.environment)

    def wait(self, until):
        """Reads what is shown until something holds, or the program has ended."""
        while not until():
            if not select.select([self.terminal], [], [], 0.05)[0]:
                continue
            try:
                self.shown += os.read(self.terminal, 65536)
            except OSError:
                return

    def press(self, keys):
        os.write(self.terminal, keys)

    def status(self):
        """How it ended. What is shown has to be read, or it never would."""
        self.wait(lambda: False)
        os.close(self.terminal)
        return os.waitstatus_to_exitcode(os.waitpid(self.process, 0)[1])


def stopped(programs):
    small(programs, programs.work / "takes", mics=13)
    whole = programs.run("--quiet", "prep", "takes", "--out", "stopped-native", native=True)
    for presses in (1, 2):
        out = programs.work / f"stopped-{presses}"
        words = ("prep", "takes", "--out", out.name)
        console = Console(programs, *words)
        console.wait(lambda: len(list(out.glob("stems/*/*/*.wav"))) >= 3)
        what = ["Ctrl-C", "Ctrl-C twice"][presses - 1]
        if presses == 1:
            second = programs.run(*words)
            check(second.returncode == 4 and "another run holds this" in second.stderr, "a second run", second)
        begun = time.monotonic()
        for _ in range(presses):
            console.press(b"\x03")
            time.sleep(0.02)
        status = console.status()
        took = time.monotonic() - begun
        check(status == 130, f"{what}: status 130 after {took:.2f} s", console.shown)
        made = files(out)
        check(len(made) < len(files(programs.work / "stopped-native")), f"{what}: before all was done", made)
        check((out / ".batterhead/journal.jsonl").stat().st_size > 0, f"{what}: the journal is kept")
        if presses == 1:
            check(b"stopped by Ctrl-C" in console.shown, f"{what}: it is said", console.shown)
            parts = [name for name in os.listdir(out) if name.endswith(".part")]
            check(not parts, f"{what}: nothing half written is left", parts)
        again = programs.run(*words)
        check(again.returncode == whole.returncode, f"{what}: the same command goes on", again)
        check(same(programs.work / "stopped-native", out), f"{what}: the same bytes as without")


def main():
    windows, native, work = (pathlib.Path(word).resolve() for word in sys.argv[1:4])
    work.mkdir(parents=True, exist_ok=True)
    programs = Programs(windows, native, work)
    parts = {"demo": demo, "names": names, "held": held, "stopped": stopped}
    for part in sys.argv[4:] or parts:
        parts[part](programs)
    print(f"{passed} passed, 0 failed")


main()
