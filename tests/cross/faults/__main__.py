"""Faults of every kind, put into the released program, and what became of them.

    python3 tests/cross/faults PROGRAM [--short] [--only M9] [--only matrix] [--only kills] [--table FILE]

Needs root (small file systems, read-only folders) and strace. Every fault is followed by the same
command without it, whose tree has to be that of an undisturbed run to the byte. The table is written
from what was seen; `--results FILE` collects it over several runs, which may go at the same time.
"""

import argparse
import json
import random
import re
import shutil
import signal
import sys
import tempfile
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import rows
from bench import Bad, Bench, strace

# Calls that change what is on the disk, and those that a change depends on.
CHANGING = "write pwrite64 openat openat2 open mkdir mkdirat rename renameat renameat2 unlink unlinkat fsync fdatasync ftruncate flock".split()
ERRORS = ["ENOSPC", "EIO", "EACCES"]
KILLS = 200


ELSEWHERE = """\
Tried by `cargo test` instead: every byte of a header wrong in five ways, every length of a small file,
sizes that lie, a million chunks, sources that give a byte at a time or break (`wav::damage`); seeds, finds
and damage to both for every fuzz target (`fuzz`); a panic in a worker, a shortage of files (`job::pool`);
a flipped bit anywhere in what a run remembers (`cache::store`); markup in names (`page`).

Not tried, and why: the out-of-memory killer (to the program it is a kill, which is tried at every call);
a watchdog for a stalled disk (there is none: no stage can loop on data, and a disk that comes back is worth
waiting for); a clock that jumps (nothing that is written holds a time); several nights of soak; file systems
that fold case or letters (not in this kernel: output names are lower-case ASCII, and twins are refused by
folded name).
"""


class Table:
    def __init__(self, results):
        self.file = results
        self.rows = [json.loads(line) for line in open(results)] if results and Path(results).exists() else []
        self.points, self.bad = 0, []

    def add(self, what, how, happened, points, bad=()):
        row = [what, how, happened, points, len(bad)]
        self.rows.append(row)
        if self.file:
            with open(self.file, "a") as file:
                file.write(json.dumps(row) + "\n")
        self.points += points
        self.bad += [f"{what}: {b}" for b in bad]
        print(f"{what}: {points} points, {len(bad)} bad: {happened}", flush=True)
        for text in list(bad)[:5]:
            print(f"  BAD {text}", flush=True)

    def markdown(self):
        kinds = lambda row: (row[0].startswith("fuzz"), number(row[0]), not row[0].startswith("killed"), row[0])
        latest = {row[0]: row for row in self.rows}
        rows = sorted(latest.values(), key=kinds)
        lines = [
            "# Faults that were tried",
            "",
            "Written by `tests/cross/faults` from what it saw; not by hand. Every fault is put into the",
            "released program on a session of four short files, and followed by the same command without",
            "it, which has to give the tree of an undisturbed run to the byte and leave no litter.",
            f"{sum(row[3] for row in rows)} points, {sum(row[4] for row in rows)} bad.",
            "",
            "| fault | how it was injected | what happened | points | bad |",
            "| --- | --- | --- | ---: | ---: |",
        ]
        lines += ["| " + " | ".join(str(cell).replace("|", "\\|") for cell in row) + " |" for row in rows]
        lines += ["", ELSEWHERE]
        return "\n".join(lines) + "\n"


def number(name):
    found = re.match(r"M(\d+)", name)
    return int(found[1]) if found else 1


def fuzzed(table, folder):
    """What `fuzz/run` left behind in its logs."""
    for log in sorted(Path(folder).glob("*.log")):
        text = log.read_text(errors="replace")
        done = re.search(r"Done (\d+) runs in (\d+) second", text)
        finds = len(re.findall(r"^artifact_prefix=.*Test unit written", text, re.M))
        happened = f"{int(done[1]):,} executions in {done[2]} s, {finds} finds" if done else "stopped at a find"
        bad = [] if done and not finds else [str(log)]
        table.add(f"fuzz `{log.stem}`", "`fuzz/run`: libFuzzer, at most 64 MB at once, 10 s", happened, 1, bad)


def count_calls(bench, scenario=None):
    """How often each state-changing call happens in an undisturbed run."""
    log = bench.work / "calls"
    known = ",".join(f"?{call}" for call in CHANGING)
    words = ["strace", "-f", "-qq", "-o", log, "-e", f"trace={known}"]
    out = bench.new()
    if scenario:
        scenario.prepare(out)
    run = scenario.run if scenario else bench.prep
    run(out, wrap=words).expect(0)
    counts, main = {}, None
    for line in log.read_text(errors="replace").splitlines():
        found = re.match(r"(\d+) +(\w+)\(", line)
        if found:
            main = main or found[1]
            key = (found[2], found[1] == main)
            counts[key] = counts.get(key, 0) + 1
    others = {call: n for (call, of_main), n in counts.items() if not of_main}
    changing = sum(n for call, n in others.items() if call not in ("openat", "open"))
    if changing:
        raise Bad(f"calls outside the one working thread, which this does not enumerate: {others}")
    return {call: n for (call, of_main), n in counts.items() if of_main}


