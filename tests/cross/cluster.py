"""Runs the examples of examples/cluster/ for real and compares what they leave with plain runs.

cluster.py PROGRAM MAKE_SESSION WORK [snakemake|slurm|staged|kubernetes ...]

PROGRAM lies where packaging/build has left it, with what belongs into an image.
Snakemake and kubernetes-validate are taken from the environment of this Python, Slurm and munge from
Debian's packages. What is started is started here, on this machine, and ended here.
"""

import contextlib
import filecmp
import json
import os
import pathlib
import re
import shutil
import signal
import socket
import subprocess
import sys
import time

import yaml

ROOT = pathlib.Path(__file__).resolve().parents[2]
EXAMPLES = ROOT / "examples" / "cluster"
SESSIONS = ["north-hall/day-1", "north-hall/day-2", "cellar/day-1"]
PATIENCE_S = 240

passed = 0


def check(holds, what):
    global passed
    if not holds:
        sys.exit(f"FAILED: {what}")
    passed += 1
    print(f"ok: {what}", flush=True)


def wait_for(condition, what):
    """What `condition` gives once it gives something."""
    end = time.monotonic() + PATIENCE_S
    while time.monotonic() < end:
        if found := condition():
            return found
        time.sleep(0.02)
    sys.exit(f"FAILED: waited {PATIENCE_S} s in vain until {what}")


class Archive:
    """Three small sessions, what plain runs make of them, and folders for one engine at a time."""

    def __init__(self, program, make_session, work):
        self.work, self.program = work, program
        self.environment = dict(os.environ, PATH=f"{program.parent}:{os.environ['PATH']}")
        for number, session in enumerate(SESSIONS):
            folder = work / "takes" / session
            folder.parent.mkdir(parents=True, exist_ok=True)
            size = ["--songs=1", "--takes=3", f"--mics={5 + number}", "--seconds=12"]
            subprocess.run([make_session, folder, *size], check=True, stdout=subprocess.DEVNULL)
            plain = [program, "--quiet", "prep", folder, "--out", work / "plain" / session]
            subprocess.run(plain, check=True, stdout=subprocess.DEVNULL)

    def begin(self, engine):
        """The folder of an engine, with its archive.yaml."""
        home = self.work / engine
        home.mkdir()
        values = yaml.safe_load((EXAMPLES / "archive.yaml").read_text())
        places = {"takes": self.work / "takes", "prepared": home / "prepared", "stamps": home / "stamps"}
        values |= {key: str(place) for key, place in places.items()} | {"cores": 1, "sessions": SESSIONS}
        sessions = "".join(f"  - {session}\n" for session in values.pop("sessions"))
        lines = "".join(f"{key}: {value}\n" for key, value in values.items())
        (home / "archive.yaml").write_text(f"{lines}sessions:\n{sessions}")
        return home

    def compare(self, home):
        """Every session is there, with the same bytes as by a plain run, under a stamp that is true."""
        for session in SESSIONS:
            stamp = json.loads((home / "stamps" / f"{session}.json").read_text())
            plain, made = self.work / "plain" / session, home / "prepared" / session
            digest = subprocess.run(
                ["sha256sum", made / "manifest-sha256.txt"], check=True, stdout=subprocess.PIPE
            ).stdout.decode()
            check(
                stamp == {"session": session, "status": 0, "manifest_sha256": digest.split()[0]},
                f"{home.name}: the stamp of {session} is that of its manifest",
            )
            check(files(plain) == files(made), f"{home.name}: {session} has the files of a plain run")
            _, other, unread = filecmp.cmpfiles(plain, made, files(plain), shallow=False)
            check(not other and not unread, f"{home.name}: {session} has the bytes of a plain run")


def files(folder):
    """All outputs; the memory of a run is none."""
    found = (path.relative_to(folder) for path in folder.rglob("*") if path.is_file())
    return sorted(str(path) for path in found if path.parts[0] != ".batterhead")


def runs(home):
    """The programs at work on an engine's folder: process number and its parent's."""
    found = []
    for entry in pathlib.Path("/proc").iterdir():
        with contextlib.suppress(OSError, ValueError):
            words = (entry / "cmdline").read_bytes().split(b"\0")
            if words[0].endswith(b"batterhead") and str(home).encode() in b" ".join(words):
                parent = re.search(r"PPid:\s+(\d+)", (entry / "status").read_text())
                found.append((int(entry.name), int(parent.group(1))))
    return found


