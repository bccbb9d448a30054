"""One row of the table each: a fault that is not a single failing call."""

import hashlib
import json
import os
import re
import shutil
import signal
import subprocess
import threading
import time
from pathlib import Path

from bench import SECONDS, Bad, again, fmt, litter, riff, strace, tree, wav

ROWS = []
MOUNTED = []
# Makes a run of a fraction of a second long enough to be met in its middle.
SLOWLY = strace("renameat:delay_enter=60000")


class Row:
    def __init__(self, name, how, run):
        self.name, self.how, self.run = name, how, run


def row(name, how):
    def register(function):
        def run(bench, short):
            said = function(bench, short) if function.__code__.co_argcount > 1 else function(bench)
            return said if isinstance(said, tuple) else (said, 1)

        ROWS.append(Row(name, how, run))
        return function

    return register


def mount(folder, *words):
    folder.mkdir(parents=True, exist_ok=True)
    subprocess.run(["mount", *words, str(folder)], check=True)
    MOUNTED.append(folder)
    return folder


def unmount(folder):
    subprocess.run(["umount", "-l", str(folder)], check=True)
    MOUNTED.remove(folder)


def unmount_all():
    for folder in list(MOUNTED):
        unmount(folder)


def until(condition, what):
    for _ in range(2000):
        if condition():
            return
        time.sleep(0.005)
    raise Bad(f"never came to be: {what}")


def first_stem(out):
    return next(iter(Path(out).glob("stems/*/*/*.wav")), None)


def midway(bench, act, *args, wrap=SLOWLY, how=None):
    """Starts a slow run, does something once the first stem is there, and waits for its end."""
    out = bench.new()
    process = bench.start("prep", bench.takes, "--out", out, "--jobs", "1", *args, wrap=wrap, **(how or {}))
    until(lambda: first_stem(out), "a first stem")
    act(out, process)
    return out, bench.end(process)


def child(process):
    """The program under strace."""
    words = ["pgrep", "-P", str(process.pid)]
    return int(subprocess.run(words, capture_output=True, text=True, check=True).stdout.split()[0])


@row("M4 power loss", "copies of the image of an ext4 disk, taken midway (the program stopped meanwhile), each mounted anew")
def _(bench, short):
    image, disk = bench.new("image"), bench.new("disk")
    with open(image, "wb") as file:
        file.truncate(48_000_000)
    subprocess.run(["mkfs.ext4", "-q", "-F", str(image)], check=True)
    mount(disk, "-o", "loop", str(image))
    out = disk / "out"
    process = bench.start("prep", bench.takes, "--out", out, "--jobs", "1", wrap=SLOWLY)
    # The few copies of the short form are taken where there is something to lose.
    until(lambda: first_stem(out) if short else (out / ".batterhead/lock").exists(), "the lock or a stem")
    copies = []
    while process.poll() is None and len(copies) < (4 if short else 50):
        try:
            pid = child(process)
            os.kill(pid, signal.SIGSTOP)
            copies.append(bench.new("copy"))
            subprocess.run(["cp", "--sparse=always", str(image), str(copies[-1])], check=True)
            os.kill(pid, signal.SIGCONT)
            time.sleep(0.3 if short else 0.02)
        except (ProcessLookupError, subprocess.CalledProcessError, IndexError):
            break
    bench.end(process).expect(0)
    unmount(disk)
    noted = 0
    for copy in copies:
        mount(disk, "-o", "loop", str(copy))
        if out.exists():
            bench.all_whole(out)
            journal = out / ".batterhead/journal.jsonl"
            for line in journal.read_bytes().splitlines() if journal.exists() else []:
                if line != seal(line[65:]):
                    continue
                done = json.loads(line[65:])
                noted += 1
                if hashlib.sha256((out / done["path"]).read_bytes()).hexdigest() != done["sha256"]:
                    raise Bad(f"noted as done, but not there: {done['path']}")
        bench.heals(out)
        unmount(disk)
        copy.unlink()
    if not noted:
        raise Bad("no copy holds an output that was noted: the test proves nothing")
    return f"all {noted} outputs noted as done were there and whole, the same command goes on", len(copies)


@row("M5 Ctrl-C once", "`kill -INT` midway")
def _(bench):
    begun = []

    def act(out, process):
        begun.append(time.monotonic())
        os.kill(child(process), signal.SIGINT)

    out, ran = midway(bench, act)
    took = time.monotonic() - begun[0]
    ran.expect(130)
    bench.all_whole(out)
    if litter(out):
        raise Bad(f"litter: {litter(out)}")
    bench.heals(out)
    return f"status 130 after {took:.2f} s, no litter"


@row("M5 Ctrl-C twice", "`kill -INT` twice midway")
def _(bench):
    def act(out, process):
        pid = child(process)
        os.kill(pid, signal.SIGINT)
        try:
            time.sleep(0.002)
            os.kill(pid, signal.SIGINT)
        except ProcessLookupError:
            pass

    out, ran = midway(bench, act)
    ran.expect(130)
    bench.all_whole(out)
    bench.heals(out)
    return "status 130"


@row("M6 termination, hang-up", "`kill -TERM`, `kill -HUP` midway")
def _(bench):
    for which in (signal.SIGTERM, signal.SIGHUP):
        out, ran = midway(bench, lambda out, process: os.kill(child(process), which))
        ran.expect(143)
        if litter(out):
            raise Bad(f"litter: {litter(out)}")
        bench.heals(out)
    return "status 143 each time, no litter", 2


@row("M6 started with nohup", "`nohup`, `kill -HUP` midway")
def _(bench):
    out, ran = midway(
        bench, lambda out, process: os.kill(child(process), signal.SIGHUP), wrap=["nohup", *SLOWLY]
    )
    ran.expect(0)
    bench.is_golden(out)
    return "goes on to its end"


@row("M7 stopped and continued", "`kill -STOP`, 2 s, `kill -CONT`")
def _(bench):
    def act(out, process):
        os.kill(child(process), signal.SIGSTOP)
        time.sleep(2)
        os.kill(child(process), signal.SIGCONT)

    out, ran = midway(bench, act)
    ran.expect(0)
    bench.is_golden(out)
    return "the same bytes"


def size_of(folder):
    return sum(p.stat().st_size for p in folder.rglob("*") if p.is_file())


@row("M9 disk full", "tmpfs of 40 sizes from nothing to more than enough, then room again")
def _(bench, short):
    out = bench.new()
    bench.prep(out).expect(0)
    need = size_of(out)
    sizes, seen = (5 if short else 40), {}
    for i in range(sizes):
        folder = bench.new("disk")
        mount(folder, "-t", "tmpfs", "-o", f"size={(1 + need * 2 * i // sizes) // 4096 * 4096 + 4096}", "tmpfs")
        ran = bench.prep(folder).expect(0, 3)
        seen[ran.status] = seen.get(ran.status, 0) + 1
        bench.all_whole(folder)
        if litter(folder):
            raise Bad(f"litter: {litter(folder)}")
        if ran.status == 3:
            ran.says(str(folder))
            if first_stem(folder) is None:
                ran.says("missing") if "too full" in ran.said else None
        subprocess.run(["mount", "-o", "remount,size=100m", str(folder)], check=True)
        bench.heals(folder)
        unmount(folder)
    return "status 3 and the amount: " + ", ".join(f"{s}: {n}" for s, n in seen.items()), sizes


