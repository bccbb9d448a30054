"""Makes the Debian package: deb.py PROGRAM OUT, in the folder of Cargo.toml.

What is in it stands in [package.metadata.deb] of Cargo.toml, in the words of cargo-deb, which is not asked:
it takes ten minutes to build. PROGRAM goes where the list has the program of this machine, and its header
says which machine and which C library it needs. Prints the path of the package.
"""

import email.utils
import gzip
import hashlib
import os
import pathlib
import re
import shutil
import subprocess
import sys
import tempfile
import textwrap
import tomllib

# Machines by their name in an ELF header.
MACHINES = {"Advanced Micro Devices X86-64": "amd64", "AArch64": "arm64"}
# What a needed library is part of; the loader comes with the first.
OF_LIBC = ("libc.so.6", "libm.so.6", "libpthread.so.0", "libdl.so.2", "librt.so.1", "libutil.so.1")
PACKAGES = dict.fromkeys(OF_LIBC, "libc6") | {"libgcc_s.so.1": "libgcc-s1"}


def readelf(program, what):
    run = subprocess.run(["readelf", "--wide", what, program], check=True, stdout=subprocess.PIPE, text=True)
    return run.stdout


def needs(program):
    """The packages that a program needs, with the C library's version from that of its symbols."""
    libraries = re.findall(r"\(NEEDED\).*\[(.*)\]", readelf(program, "--dynamic"))
    loader = [name for name in libraries if name.startswith("ld-linux")]
    packages = {PACKAGES[name] for name in libraries if name not in loader}
    versions = re.findall(r"GLIBC_(\d+)\.(\d+)", readelf(program, "--version-info"))
    if versions:
        major, minor = max((int(major), int(minor)) for major, minor in versions)
        packages = packages - {"libc6"} | {f"libc6 (>= {major}.{minor})"}
    return ", ".join(sorted(packages))


def notices(package, mit):
    """The copyright file; Apache-2.0 is on every Debian system."""
    indented = "".join(f" {line or '.'}\n" for line in mit.strip().splitlines())
    years = re.search(r"Copyright \(c\) (.*)", mit).group(1)
    return f"""Format: https://www.debian.org/doc/packaging-manuals/copyright-format/1.0/
Upstream-Name: {package["name"]}
Comment: The licences of what it is built from stand in THIRD-PARTY.txt beside this file.

Files: *
Copyright: {years}
License: Expat or Apache-2.0

License: Expat
{indented}
License: Apache-2.0
 On Debian systems, the text of the Apache License, Version 2.0, stands in
 /usr/share/common-licenses/Apache-2.0.
"""


def news(package, version, maintainer, program):
    """The changelog of the package: one entry, of when the program was built."""
    built = int(os.environ.get("SOURCE_DATE_EPOCH", program.stat().st_mtime))
    return f"""{package["name"]} ({version}) unstable; urgency=low

  * Version {package["version"]}.

 -- {maintainer}  {email.utils.formatdate(built)}
"""


def put(source, target, mode):
    target.parent.mkdir(parents=True, exist_ok=True)
    shutil.copyfile(source, target)
    target.chmod(int(mode, 8))


def main():
    program, out = pathlib.Path(sys.argv[1]), pathlib.Path(sys.argv[2])
    package = tomllib.loads(pathlib.Path("Cargo.toml").read_text())["package"]
    deb = package["metadata"]["deb"]
    name, version = package["name"], f"{package['version']}-1"
    machine = MACHINES[re.search(r"Machine:\s+(.*)", readelf(program, "--file-header")).group(1).strip()]
    with tempfile.TemporaryDirectory() as root:
        root = pathlib.Path(root)
        root.chmod(0o755)
        for given, target, mode in deb["assets"]:
            sources = [program] if given == "target/release/batterhead" else sorted(pathlib.Path().glob(given))
            if not sources:
                sys.exit(f"deb.py: {given} is not there")
            for source in filter(pathlib.Path.is_file, sources):
                put(source, root / target / source.name, mode)
        texts = root / f"usr/share/doc/{name}"
        mit = pathlib.Path(deb["license-file"][0]).read_text()
        (texts / "copyright").write_text(notices(package, mit))
        changes = news(package, version, deb["maintainer"], program)
        (texts / "changelog.Debian.gz").write_bytes(gzip.compress(changes.encode(), mtime=0))
        for text in ("copyright", "changelog.Debian.gz"):
            (texts / text).chmod(0o644)
        files = sorted(path for path in root.rglob("*") if path.is_file())
        sums = "".join(f"{hashlib.md5(f.read_bytes()).hexdigest()}  {f.relative_to(root)}\n" for f in files)
        about = "\n ".join(textwrap.wrap(deb["extended-description"].strip(), 78))
        control = {
            "Package": name,
            "Version": version,
            "Architecture": machine,
            "Section": deb["section"],
            "Priority": deb["priority"],
            "Maintainer": deb["maintainer"],
            "Installed-Size": sum(file.stat().st_size for file in files) // 1024 + 1,
            "Depends": needs(program),
            "Description": f"{package['description']}\n {about}",
        }
        (root / "DEBIAN").mkdir()
        lines = (f"{key}: {value}\n" for key, value in control.items() if value)
        (root / "DEBIAN/control").write_text("".join(lines))
        (root / "DEBIAN/md5sums").write_text(sums)
        path = out / f"{name}_{version}_{machine}.deb"
        subprocess.run(["dpkg-deb", "--build", "--root-owner-group", root, path], check=True, stdout=subprocess.DEVNULL)
        print(path)


main()
