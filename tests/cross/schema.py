#!/usr/bin/env python3
"""Checks presets and session files by their schemas with an independent validator.

schema.py [SESSION.toml ...]: further session files that must be accepted.
Needs Python 3.11 and the package `jsonschema`. Exit status 1 if a verdict is wrong.
"""

import json
import pathlib
import sys
import tomllib

import jsonschema

ROOT = pathlib.Path(__file__).resolve().parents[2]


def accepts(validator, path):
    text = path.read_bytes().decode("utf-8-sig").replace("\r\n", "\n")
    try:
        table = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError):
        return False
    # JSON has no nan and no infinity; TOML has.
    try:
        json.dumps(table, allow_nan=False, default=str)
    except ValueError:
        return False
    return validator.is_valid(table)


def check(kind, more, least):
    """Verdicts of one schema on the files in tests/data and on `more` good ones."""
    schema = json.loads((ROOT / f"presets/{kind}.schema.json").read_text())
    jsonschema.Draft202012Validator.check_schema(schema)
    validator = jsonschema.Draft202012Validator(schema)
    data = ROOT / f"tests/data/{kind}s"
    expected = {path: True for path in more}
    expected |= {path: True for path in (data / "good").glob("*.toml")}
    expected |= {path: False for path in (data / "bad").glob("*.toml")}
    expected |= {path: True for path in (data / "bad-beyond-schema").glob("*.toml")}
    wrong = [path for path, want in sorted(expected.items()) if accepts(validator, path) != want]
    for path in wrong:
        print(f"{path}: expected {'accepted' if expected[path] else 'refused'}")
    print(f"{kind}: {len(expected)} files, {len(wrong)} wrong verdicts")
    return bool(wrong) or len(expected) < least


def main():
    library = [p for p in (ROOT / "presets").glob("*.toml") if p.name != "mics.toml"]
    written = [pathlib.Path(path) for path in sys.argv[1:]]
    return check("preset", library, 100) | check("session", written, 30)


if __name__ == "__main__":
    sys.exit(main())