@row("M9 asked for first", "tmpfs too small for the stems")
def _(bench):
    folder = mount(bench.new("disk"), "-t", "tmpfs", "-o", "size=1200k", "tmpfs")
    ran = bench.prep(folder).expect(3).says("too full", "missing", "free")
    if first_stem(folder):
        raise Bad("something was rendered")
    unmount(folder)
    return re.search(r"the disk is too full: (.*)", ran.said)[1].strip()


@row("M9 filled midway by something else", "tmpfs filled to the last byte after the first stem")
def _(bench):
    out = mount(bench.new("disk"), "-t", "tmpfs", "-o", "size=20m", "tmpfs")
    process = bench.start("prep", bench.takes, "--out", out, "--jobs", "1", wrap=SLOWLY)
    until(lambda: first_stem(out), "a first stem")
    filler = out / ".batterhead/filler"
    try:
        filler.write_bytes(b"x" * 21_000_000)
    except OSError:
        pass
    ran = bench.end(process).expect(3).says(str(out))
    bench.all_whole(out)
    if litter(out):
        raise Bad(f"litter: {litter(out)}")
    filler.unlink()
    bench.heals(out)
    bench.verify(out)
    unmount(out)
    return f"status 3: {first_line(ran)}"


@row("M11 no inodes", "tmpfs with `nr_inodes=20`")
def _(bench):
    folder = mount(bench.new("disk"), "-t", "tmpfs", "-o", "size=100m,nr_inodes=20", "tmpfs")
    bench.prep(folder).expect(3).says("inodes")
    if litter(folder):
        raise Bad(f"litter: {litter(folder)}")
    subprocess.run(["mount", "-o", "remount,nr_inodes=10000", str(folder)], check=True)
    bench.heals(folder)
    unmount(folder)
    return "status 3, inodes are named"


@row("M12 file size limit", "`ulimit -f 60` (kB)")
def _(bench):
    out = bench.new()
    ran = bench.prep(out, wrap=["bash", "-c", 'ulimit -f 60; exec "$@"', "-"]).expect(1, 3)
    bench.all_whole(out)
    bench.heals(out, *again(ran, out, bench.sources))
    return f"status {ran.status}: {first_line(ran)}"


def not_a_number(text):
    raise Bad(f"{text} in a report")


def first_line(ran):
    lines = [l for l in ran.stderr.splitlines() if l.startswith(("error", "failed"))]
    return re.sub(r"/\S*/", "", lines[0] if lines else "")[:120]


@row("M12 quota full", "`strace -e inject=write:error=EDQUOT:when=N+`")
def _(bench, short):
    ns = range(1, 60, 20) if short else range(1, 60, 2)
    for n in ns:
        out = bench.new()
        ran = bench.prep(out, wrap=strace(f"write:error=EDQUOT:when={n}+")).expect(3)
        if litter(out):
            raise Bad(f"litter: {litter(out)}")
        bench.heals(out)
    return "status 3", len(ns)


@row("M19 written bytes are not on the disk", "`strace -e inject=write:retval=N`: a write that is claimed and never done")
def _(bench, short):
    seen = {}
    ns = range(1, 120, 40) if short else range(1, 200, 2)
    for n in ns:
        out = bench.new()
        ran = bench.prep(out, wrap=strace(f"write:retval=1:when={n}"))
        seen[ran.status] = seen.get(ran.status, 0) + 1
        bench.judge(out, ran)
    return "found when it is read back, not published; status " + ", ".join(f"{s}: {n}" for s, n in seen.items()), len(ns)


@row("M14 interrupted calls", "`strace -e inject=read,write,fsync:error=EINTR:when=2+3`")
def _(bench):
    out = bench.new()
    bench.prep(out, wrap=strace("read:error=EINTR:when=20+3", "write:error=EINTR:when=2+3")).expect(0)
    bench.is_golden(out)
    return "the same bytes"


@row("M16 fsync unsupported", "`strace -e inject=fsync,fdatasync:error=EOPNOTSUPP`")
def _(bench):
    out = bench.new()
    bench.prep(out, wrap=strace("fsync:error=EOPNOTSUPP", "fdatasync:error=EOPNOTSUPP")).expect(0)
    bench.is_golden(out)
    return "taken as it is, status 0"


@row("M15 fsync fails for good", "`strace -e inject=fsync:error=EIO:when=N+`")
def _(bench, short):
    ns = (1, 10, 30) if short else range(1, 60, 3)
    for n in ns:
        out = bench.new()
        bench.judge(out, bench.prep(out, wrap=strace(f"fsync:error=EIO:when={n}+")))
    return "nothing is published, status 1 or 3", len(ns)


@row("M17 rename refused", "`strace -e inject=renameat:error=EXDEV|EBUSY|EPERM:when=N`")
def _(bench, short):
    count = 0
    for error in ("EXDEV", "EBUSY", "EPERM"):
        for n in range(1, 60, 20 if short else 4):
            out = bench.new()
            bench.judge(out, bench.prep(out, wrap=strace(f"renameat:error={error}:when={n}")))
            count += 1
    return "never copied over a final name; status 0 (memory only), 1 or 3", count


@row("M18 error only at close", "`strace -e inject=close:error=EIO:when=N`")
def _(bench, short):
    count = 0
    for n in range(1, 400, 130 if short else 9):
        out = bench.new()
        ran = bench.prep(out, wrap=strace(f"close:error=EIO:when={n}"))
        bench.judge(out, ran)
        count += 1
    return "what was flushed and read back stands: the same bytes", count


@row("M20 output folder read-only", "tmpfs mounted `ro`")
def _(bench):
    folder = mount(bench.new("disk"), "-t", "tmpfs", "-o", "ro", "tmpfs")
    ran = bench.prep(folder).expect(3).says(str(folder))
    unmount(folder)
    return f"status 3 after {ran.seconds:.2f} s"


@row("M21 turns read-only midway", "`strace -e inject=openat2:error=EROFS:when=N+`")
def _(bench, short):
    ns = (10, 40, 80) if short else range(4, 140, 6)
    for n in ns:
        out = bench.new()
        ran = bench.prep(out, wrap=strace(f"openat2:error=EROFS:when={n}+")).expect(0, 3)
        bench.judge(out, ran)
    return f"status 3: {first_line(ran)}", len(ns)