def spread(count, short):
    """Every point, or in the shortened form a few of them, first and last among them."""
    if not short or count <= short:
        return list(range(1, count + 1))
    return sorted({1 + i * (count - 1) // (short - 1) for i in range(short)})


def matrix(bench, table, calls, options, scenario=None):
    run, heals = (scenario.run, scenario.heals) if scenario else (bench.prep, bench.heals)
    where = f", {scenario.name}" if scenario else ""

    def point(task):
        call, fault, n = task
        out = bench.work / f"m-{scenario.name if scenario else ''}-{call}-{fault}-{n}"
        try:
            if scenario:
                scenario.prepare(out)
            kind = "signal=KILL" if fault == "KILL" else f"error={fault}"
            ran = run(out, wrap=strace(f"{call}:{kind}:when={n}"))
            if fault == "KILL":
                if ran.status != -9:
                    raise Bad(f"was not killed: status {ran.status}")
                bench.all_whole(out) if out.exists() else None
                heals(out)
            elif ran.status == 127:
                return "not started", None  # the loader's own files
            else:
                bench.judge(out, ran, kept=not call.startswith("unlink"), scenario=scenario)
            return f"status {ran.status}", None
        except Bad as bad:
            return "bad", f"{call} {n} {fault}: {bad}"
        finally:
            shutil.rmtree(out, ignore_errors=True)

    faults = options.faults.split(",")
    if scenario and options.short:
        faults = faults[:1]
    for fault in faults:
        for call, count in calls.items():
            few = (2 if scenario else 4) if options.short else count // options.every + 2 if options.every > 1 else 0
            tasks = [(call, fault, n) for n in spread(count, few)]
            with ThreadPoolExecutor(options.workers) as pool:
                results = list(pool.map(point, tasks))
            seen = {}
            for what, _ in results:
                seen[what] = seen.get(what, 0) + 1
            happened = ", ".join(f"{what}: {n}" for what, n in sorted(seen.items()))
            bad = [b for _, b in results if b]
            name = "killed at" if fault == "KILL" else fault
            how = f"`strace -e inject={call}:{'signal=KILL' if fault == 'KILL' else 'error=' + fault}:when=N`"
            which = "every N" if len(tasks) == count else f"{len(tasks)} of {count} N"
            table.add(f"{name} `{call}`{where}", f"{how}, {which}", happened, len(tasks), bad)


def random_kills(bench, table, kills):
    whole = bench.prep(bench.new()).seconds
    dice = random.Random(1)
    bad, out, before = [], None, 0
    for n in range(kills):
        # Half of them go on in the folder that the last one left.
        if out is None or n % 2 == 0:
            out = bench.new("kill")
        process = bench.start("prep", bench.takes, "--out", out, "--jobs", "2")
        time.sleep(dice.random() * whole)
        process.send_signal(signal.SIGKILL)
        before += bench.end(process).status == -9
        try:
            bench.all_whole(out) if out.exists() else None
            if n % 2:
                bench.heals(out)
                shutil.rmtree(out, ignore_errors=True)
        except Bad as found:
            bad.append(f"kill {n}: {found}")
    happened = f"{before} killed before their end, {kills - before} had ended; every second one on what the first left"
    table.add("M3 killed at random times", f"`kill -KILL` within {whole:.2f} s, two threads", happened, kills, bad)


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("program")
    parser.add_argument("--short", action="store_true")
    parser.add_argument("--only", action="append", help="rows whose name begins so; `matrix`, `scenarios`, `scenarios check`, `kills`")
    parser.add_argument("--faults", default=",".join(["KILL", *ERRORS]), help="of the matrix")
    parser.add_argument("--every", type=int, default=1, help="of the matrix: every so many calls only")
    parser.add_argument("--results", help="collects what is seen; taken up again by the next run")
    parser.add_argument("--fuzz", help="folder of logs of `fuzz/run`, for the table")
    parser.add_argument("--table")
    parser.add_argument("--workers", type=int, default=2)
    options = parser.parse_args()
    # Started in the background it would hand on an ignored Ctrl-C.
    signal.signal(signal.SIGINT, signal.default_int_handler)
    table, begun = Table(options.results), time.monotonic()
    work = tempfile.mkdtemp(prefix="batterhead-faults-")
    try:
        bench = Bench(options.program, work)
        wanted = lambda name: any(name.startswith(only) for only in options.only or [""])
        for row in rows.ROWS:
            if wanted(row.name):
                bad, happened, points = [], "", 1
                try:
                    happened, points = row.run(bench, options.short)
                except Bad as found:
                    bad, happened = [str(found)], "BAD"
                except Exception as found:  # the row itself is at fault: bad too, and the rest goes on
                    bad, happened = [repr(found)], "BAD"
                table.add(row.name, row.how, happened, points, bad)
        if wanted("matrix"):
            calls = count_calls(bench)
            print("state-changing calls:", calls, flush=True)
            matrix(bench, table, calls, options)
        if any(only.startswith("scenarios") for only in options.only or ["scenarios"]):
            for scenario in bench.scenarios():
                if wanted(f"scenarios {scenario.name}"):
                    matrix(bench, table, count_calls(bench, scenario), options, scenario)
        if wanted("kills"):
            random_kills(bench, table, 10 if options.short else KILLS)
    finally:
        rows.unmount_all()
        shutil.rmtree(work, ignore_errors=True)
    if options.fuzz:
        fuzzed(table, options.fuzz)
    if options.table:
        Path(options.table).write_text(table.markdown())
    print(f"faults: {table.points} points, {len(table.bad)} bad, {time.monotonic() - begun:.0f} s")
    for text in table.bad:
        print(f"BAD {text}")
    sys.exit(1 if table.bad else 0)


if __name__ == "__main__":
    main()
