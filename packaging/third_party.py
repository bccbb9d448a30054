"""Writes the licences of everything that is compiled into the program: third_party.py [TARGET] > THIRD-PARTY.txt

One part for each licence text, with the crates that come under it. A crate without a licence file, or
with a licence that is not on the list below, ends this with an error: somebody has to look.
"""

import collections
import hashlib
import json
import pathlib
import re
import subprocess
import sys

# Permissive licences: with their texts in the package, all conditions are met.
KNOWN = {
    "0BSD", "Apache-2.0", "Apache-2.0 WITH LLVM-exception", "BSD-2-Clause", "BSD-3-Clause", "BSL-1.0",
    "CC0-1.0", "ISC", "MIT", "MIT-0", "MPL-2.0", "Unicode-3.0", "Unlicense", "Zlib",
}  # fmt: skip
NAMES = re.compile(r"^(licen[cs]e|copying|copyright|unlicense|notice)", re.IGNORECASE)


def crates(target):
    """Every crate that the program is built from."""

    def cargo(*words):
        run = subprocess.run(["cargo", *words, "--locked"], check=True, stdout=subprocess.PIPE)
        return run.stdout.decode()

    tree = cargo("tree", "--edges=normal", "--prefix=none", "--format={p}", "--target", target)
    names = {tuple(line.split()[:2]) for line in tree.splitlines()}
    packages = json.loads(cargo("metadata", "--format-version=1"))["packages"]
    found = [p for p in packages if (p["name"], "v" + p["version"]) in names and p["source"]]
    return sorted(found, key=lambda p: (p["name"], p["version"]))


def acceptable(expression):
    """Whether one way through `A OR B AND C` is on the list."""
    if not expression:
        return False
    flat = expression.replace("/", " OR ").replace("(", " ").replace(")", " ")
    return any(
        all(part.strip() in KNOWN for part in choice.split(" AND ")) for choice in flat.split(" OR ")
    )


def main():
    problems, texts = [], collections.defaultdict(list)
    target = sys.argv[1] if len(sys.argv) > 1 else "x86_64-unknown-linux-gnu"
    listed = crates(target)
    for crate in listed:
        name = f"{crate['name']} {crate['version']}"
        if not acceptable(crate["license"]):
            problems.append(f"{name}: licence {crate['license']!r}")
        folder = pathlib.Path(crate["manifest_path"]).parent
        files = sorted(p for p in folder.iterdir() if p.is_file() and NAMES.match(p.name))
        if not files:
            texts[""].append(name)
        for file in files:
            text = "\n".join(line.rstrip() for line in file.read_text("utf-8", "replace").split("\n"))
            texts[text.strip()].append(name)
    if problems:
        sys.exit("licences that nobody has looked at:\n  " + "\n  ".join(problems))
    out = sys.stdout
    out.write("batterhead contains the following works of others, each under its own licence.\n\n")
    for crate in listed:
        out.write(f"{crate['name']} {crate['version']}: {crate['license']}\n")
    out.write("the standard library of Rust: MIT OR Apache-2.0\n")
    if "musl" in target:
        out.write("musl, the C library: MIT\n")
    bare = texts.pop("", [])
    if bare:
        out.write(f"\nWithout a licence file of their own: {', '.join(bare)}.\n")
    for text, names in sorted(texts.items(), key=lambda pair: hashlib.sha256(pair[0].encode()).digest()):
        out.write(f"\n{'=' * 78}\n{', '.join(sorted(set(names)))}\n{'-' * 78}\n{text}\n")


main()