def in_the_middle(home, engine=None):
    """Waits until a session has some of its stems, and gives its folder and its number of stems."""

    def some():
        if engine and engine.poll() is not None:
            sys.exit(f"FAILED: {home.name} ended with {engine.returncode} before a stem was there")
        for session in SESSIONS:
            stems = list((home / "prepared" / session / "stems").rglob("*.wav"))
            if stems and runs(home):
                return home / "prepared" / session, len(stems)
        return None

    return wait_for(some, f"the first stem in {home}")


def snakemake(archive):
    home = archive.begin("snakemake")
    command = [sys.executable, "-m", "snakemake", "--snakefile", EXAMPLES / "Snakefile"]
    command += ["--configfile", "archive.yaml", "--cores=1", "--keep-going"]

    def start(*more):
        with open(home / "snakemake.log", "ab") as log:
            run = [*command, *more]
            return subprocess.Popen(run, cwd=home, env=archive.environment, stdout=log, stderr=log)

    engine = start()
    session, stems = in_the_middle(home, engine)
    name = session.relative_to(home / "prepared")
    for pid, _ in runs(home):
        os.kill(pid, signal.SIGKILL)
    left = len(files(session))
    whole = len(files(archive.work / "plain" / name))
    check(not (home / "stamps" / f"{name}.json").exists(), "snakemake: a session that was killed has no stamp")
    check(0 < stems <= left < whole, "snakemake: what it had finished is still there")
    check(engine.wait(PATIENCE_S) == 0, "snakemake: it is tried again and finishes the rest")
    check("tries=2" in (home / "snakemake.log").read_text(), "snakemake: at the second try")
    archive.compare(home)
    before = (home / "snakemake.log").stat().st_size
    check(start().wait(PATIENCE_S) == 0, "snakemake: a third time is well")
    told = (home / "snakemake.log").read_bytes()[before:]
    check(b"Nothing to be done" in told, "snakemake: and has nothing to do")

    # A verdict that needs a person is asked for once.
    (home / "prepared" / SESSIONS[0] / "worksheet.toml").write_text("gain_db =\n")
    (home / "stamps" / f"{SESSIONS[0]}.json").unlink()
    log = home / "stamps" / "logs" / f"{SESSIONS[0]}.log"
    log.unlink()
    check(start().wait(PATIENCE_S) == 1, "snakemake: a worksheet that cannot be read fails")
    check("worksheet.toml" in log.read_text(), "snakemake: its log says what is wrong")
    tries = [int(n) for n in re.findall(r"tries=(\d)", (home / "snakemake.log").read_text()[before:])]
    took = log.with_name(f"{log.name}.verdict").stat().st_mtime_ns
    check(max(tries) > 1 and took < log.stat().st_mtime_ns, "snakemake: exit status 2 is not tried again")


SLURM_CONF = """
ClusterName=test
SlurmctldHost={host}(127.0.0.1)
SlurmctldPort=16817
SlurmdPort=16818
AuthType=auth/munge
AuthInfo=socket={home}/munge.socket,cred_expire=5
CredType=cred/munge
SlurmUser=root
SlurmdUser=root
StateSaveLocation={home}/state
SlurmdSpoolDir={home}/spool
SlurmctldPidFile={home}/slurmctld.pid
SlurmdPidFile={home}/slurmd.pid
SlurmctldLogFile={home}/slurmctld.log
SlurmdLogFile={home}/slurmd.log
ProctrackType=proctrack/linuxproc
TaskPlugin=task/none
MpiDefault=none
SelectType=select/cons_tres
SelectTypeParameters=CR_Core
JobRequeue=1
ReturnToService=2
SchedulerParameters=bf_interval=1,sched_interval=1
NodeName={host} NodeAddr=127.0.0.1 CPUs=2 RealMemory=1000 State=UNKNOWN
PartitionName=all Nodes={host} Default=YES MaxTime=INFINITE State=UP
"""