@row("M22 output folder removed or unmounted midway", "`mv`, `umount -l`, `rm -r` midway")
def _(bench):
    out, ran = midway(bench, lambda out, _: out.rename(f"{out}-away"))
    ran.expect(3)
    if out.exists():
        raise Bad("the folder was made again in the void")
    Path(f"{out}-away").rename(out)
    bench.heals(out)
    disk = mount(bench.new("disk"), "-t", "tmpfs", "-o", "size=100m", "tmpfs")
    process = bench.start("prep", bench.takes, "--out", disk, "--jobs", "1", wrap=SLOWLY)
    until(lambda: first_stem(disk), "a first stem")
    unmount(disk)
    bench.end(process).expect(3)
    if tree(disk, own=True):
        raise Bad("something was written beneath the mount point")
    out, ran = midway(bench, lambda out, _: shutil.rmtree(out, ignore_errors=True))
    ran.expect(3)
    return "status 3 each time, nothing made in the void", 3


NOBODY = ["setpriv", "--reuid=65534", "--regid=65534", "--clear-groups"]


@row("M23 output folder not writable", "`setpriv` to another user")
def _(bench):
    bench.work.chmod(0o755)
    folder = bench.new("closed")
    folder.mkdir(mode=0o755)
    bench.prep(folder, wrap=NOBODY).expect(3).says(str(folder))
    bench.prep(folder / "below", wrap=NOBODY).expect(3)
    return "status 3 before any audio work", 2


@row("M24 something foreign at an output's name", "a folder, a file, a link there before the first run")
def _(bench):
    stem = "stems/low-tide/take-01/low-tide_take-01_kick-in.wav"
    for name in (stem, "session.json", "mixes/low-tide/take-01.wav"):
        for make in (lambda p: p.mkdir(), lambda p: p.write_text("mine"), lambda p: p.symlink_to("/etc")):
            out = bench.new()
            (out / name).parent.mkdir(parents=True)
            make(out / name)
            bench.prep(out).expect(2).says(name.split("/")[-1])
            if (out / ".batterhead").exists():
                raise Bad("something was written")
    return "status 2, nothing written, it is named", 9


@row("M25 old output immutable", "`chattr +i` on a stem (where the file system has it), then another preset")
def _(bench):
    takes, out = bench.copy_of_takes(), bench.new()
    bench.prep(out, takes=takes).expect(0)
    stem = first_stem(out)
    if subprocess.run(["chattr", "+i", str(stem)], capture_output=True).returncode:
        # An immutable file refuses its replacement with EPERM: the same is injected.
        stem.write_bytes(b"")
        ran = bench.prep(out, takes=takes, wrap=strace("renameat:error=EPERM:when=1"))
        how = "EPERM injected: no immutable files here"
    else:
        takes_toml(takes)
        ran = bench.prep(out, takes=takes)
        subprocess.run(["chattr", "-i", str(stem)], check=True)
        how = "chattr"
    ran.expect(1, 0)
    bench.prep(out, takes=takes).expect(0)
    return f"status {ran.status} ({how})"


def takes_toml(takes):
    (takes / "session.toml").write_text('[output]\nbits = 16\n')


@row("M26 read error in a source", "`strace -P FILE -e inject=read:error=EIO:when=N+`")
def _(bench, short):
    path = bench.takes / "Low Tide" / "take 1" / "SN TOP.wav"
    ns = (1, 4, 8) if short else range(1, 16)
    seen = set()
    for n in ns:
        out = bench.new()
        ran = bench.prep(out, wrap=[*strace(f"read:error=EIO:when={n}+"), "-P", path])
        if ran.status == 1:
            ran.says("SN TOP.wav")
        seen.add(ran.status)
        bench.judge(out, ran)
    return f"the file fails by name (status {seen}), the others are done", len(ns)


@row("M27 early end of a source", "`strace -P FILE -e inject=read:retval=0:when=N`")
def _(bench, short):
    path = bench.takes / "Low Tide" / "take 1" / "SN TOP.wav"
    ns = (2, 5) if short else range(1, 16)
    seen = set()
    for n in ns:
        out = bench.new()
        ran = bench.prep(out, wrap=[*strace(f"read:retval=0:when={n}"), "-P", path])
        seen.add(ran.status)
        bench.judge(out, ran)
    return f"status {seen}", len(ns)


@row("M28 file and folder not readable", "mode 000, `setpriv` to another user")
def _(bench):
    takes, out = bench.copy_of_takes(), bench.new("shared")
    for path in [takes, *takes.rglob("*")]:
        path.chmod(0o755)
    (takes / "Low Tide/take 1/SN TOP.wav").chmod(0)
    (takes / "Low Tide/take 3").mkdir(mode=0)
    out.mkdir()
    out.chmod(0o777)
    ran = bench.prep(out, takes=takes, wrap=NOBODY).expect(1)
    failed = [f["path"] for f in json.loads((out / "session.json").read_text())["failed"]]
    if sorted(failed) != ["Low Tide/take 1/SN TOP.wav", "Low Tide/take 3"]:
        raise Bad(f"failed: {failed}")
    return "status 1, both are named, the rest is done"


@row("M29 source removed after the scan", "`rm` midway")
def _(bench):
    takes, out = bench.copy_of_takes(), bench.new()
    path = takes / "Low Tide/take 2/SN TOP.wav"
    process = bench.start("prep", takes, "--out", out, "--jobs", "1", wrap=SLOWLY)
    until(lambda: (out / ".batterhead/lock").exists(), "the lock")
    kept = path.read_bytes()
    path.unlink()
    ran = bench.end(process).expect(1).says("SN TOP.wav", "vanished")
    path.write_bytes(kept)
    bench.heals(out, "--decide-anew", takes=takes)
    return "status 1, it is named as vanished"


@row("M30 source grows or is rewritten while it is read", "bytes appended, or changed in place, at several moments")
def _(bench, short):
    def grow(path):
        with open(path, "ab") as file:
            file.write(b"\0" * 300)

    def rewrite(path):
        with open(path, "r+b") as file:
            file.seek(5000)
            file.write(b"\x11" * 30)

    seen = []
    for act in (grow, rewrite):
        for moment in (0.0, 0.6, 1.2) if short else (0.0, 0.3, 0.6, 0.9, 1.2):
            takes, out = bench.copy_of_takes(), bench.new()
            path = takes / "Low Tide/take 2/SN TOP.wav"
            kept = path.read_bytes()
            process = bench.start("prep", takes, "--out", out, "--jobs", "1", wrap=SLOWLY)
            until(lambda: (out / ".batterhead/lock").exists(), "the lock")
            time.sleep(moment)
            act(path)
            ran = bench.end(process).expect(0, 1)
            seen.append(ran.status)
            record = json.loads((out / "run.json").read_text())["sources"]
            mine = [s for s in record if s["path"].endswith("take 2/SN TOP.wav")]
            if ran.status == 1:
                ran.says("SN TOP.wav", "changed")
            elif mine[0]["sha256_before"] != mine[0]["sha256_after"]:
                raise Bad("a change was recorded, but not told")
            bench.verify(out)
            path.write_bytes(kept)
            bench.heals(out, "--decide-anew", takes=takes)
            shutil.rmtree(takes)
    if 1 not in seen:
        raise Bad("no change was met in time: the test proves nothing")
    return f"{seen.count(1)} of {len(seen)} met the run: status 1, by name, hash before and after differ in the record", len(seen)


