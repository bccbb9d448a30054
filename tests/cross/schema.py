#!/usr/bin/env python3
"""Holds presets against presets/preset.schema.json with an independent validator.

Needs Python 3.11 and the package `jsonschema`. Exit status 1 if a verdict is wrong.
"""

import json
import pathlib
import sys
import tomllib

import jsonschema

ROOT = pathlib.Path(__file__).resolve().parents[2]
DATA = ROOT / "tests/data/presets"


def accepts(validator, path):
    text = path.read_bytes().decode("utf-8-sig").replace("\r\n", "\n")
    try:
        preset = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError):
        return False
    # JSON has no nan and no infinity; TOML has.
    try:
        json.dumps(preset, allow_nan=False, default=str)
    except ValueError:
        return False
    return validator.is_valid(preset)


def main():
    schema = json.loads((ROOT / "presets/preset.schema.json").read_text())
    jsonschema.Draft202012Validator.check_schema(schema)
    validator = jsonschema.Draft202012Validator(schema)
    library = [p for p in (ROOT / "presets").glob("*.toml") if p.name != "mics.toml"]
    expected = {path: True for path in library}
    expected |= {path: True for path in (DATA / "good").glob("*.toml")}
    expected |= {path: False for path in (DATA / "bad").glob("*.toml")}
    expected |= {path: True for path in (DATA / "bad-beyond-schema").glob("*.toml")}
    wrong = [path for path, want in sorted(expected.items()) if accepts(validator, path) != want]
    for path in wrong:
        print(f"{path.relative_to(ROOT)}: expected {'accepted' if expected[path] else 'refused'}")
    print(f"{len(expected)} presets, {len(wrong)} wrong verdicts")
    return bool(wrong) or len(expected) < 100


if __name__ == "__main__":
    sys.exit(main())