def slurm(archive):
    home = archive.begin("slurm")
    host = socket.gethostname().split(".")[0]
    for folder in ["state", "spool"]:
        (home / folder).mkdir()
    (home / "slurm.conf").write_text(SLURM_CONF.format(host=host, home=home))
    (home / "munge.key").write_bytes(os.urandom(128))
    (home / "munge.key").chmod(0o600)
    environment = archive.environment | {"SLURM_CONF": str(home / "slurm.conf"), "SCRIPTS": str(EXAMPLES)}
    environment["PATH"] += ":/usr/sbin"
    daemons = {}

    def start(name, *words):
        with open(home / f"{name}.out", "ab") as log:
            run = [name, *words]
            daemons[name] = subprocess.Popen(run, cwd=home, env=environment, stdout=log, stderr=log)

    def ask(*words):
        run = subprocess.run(words, cwd=home, env=environment, stdout=subprocess.PIPE, text=True)
        return run.stdout if run.returncode == 0 else ""

    places = {"key-file": "key", "socket": "socket", "pid-file": "pid", "log-file": "log", "seed-file": "seed"}
    try:
        start("munged", "--foreground", "--force", *(f"--{k}={home}/munge.{v}" for k, v in places.items()))
        wait_for((home / "munge.socket").exists, "munge listens")
        start("slurmctld", "-D", "-i", "-c")
        start("slurmd", "-D")
        wait_for(lambda: "idle" in ask("sinfo", "--noheader", "--format=%T"), "the node is idle")
        script = EXAMPLES / "archive.sbatch"
        job = ask("sbatch", "--parsable", f"--array=0-{len(SESSIONS) - 1}", "--cpus-per-task=1", "--mem=0", script)
        check(job.strip().isdigit(), "slurm: the array is taken")

        session, stems = in_the_middle(home)
        ended = runs(home)
        # The node fails: all that runs on it is gone at once.
        victims = [daemons["slurmd"].pid]
        for pid, parent in ended:
            victims += [pid, *ancestors(parent)]
        for pid in dict.fromkeys(victims):
            with contextlib.suppress(ProcessLookupError):
                os.kill(pid, signal.SIGKILL)
        daemons["slurmd"].wait()
        ask("scontrol", "update", f"nodename={host}", "state=down", "reason=failed")
        check("down" in ask("sinfo", "--noheader", "--format=%T"), "slurm: the node is down")
        name = session.relative_to(home / "prepared")
        check(not (home / "stamps" / f"{name}.json").exists(), "slurm: its session has no stamp")
        queued = ask("squeue", "--noheader", "--array", "--format=%T").split()
        check(len(queued) == len(SESSIONS) and set(queued) == {"PENDING"}, "slurm: its tasks wait again")
        start("slurmd", "-D")
        wait_for(lambda: not ask("squeue", "--noheader", "--format=%T").strip(), "the queue is empty")
    finally:
        for name in ["slurmd", "slurmctld", "munged"]:
            if name in daemons:
                daemons[name].terminate()
                daemons[name].wait(30)
    logs = "".join(log.read_text() for log in home.glob("batterhead-*.log"))
    check("NODE FAILURE" in logs or stems > 0, "slurm: the node failed in the middle of a session")
    archive.compare(home)


def ancestors(pid):
    """A process and those above it, up to the node's own daemon."""
    found = []
    while pid > 1:
        status = pathlib.Path(f"/proc/{pid}/status").read_text()
        if re.search(r"Name:\s+slurmd\n", status):
            break
        found.append(pid)
        pid = int(re.search(r"PPid:\s+(\d+)", status).group(1))
        if b"slurm" not in pathlib.Path(f"/proc/{pid}/cmdline").read_bytes():
            break
    return found