@row("M31 pipe, socket and device as a source", "`mkfifo x.wav`, links to `/dev/zero` and `/proc`")
def _(bench):
    takes, out = bench.copy_of_takes(), bench.new()
    folder = takes / "Low Tide/take 1"
    os.mkfifo(folder / "Tom 1.wav")
    (folder / "Tom 2.wav").symlink_to("/dev/zero")
    (folder / "Hat.wav").symlink_to("/proc/self/environ")
    ran = bench.prep(out, takes=takes).expect(0)
    skipped = json.loads((out / "session.json").read_text())["skipped"]
    if len(skipped) != 3:
        raise Bad(f"skipped: {skipped}")
    bench.run("apply", "level-only", folder / "Tom 1.wav", "--out", bench.new()).expect(1, 2)
    bench.run("apply", "level-only", "/dev/zero", "--out", bench.new()).expect(1, 2)
    pipe = bench.work / "pipe.toml"
    os.mkfifo(pipe)
    bench.run("preset", "check", pipe).expect(2)
    bench.run("prep", pipe, "--out", bench.new()).expect(2)
    bench.run("prep", bench.takes, "--out", bench.new(), "--worksheet", pipe).expect(2)
    return f"skipped with a reason ({skipped[0]['reason']}), no hang", 8


@row("M32 links and folders that loop", "`ln -s . a`, a folder bound into itself")
def _(bench):
    takes, out = bench.copy_of_takes(), bench.new()
    (takes / "a").symlink_to(".")
    mount(takes / "Low Tide/again", "--bind", str(takes / "Low Tide"))
    ran = bench.prep(out, takes=takes).expect(0, 1)
    unmount(takes / "Low Tide/again")
    stems = len(list(out.glob("stems/*/*/*.wav")))
    return f"status {ran.status}, ends, {stems} stems"


@row("M33 one file under two names", "`ln`")
def _(bench):
    takes, out = bench.copy_of_takes(), bench.new()
    os.link(takes / "Low Tide/take 1/SN TOP.wav", takes / "Low Tide/take 1/SN BTM.wav")
    bench.prep(out, takes=takes).expect(0)
    skipped = json.loads((out / "session.json").read_text())["skipped"]
    if len(skipped) != 1 or "the same file" not in skipped[0]["reason"]:
        raise Bad(f"skipped: {skipped}")
    return "processed once, the other name is told"


@row("M34 link to nothing", "`ln -s none x.wav`")
def _(bench):
    takes, out = bench.copy_of_takes(), bench.new()
    (takes / "x.wav").symlink_to("none")
    bench.prep(out, takes=takes).expect(0)
    skipped = json.loads((out / "session.json").read_text())["skipped"]
    return f"skipped: {skipped[0]['reason']}"


@row("M35 many entries, deep folders", "100,000 files, folders 200 deep")
def _(bench, short):
    takes = bench.copy_of_takes()
    count = 5_000 if short else 100_000
    for i in range(count):
        if i % 1000 == 0:
            folder = takes / f"more {i}"
            folder.mkdir()
        (folder / f"{i}.txt").touch()
    deep = takes
    for _ in range(200):
        deep = deep / "d"
    deep.mkdir(parents=True)
    (deep / "Kick.wav").write_bytes(wav(0.1, 60, 1))
    ran = bench.run("scan", takes, wrap=["/usr/bin/env", "time", "-f", "RSS %M"] if shutil.which("time") else [])
    ran.expect(0)
    if ran.seconds > 20:
        raise Bad(f"{ran.seconds:.1f} s")
    return f"{count} entries in {ran.seconds:.1f} s, what lies too deep is told"


@row("M36 few open files", "`ulimit -n N`, eight threads")
def _(bench):
    seen = {}
    for n in (10, 12, 14, 16, 20, 24, 32):
        out = bench.new()
        wrap = ["bash", "-c", f'ulimit -n {n}; exec "$@"', "-"]
        ran = bench.run("prep", bench.takes, "--out", out, "--jobs", "8", wrap=wrap)
        bench.judge(out, ran)
        seen[n] = ran.status
    if seen[32] != 0:
        raise Bad(f"status {seen[32]} with 32 open files")
    return "status by limit: " + ", ".join(f"{n}: {s}" for n, s in seen.items()), len(seen)


@row("M37 no threads", "`strace -e inject=clone3,clone:error=EAGAIN`")
def _(bench):
    out = bench.new()
    ran = bench.run("prep", bench.takes, "--out", out, "--jobs", "8", wrap=strace("clone3:error=EAGAIN", "clone:error=EAGAIN"))
    ran.expect(0)
    bench.is_golden(out)
    return "one thread does it all, the same bytes"


@row("M38 memory limit", "`ulimit -v` swept from less than the program's own size to 600 MB")
def _(bench, short):
    seen = {}
    # Less than its code takes, and it is ended by the loader or before its first line.
    starts = os.path.getsize(bench.program) / 1e6 + 1
    sweep = [starts - 8, starts - 4, *(starts + more for more in range(0, 40, 2)), 64, 72, 80, 96, 120, 160, 200, 300, 600]
    for mb in map(round, [starts - 4, starts + 2, 48, 120] if short else sweep):
        out = bench.new()
        wrap = ["bash", "-c", f'ulimit -v {mb * 1000}; exec "$@"', "-"]
        ran = bench.run("prep", bench.takes, "--out", out, "--jobs", "2", wrap=wrap)
        if mb < starts and ran.status in (127, -6, -9, -11) and not out.exists():
            seen[mb] = "does not start"
            continue
        ran.expect(0, 1, 3)
        if out.exists():
            bench.all_whole(out)
        bench.heals(out)
        seen[mb] = ran.status
    return "status by MB: " + ", ".join(f"{mb}: {s}" for mb, s in seen.items()), len(seen)


@row("M39 no random numbers", "`strace -e inject=getrandom:error=ENOSYS`")
def _(bench):
    out = bench.new()
    bench.prep(out, wrap=strace("getrandom:error=ENOSYS")).expect(0)
    bench.is_golden(out)
    return "the same bytes"


@row("M40 output closed, full, or its reader gone", "`>&-`, `/dev/full`, `| head -c 1`")
def _(bench):
    seen = []
    for tail in (">&- 2>&-", ">/dev/full", "2>/dev/full", ">/dev/full 2>/dev/full", "| head -c 1"):
        out = bench.new()
        ran = bench.prep(out, wrap=["bash", "-c", f'set -o pipefail; "$@" {tail}', "-"]).expect(0, 3)
        seen.append(f"`{tail}`: {ran.status}")
        bench.is_golden(out)
    return "the tree is complete; status " + ", ".join(seen), len(seen)


@row("M41 standard input closed or endless", "`<&-`, `</dev/zero`")
def _(bench):
    for head in ("<&-", "</dev/zero"):
        out = bench.new()
        bench.prep(out, wrap=["bash", "-c", f'exec "$@" {head}', "-"]).expect(0)
        bench.is_golden(out)
    return "never read", 2


@row("M42 no environment, bad folders in it", "`env -i`; HOME and TMPDIR that are not there")
def _(bench):
    out = bench.new()
    bench.prep(out, wrap=["env", "-i"]).expect(0)
    bench.is_golden(out)
    bad = ["env", "HOME=/none", "TMPDIR=/none", "XDG_CONFIG_HOME=/none"]
    out = bench.new()
    bench.prep(out, wrap=bad).expect(0)
    bench.is_golden(out)
    bench.run("check", bench.takes, wrap=bad).expect(3).says("TMPDIR")
    return "the same bytes; `check` without a folder says that TMPDIR is bad", 3


@row("M44 two runs, one output folder", "started together, again and again")
def _(bench, short):
    seen = {}
    for _ in range(5 if short else 100):
        out = bench.new()
        pair = [bench.start("prep", bench.takes, "--out", out, "--jobs", "1") for _ in range(2)]
        ended = [bench.end(process) for process in pair]
        for ran in ended:
            ran.expect(0, 4)
            if ran.status == 4:
                ran.says("another run holds", "process")
        statuses = tuple(sorted(ran.status for ran in ended))
        if 0 not in statuses:
            raise Bad("neither won")
        seen[statuses] = seen.get(statuses, 0) + 1
        bench.is_golden(out)
        shutil.rmtree(out)
    return "statuses " + ", ".join(f"{s}: {n}" for s, n in seen.items()), sum(seen.values())


@row("M45 no locks", "`strace -e inject=flock:error=ENOLCK`")
def _(bench):
    out = bench.new()
    bench.prep(out, wrap=strace("flock:error=ENOLCK")).expect(0).says("no locks")
    bench.is_golden(out)
    return "a warning, the same bytes"


@row("M46 lock of a killed run", "`kill -9`, the same command at once")
def _(bench):
    out, ran = midway(bench, lambda out, process: os.kill(child(process), signal.SIGKILL))
    bench.heals(out)
    return "starts at once"


def seal(line):
    return hashlib.sha256(line).hexdigest().encode() + b" " + line