def staged(archive):
    home = archive.begin("staged")
    (home / "store").mkdir()

    def stage(session, **more):
        command = [EXAMPLES / "staged.sh", session, archive.work / "takes", home / "store", home / "scratch"]
        environment = archive.environment | {"CORES": "1"} | more
        run = subprocess.run(command, env=environment, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        return run.returncode

    refused = stage(SESSIONS[0], COPY_FILE="false")
    check(refused == 3, "staged: storage that takes no stamp is worth a retry")
    check(not list((home / "store").rglob("day-1.json")), "staged: there is no stamp without it")
    for session in SESSIONS:
        check(stage(session) == 0, f"staged: {session}")
    check(stage(SESSIONS[0], COPY_FOLDER="false") == 0, "staged: what has its stamp is not brought again")
    check(not list((home / "scratch").rglob("*.wav")), "staged: nothing is left on the scratch disk")
    # As the other engines leave it.
    for session in SESSIONS:
        for there, here in [(session, "prepared"), (f"{session}.json", "stamps")]:
            (home / here / there).parent.mkdir(parents=True, exist_ok=True)
            shutil.move(home / "store" / there, home / here / there)
    archive.compare(home)


def kubernetes(archive):
    import kubernetes_validate

    home = archive.begin("kubernetes")
    [volumes, job] = yaml.safe_load_all((EXAMPLES / "job.yaml").read_text())
    for manifest in [volumes, job]:
        kubernetes_validate.validate(manifest, VERSION, strict=True)
        check(True, f"kubernetes: {manifest['kind']} is valid by the schema of {VERSION}")
    wrong = json.loads(json.dumps(job))
    wrong["spec"]["completionsMode"] = wrong["spec"].pop("completionMode")
    try:
        kubernetes_validate.validate(wrong, VERSION, strict=True)
        check(False, "kubernetes: a misspelt key is found")
    except kubernetes_validate.ValidationError:
        check(True, "kubernetes: a misspelt key is found")
    pod = job["spec"]["template"]["spec"]
    [container] = pod["containers"]
    # The command as it is written, in a root of its own that has what the image and the volumes have.
    root = image(home, archive.program)
    for session in SESSIONS:
        shutil.copytree(archive.work / "takes" / session, root / "archive/takes" / session)
    for folder in ["prepared", "stamps"]:
        (root / "archive" / folder).mkdir(parents=True)
        shutil.chown(root / "archive" / folder, 65532, 65532)
    config = yaml.safe_load(volumes["data"]["archive.yaml"])
    check(job["spec"]["completions"] == len(config["sessions"]), "kubernetes: one pod a session")
    text = volumes["data"]["archive.yaml"]
    for theirs, ours in zip(config["sessions"], SESSIONS, strict=True):
        text = text.replace(theirs, ours)
    (root / "config").mkdir()
    (root / "config/archive.yaml").write_text(text)
    user = pod["securityContext"]
    as_user = f"--userspec={user['runAsUser']}:{user['runAsGroup']}"
    for number in range(len(SESSIONS)):
        words = [*container["command"], *container["args"]]
        words = [word.replace("$(JOB_COMPLETION_INDEX)", str(number)) for word in words]
        command = [shutil.which("chroot"), as_user, root, *words]
        run = subprocess.run(command, env={"PATH": "/bin"}, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        check(run.returncode == 0, f"kubernetes: {' '.join(words)}")
    for folder in ["prepared", "stamps"]:
        shutil.move(root / "archive" / folder, home / folder)
    archive.compare(home)


VERSION = "1.31"


def image(home, program):
    """The root of the image of examples/cluster/Containerfile, as it is built and mounted."""
    if not shutil.which("buildah"):
        sys.exit("FAILED: buildah is not installed")
    store = ["--storage-driver=vfs", f"--root={home}/store", f"--runroot={home}/run"]

    def buildah(*words):
        run = subprocess.run(["buildah", *store, *words], check=True, stdout=subprocess.PIPE, text=True)
        return run.stdout.strip()

    session = home / "session"
    session.mkdir()
    for part in [pathlib.Path("/bin/busybox"), EXAMPLES / "session.sh"]:
        shutil.copy(part, session)
    images = [("batterhead", program.parent, ROOT / "packaging"), ("batterhead-session", session, EXAMPLES)]
    for name, context, folder in images:
        tag = f"localhost/{name}:0.1.0"
        file = f"--file={folder / 'Containerfile'}"
        buildah("build", "--quiet", "--isolation=chroot", file, f"--tag={tag}", context)
        told = json.loads(buildah("inspect", "--type=image", tag))
        check(told["OCIv1"]["config"]["User"] == "65532:65532", f"{name}: the image does not run as root")
        root = pathlib.Path(buildah("mount", buildah("from", tag)))
        size = sum(path.lstat().st_size for path in root.rglob("*") if path.is_file())
        check(size < 20_000_000, f"{name}: {size / 1e6:.1f} MB of image")
    licences = sorted(path.name for path in (root / "licences").iterdir() if path.stat().st_size > 0)
    wanted = ["LICENSE-APACHE", "LICENSE-MIT", "THIRD-PARTY.txt", "sbom.cdx.json"]
    check(licences == wanted, "the image has the licences of all its parts, and their list")
    # A program that is not static finds its libraries where this machine has them.
    needed = subprocess.run(["ldd", program], stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True).stdout
    for library in re.findall(r"(/\S+) \(0x", needed):
        target = root / library.lstrip("/")
        target.parent.mkdir(parents=True, exist_ok=True)
        shutil.copy(library, target)
    return root


def main():
    program, make_session, work = (pathlib.Path(word).resolve() for word in sys.argv[1:4])
    archive = Archive(program, make_session, work)
    engines = {"snakemake": snakemake, "slurm": slurm, "staged": staged, "kubernetes": kubernetes}
    for engine in sys.argv[4:] or engines:
        begun = time.monotonic()
        engines[engine](archive)
        print(f"{engine}: {time.monotonic() - begun:.0f} s", flush=True)
    print(f"{passed} passed, 0 failed")


main()