@row("M47 journal torn, empty, foreign", "cut at many lengths, emptied, filled with noise, a folder in its place")
def _(bench, short):
    out = bench.new()
    bench.prep(out).expect(0)
    journal = out / ".batterhead/journal.jsonl"
    whole = journal.read_bytes()
    cuts = [whole[: len(whole) * i // 20] for i in range(0, 20, 5 if short else 1)]
    cuts += [b"", os.urandom(5000), b"\0" * 5000, b'{"version":9}\n', whole.replace(b"-", b"+")]
    for bytes in cuts:
        journal.write_bytes(bytes)
        bench.heals(out)
    journal.unlink()
    journal.mkdir()
    bench.prep(out).expect(3).says("journal")
    return "never a wrong \"done\"; what is lost is done again", len(cuts) + 1


@row("M48 outputs damaged", "a bit flipped, names swapped, a file gone, one too many, the manifest edited")
def _(bench):
    out = bench.new()
    bench.prep(out).expect(0)
    stems = sorted(out.glob("stems/*/*/*.wav"))

    def flip(path):
        data = bytearray(path.read_bytes())
        data[len(data) // 2] ^= 1
        path.write_bytes(data)

    def swap():
        one, two = stems[0].read_bytes(), stems[1].read_bytes()
        stems[0].write_bytes(two)
        stems[1].write_bytes(one)

    manifest = out / "manifest-sha256.txt"
    for damage in (
        lambda: flip(stems[0]),
        swap,
        lambda: stems[0].unlink(),
        lambda: flip(out / "session.json"),
        lambda: flip(out / "session.html"),
        lambda: manifest.write_text(manifest.read_text().replace("0", "1", 1)),
        lambda: (stems[0].unlink(), stems[0].symlink_to(stems[1])),
    ):
        damage()
        bench.run("verify", out).expect(5)
        if stems[0].is_symlink():
            bench.prep(out).expect(2)
            stems[0].unlink()
        bench.heals(out)
        bench.verify(out)
    (out / "stems/extra.wav").write_bytes(b"x")
    bench.run("verify", out).expect(5).says("extra.wav")
    (out / "stems/extra.wav").unlink()
    os.mkfifo(out / "stems/pipe.wav")
    bench.run("verify", out).expect(5)
    (out / "stems/pipe.wav").unlink()
    manifest.write_text("nonsense\n")
    bench.run("verify", out).expect(5).says("manifest-sha256.txt")
    bench.heals(out)
    return "`verify`: 5, the same command makes them anew", 10


@row("M49 preset, source or settings changed between runs", "one file edited, then the same command")
def _(bench):
    takes, out = bench.copy_of_takes(), bench.new()
    preset = takes / "mine.toml"
    text = 'about = "x"\nmics = ["snare-top"]\nstages = [{ peak = { freq_hz = 300, gain_db = %s, q = 1.0 } }]\n'
    preset.write_text(text % "2.0")
    (takes / "session.toml").write_text('[presets]\nsnare-top = "mine.toml"\n')
    bench.prep(out, takes=takes).expect(0)
    when = lambda: {p.name: p.stat().st_mtime_ns for p in out.glob("stems/*/*/*.wav")}
    before = when()
    bench.prep(out, takes=takes).expect(0)
    if when() != before:
        raise Bad("a third run touched something")
    preset.write_text("# a remark\n" + text % "2.0")
    bench.prep(out, takes=takes).expect(0)
    if when() != before:
        raise Bad("a remark in a preset made stems anew")
    preset.write_text(text % "4.0")
    ran = bench.prep(out, takes=takes).expect(0).says("made again, since", "their preset")
    changed = sorted(n for n, t in when().items() if t != before[n])
    if len(changed) != 2 or not all("snare-top" in n for n in changed):
        raise Bad(f"made again: {changed}")
    before = when()
    source = takes / "Low Tide/take 1/Kick In.wav"
    source.write_bytes(wav(SECONDS, 61, 3))
    bench.prep(out, takes=takes).expect(0).says("made again, since", "their source")
    changed = sorted(n for n, t in when().items() if t != before[n])
    if any("snare" in n and "take-02" in n for n in changed) or not any("take-01_kick-in" in n for n in changed):
        raise Bad(f"made again: {changed}")
    bench.verify(out)
    said = re.search(r"made again, since [^:]*", ran.said)[0]
    return f"only what depends on it, and it is said: \"{said}\"", 4


@row("M50 results of another version", "the generation in the journal edited and sealed anew")
def _(bench):
    out = bench.new()
    bench.prep(out).expect(0)
    journal = out / ".batterhead/journal.jsonl"
    lines = []
    for line in journal.read_bytes().splitlines():
        entry = json.loads(line[65:])
        entry["origin"]["generation"] = "0.0.9/1"
        lines.append(seal(json.dumps(entry).encode()))
    journal.write_bytes(b"\n".join(lines) + b"\n")
    bench.prep(out).expect(0).says("another version of batterhead")
    bench.is_golden(out)
    return "made again, and it is said"


@row(
    "M51 what earlier runs left cannot be read",
    "`strace -P FILE`: to open it, or to look at it, is EIO; a second `prep`, `check`, `--only`",
)
def _(bench):
    points, seen = 0, {}
    for scenario in bench.scenarios("takes added", "check", "one mic of many"):
        own = scenario.base / ".batterhead"
        track = "low-tide/take-01/low-tide_take-01_kick-in"
        names = [
            *("session.json", "worksheet.toml", "manifest-sha256.txt", f"reports/{track}.json", f"stems/{track}.wav"),
            *(f".batterhead/{name}" for name in ("written.jsonl", "sessions.json", "journal.jsonl")),
            *(str(path.relative_to(scenario.base)) for path in own.glob("sheets/*")),
        ]
        for name in names:
            if not (scenario.base / name).is_file():
                raise Bad(f"{scenario.name} begins without {name}")
            for calls in (["open", "openat", "openat2"], ["stat", "lstat", "newfstatat", "statx"]):
                out = bench.new()
                scenario.prepare(out)
                before = listed(out)
                faults = strace(*(f"{call}:error=EIO" for call in calls))
                ran = scenario.run(out, wrap=[*faults, "-P", out / name])
                if lost := before - listed(out):
                    raise Bad(f"{scenario.name}, {name}, {calls[0]}: listed no longer: {sorted(lost)[:3]}")
                bench.judge(out, ran, scenario=scenario)
                seen[ran.status] = seen.get(ran.status, 0) + 1
                points += 1
                shutil.rmtree(out)
    return f"nothing is taken off the manifest or `session.json`; runs by status: {seen}", points


def listed(out):
    """All that the manifest and `session.json` speak of."""
    manifest = (out / "manifest-sha256.txt").read_text().splitlines()
    report = json.loads((out / "session.json").read_text())
    return {
        *(line[66:] for line in manifest),
        *(track[key] for track in report["tracks"] for key in ("report", "output")),
        *(mix["path"] for mix in report["mixes"]),
    }


@row("M52 to M66 hostile WAV files", "a session with 40 of them beside four good ones, `ulimit -v` 400 MB")
def _(bench):
    takes, out = bench.copy_of_takes(), bench.new()
    good = wav(0.3, 200, 5)
    data, head = good[44:], fmt(1, 1, 48_000, 24, 3)
    cases = {
        "riff size 0": good[:4] + b"\0\0\0\0" + good[8:],
        "riff size huge": good[:4] + b"\xff\xff\xff\xff" + good[8:],
        "data size 0": good[:40] + b"\0\0\0\0" + data,
        "data size huge": good[:40] + b"\xff\xff\xff\xff" + data,
        "no data": riff((b"fmt ", head)),
        "no fmt": riff((b"data", data)),
        "chunk size huge": riff((b"fmt ", head)) + b"junk\xff\xff\xff\xff" + b"data" + data[:100],
        "million chunks": riff((b"fmt ", head)) + b"a   \1\0\0\0xy" * 200_000,
        "nested lists": riff((b"LIST", b"LIST\0\0\0\x10adtl" * 100_000), (b"fmt ", head), (b"data", data)),
        "fmt 14 bytes": riff((b"fmt ", head[:14]), (b"data", data)),
        "fmt twice": riff((b"fmt ", head), (b"fmt ", fmt(1, 2, 8000, 8, 1)), (b"data", data)),
        "fmt after data": riff((b"data", data), (b"fmt ", head)),
        "frames overflow": riff((b"fmt ", fmt(1, 64, 48_000, 64, 8)), (b"data", data)),
        "ds64 of 16 EiB": riff((b"ds64", b"\xff" * 24 + b"\0\0\0\0"), (b"fmt ", head), (b"data", data), outer=b"RF64"),
        "ds64 short": riff((b"ds64", b"\xff" * 5), (b"fmt ", head), (b"data", data), outer=b"RF64"),
        "adpcm": riff((b"fmt ", fmt(0x11, 1, 48_000, 4, 1)), (b"data", data)),
        "mp3 inside": riff((b"fmt ", fmt(0x55, 1, 48_000, 0, 1)), (b"data", data)),
        "empty": b"",
        "text": b"these are the takes of the evening\n" * 20,
        "image": b"\x89PNG\r\n\x1a\n" + b"\0" * 100,
        "rifx": b"RIFX" + good[4:],
        "wave64": bytes.fromhex("726966662e91cf11a5d628db04c10000") + good[16:],
        "one sample": riff((b"fmt ", head), (b"data", b"\1\2\3")),
        "no sample": riff((b"fmt ", head), (b"data", b"")),
        "bext huge": riff((b"bext", b"\xff" * 3_000_000), (b"fmt ", head), (b"data", data)),
        "ixml bomb": riff((b"iXML", b"<!ENTITY a '&a;&a;&a;'>" * 3000), (b"fmt ", head), (b"data", data)),
        "time reference": riff((b"bext", b"x" * 338 + b"\xff" * 8 + b"\0" * 256), (b"fmt ", head), (b"data", data)),
        "cue": riff((b"cue ", b"\xff" * 400), (b"smpl", b"\xff" * 400), (b"fmt ", head), (b"data", data)),
        "floats": riff((b"fmt ", fmt(3, 1, 48_000, 32, 4)), (b"data", b"\0\0\xc0\x7f\0\0\x80\x7f\1\0\0\0\xca\xf2\x49\x71" * 3000)),
    }
    for channels in (0, 1000, 65535):
        cases[f"channels {channels}"] = riff((b"fmt ", fmt(1, channels, 48_000, 24, 3)), (b"data", data))
    for rate in (0, 1, 0xFFFFFFFF):
        cases[f"rate {rate}"] = riff((b"fmt ", fmt(1, 1, rate, 24, 3)), (b"data", data))
    for bits in (0, 1, 7, 33, 65535):
        cases[f"bits {bits}"] = riff((b"fmt ", fmt(1, 1, 48_000, bits, 3)), (b"data", data))
    folder = takes / "Odd/take 1"
    folder.mkdir(parents=True)
    for name, content in cases.items():
        (folder / f"{name}.wav").write_bytes(content)
    (folder / "._Kick.wav").write_bytes(b"\0\5\x16\7")
    wrap = ["bash", "-c", 'ulimit -v 400000; exec "$@"', "-"]
    ran = bench.prep(out, takes=takes, wrap=wrap).expect(1)
    report = json.loads((out / "session.json").read_text())
    known = {Path(f["path"]).stem for f in report["failed"]}
    read = {Path(json.loads(p.read_text())["sources"][0]["path"]).stem for p in out.glob("reports/odd/*/*.json")}
    lost = set(cases) - known - read
    if lost or "._Kick" in known:
        raise Bad(f"neither read nor refused by name: {lost}")
    for path in (p for p in out.rglob("*.json") if ".batterhead" not in p.parts):
        json.loads(path.read_text(), parse_constant=not_a_number)
    bench.verify(out)
    for name in sorted(bench.golden):
        if name.startswith("stems/") and tree(out).get(name) != bench.golden[name]:
            raise Bad(f"a good neighbour differs: {name}")
    return f"{len(read)} read, {len(known)} refused by name, the good ones as ever", len(cases)


NAMES = [
    "-rf.wav", " space .wav", "line\nfeed.wav", "\x1b[2J\x1b]8;;http:x\x07link.wav", "\u202egnp.wav", "100%.wav", "a#b.wav",
    "it's \"quoted\".wav", ".wav.wav", "=1+1.wav", "@SUM(A1).wav", "\t+1.wav", "<script>alert(1)<script>.wav",
    "<img src=x onerror=alert(1)>.wav", "javascript:alert(1).wav", "CON.wav", "aux.wav", "COM1.wav", "n" * 251 + ".wav",
    "e\u0301.wav", "\u00e9.wav", "KICK.WAV", "kick.wav", "Kick.wav", "..wav", "trailing. .wav", "\r\x9b31m.wav", "a&b;c|d`e$(f).wav",
]


@row("M69 to M77 hostile names", "control characters, markup, formulas, twins, 255 bytes, not UTF-8")
def _(bench):
    takes, out = bench.copy_of_takes(), bench.new()
    folder = takes / "<b>Odd ..\\.." / "take 1"
    folder.mkdir(parents=True)
    for i, name in enumerate(NAMES):
        (folder / name).write_bytes(wav(0.2, 100 + 10 * i, i))
    with open(bytes(folder) + b"/sn\xffare \xf0.wav", "wb") as file:
        file.write(wav(0.2, 99, 77))
    ran = bench.prep(out, takes=takes).expect(0, 1)
    everything = list(tree(out, own=True))
    if any(not re.fullmatch(r"[a-z0-9._/-]+", name.replace(".batterhead", "").replace("journal.jsonl", "")) for name in everything):
        raise Bad(f"names: {[n for n in everything if not re.fullmatch(r'[a-z0-9._/-]+', n)][:5]}")
    for command in (["scan", takes], ["check", takes], ["prep", takes, "--out", out, "--dry-run"]):
        said = bench.run(*command).expect(0, 1).said
        ran.said += said
    if re.search("[\x00-\x09\x0b-\x1f\x7f-\x9f\u202a-\u202e]", ran.said):
        raise Bad("a control character reached the terminal")
    page = (out / "session.html").read_text()
    if "<img src=x" in page or "<script>alert" in page or 'href="javascript' in page:
        raise Bad("markup of a name reached the page")
    for cell in re.findall(r'(?:^|,)"?([=+@\t\r-][^,]*)', (out / "session.csv").read_text()):
        if not re.fullmatch(r"-?[0-9.e-]+\"?", cell.strip()):
            raise Bad(f"a formula in the CSV: {cell!r}")
    reports = [json.loads(p.read_text()) for p in out.glob("reports/*/*/*.json")]
    sources = [s for r in reports for s in r["sources"]]
    if not any("path_b64" in s for s in sources):
        raise Bad("no path_b64")
    if len(sources) < len(NAMES):
        raise Bad(f"{len(sources)} sources of {len(NAMES)}")
    bench.verify(out)
    names = [folder / n for n in NAMES if n.lower() not in ("kick.wav",)]
    done = bench.run("apply", "name-only", *names, "--out", bench.new()).expect(0, 1, 2)
    return f"{len(sources)} sources read, output names plain, terminal, page and CSV clean; `apply`: status {done.status}", len(NAMES) + 1


@row("M73 templates that lead out", "`[naming] template` with `..`, `/`, an empty field")
def _(bench):
    for template in ("../../x", "/tmp/x", "{song}/../../{mic}", "{bext.description}", "", "{mic}\\u0000", "..", "{song}"):
        takes, out = bench.copy_of_takes(), bench.new()
        (takes / "session.toml").write_text(f'[naming]\ntemplate = "{template}"\n')
        bench.prep(out, takes=takes).expect(2)
        if out.exists():
            raise Bad(f"{template}: something was written")
    return "status 2, nothing written", 8


@row("M74 link planted in the output folder", "`stems`, `.batterhead`, a report folder as links to a folder outside")
def _(bench):
    for name in ("stems", ".batterhead", "reports", "session-files", "mixes/low-tide", "stems/low-tide/take-01"):
        out, outside = bench.new(), bench.new("outside")
        outside.mkdir()
        (out / name).parent.mkdir(parents=True)
        (out / name).symlink_to(outside)
        bench.prep(out).expect(1, 2, 3).says("link")
        if list(outside.iterdir()):
            raise Bad(f"{name}: something was written outside")
    return "nothing outside, it is named", 6


@row("M74 link swapped during the run", "a second process swaps `stems/low-tide` for a link, over and over")
def _(bench, short):
    swaps, statuses = 0, set()
    for _ in range(2 if short else 40):
        out, outside = bench.new(), bench.new("outside")
        (outside / "take-01").mkdir(parents=True)
        (outside / "take-02").mkdir(parents=True)
        process = bench.start("prep", bench.takes, "--out", out, "--jobs", "2")
        real, link = out / "stems/low-tide", out / "link"
        while process.poll() is None:
            try:
                link.symlink_to(outside)
                real.rename(out / "real")
                link.rename(real)
                swaps += 1
                real.unlink()
                (out / "real").rename(real)
            except OSError:
                for left in (link,):
                    left.unlink(missing_ok=True)
        ran = bench.end(process).expect(0, 1, 3)
        statuses.add(ran.status)
        found = [p for p in outside.rglob("*") if p.is_file()]
        if found:
            raise Bad(f"written outside: {found}")
        shutil.rmtree(out)
    return f"{swaps} swaps, nothing outside; statuses {statuses}", swaps


@row("M78 hostile presets", "`nan`, 1e400, 10 MB, 10,000 deep, UTF-16, bad UTF-8, a folder, a device")
def _(bench):
    folder = bench.new("presets")
    folder.mkdir()
    head = b'about = "x"\nmics = []\n'
    cases = {
        "nan": head + b"stages = [{ gain = { gain_db = nan } }]",
        "inf": head + b"stages = [{ gain = { gain_db = 1e400 } }]",
        "unknown": head + b"stages = [{ gain = { gian_db = 1 } }]",
        "twice": head + b"about = 'y'\nstages = []",
        "10 MB": head + b"# " + b"x" * 10_000_000,
        "deep": head + b"stages = " + b"[" * 10_000 + b"]" * 10_000,
        "deep tables": b"[a" + b".a" * 10_000 + b"]\n",
        "utf-16": 'about = "x"'.encode("utf-16"),
        "bad utf-8": head + b"\xff\xfe",
        "nul": head + b"\0",
    }
    for name, content in cases.items():
        path = folder / f"{name}.toml"
        path.write_bytes(content)
        ran = bench.run("preset", "check", path).expect(2).says(f"{name}.toml")
        if ran.seconds > 5:
            raise Bad(f"{name}: {ran.seconds:.1f} s")
    for path in (folder, "/dev/zero", "/dev/null", folder / "gone.toml"):
        bench.run("preset", "check", path).expect(2)
    return "status 2, by name, none takes 5 s", len(cases) + 4


@row("M80 output folder over the takes", "IN = OUT, OUT inside IN, IN inside OUT, OUT = /")
def _(bench):
    takes = bench.copy_of_takes()
    before = tree(takes)
    link = bench.work / "link to takes"
    link.symlink_to(takes)
    for out in (takes, takes / "out", takes.parent, "/", link, link / "out", takes / "Low Tide" / "take 1"):
        bench.prep(out, takes=takes).expect(2)
    one = takes / "Low Tide/take 1/Kick In.wav"
    bench.run("apply", "level-only", one, "--out", one.parent).expect(2)
    if tree(takes) != before or (bench.work / ".batterhead").exists():
        raise Bad("something was written")
    return "status 2, nothing written", 8


@row("M81 nothing to do", "an empty folder, hidden files only, no sound files")
def _(bench):
    folder = bench.new("empty")
    folder.mkdir()
    bench.prep(bench.new(), takes=folder).expect(2)
    (folder / ".Kick.wav").write_bytes(wav(0.1, 60, 1))
    bench.prep(bench.new(), takes=folder).expect(2)
    (folder / "notes.txt").write_text("x")
    bench.prep(bench.new(), takes=folder).expect(2).says("WAV")
    return "status 2 with what is there", 3


@row("M84 a report cannot be written", "`strace -P session.html -e inject=renameat:error=EIO`; report folder deleted at the end")
def _(bench):
    count = int(
        subprocess.run(["grep", "-c", "."], input="\n".join(bench.golden), capture_output=True, text=True).stdout
    )
    out = bench.new()
    ran = bench.prep(out, wrap=strace("renameat:error=EIO:when=30+")).expect(1, 3)
    bench.all_whole(out)
    bench.heals(out)
    shutil.rmtree(out / "reports")
    (out / "session.html").unlink()
    bench.run("verify", out).expect(5)
    bench.heals(out)
    return f"status {ran.status}, the audio is kept, the same command writes them", 2


@row("M86 threads, processors, blocks, order of files", "`--jobs`, `taskset`, `--block-frames`, files made in another order")
def _(bench):
    variants = [["--jobs", n] for n in ("1", "2", "8")] + [["--block-frames", n] for n in ("1", "7", "64", "4096", "65536")]
    for more in variants:
        out = bench.new()
        bench.run("prep", bench.takes, "--out", out, *more).expect(0)
        bench.is_golden(out)
    out = bench.new()
    bench.run("prep", bench.takes, "--out", out, wrap=["taskset", "-c", "0"]).expect(0)
    bench.is_golden(out)
    takes, out = bench.new("takes"), bench.new()
    for path in sorted(bench.takes.rglob("*.wav"), reverse=True):
        copy = takes / path.relative_to(bench.takes)
        copy.parent.mkdir(parents=True, exist_ok=True)
        shutil.copy(path, copy)
    bench.prep(out, takes=takes).expect(0)
    bench.is_golden(out)
    return "the same bytes", len(variants) + 2


@row("M86 processors without AVX", "`qemu-x86_64 -cpu Nehalem`, `-cpu Haswell`: an emulator that has SSE4 or AVX2 at most")
def _(bench, short):
    seen = []
    for processor in ("Nehalem", "Haswell")[: 1 if short else 2]:
        out = bench.new()
        ran = bench.prep(out, wrap=["qemu-x86_64", "-cpu", processor]).expect(0)
        bench.is_golden(out)
        seen.append(f"{processor}: {ran.seconds:.0f} s")
    return "the same bytes (" + ", ".join(seen) + ")", len(seen)


@row("M87 program replaced during the run", "`mv` of another file over the binary midway")
def _(bench):
    copy = bench.work / "program"
    shutil.copy(bench.program, copy)
    real, bench.program = bench.program, str(copy)
    try:

        def act(out, process):
            other = bench.work / "other"
            other.write_bytes(b"#!/bin/false\n")
            other.rename(copy)

        out, ran = midway(bench, act)
    finally:
        bench.program = real
    ran.expect(0)
    bench.is_golden(out)
    return "ends as usual, the same bytes"


@row("M88 locale, time zone, home, folder, clock", "`LC_ALL` de, tr, ar; `TZ`; `HOME`; another working folder")
def _(bench):
    variants = [f"LC_ALL={l}.UTF-8" for l in ("C", "de_DE", "tr_TR", "ar_SA")] + ["TZ=Asia/Kolkata", "TZ=bad", "HOME=/", "SOURCE_DATE_EPOCH=1"]
    for variable in variants:
        out = bench.new()
        bench.prep(out, wrap=["env", variable]).expect(0)
        bench.is_golden(out)
    out = bench.new()
    bench.run("prep", bench.takes, "--out", out.name, cwd=out.parent).expect(0)
    bench.is_golden(out)
    out = bench.new()
    bench.run("prep", ".", "--out", out, cwd=bench.takes).expect(0)
    return "the same bytes", len(variants) + 2


@row("M89 a wall of warnings", "thousands of files that cannot be read")
def _(bench, short):
    takes, out = bench.copy_of_takes(), bench.new()
    count = 500 if short else 10_000
    folder = takes / "Bad/take 1"
    folder.mkdir(parents=True)
    for i in range(count):
        (folder / f"bad {i}.wav").write_bytes(b"RIFF\x10\0\0\0WAVEfmt x")
    ran = bench.prep(out, takes=takes).expect(1)
    failed = json.loads((out / "session.json").read_text())["failed"]
    if len(failed) != count:
        raise Bad(f"{len(failed)} failed of {count}")
    lines = len(ran.said.splitlines())
    return f"{count} failed files in session.json, {lines} lines on the terminal, {ran.seconds:.1f} s", count
