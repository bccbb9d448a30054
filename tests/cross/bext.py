"""Every WAV file of a prepared session: its `bext`, read by another program's parser and compared
with a loudness meter of its own.

usage: bext.py OUT

Needs wavinfo (reads bext) and pyloudnorm or the program's own figures.
"""

import json
import pathlib
import sys

from wavinfo import WavInfoReader


def main():
    out = pathlib.Path(sys.argv[1])
    session = json.loads((out / "session.json").read_text())
    figures = {}
    for track in session["tracks"]:
        report = json.loads((out / track["report"]).read_text())
        if report["output"]:
            figures[report["output"]["path"]] = (report["after"], report["output"]["time_reference_samples"])
    for mix in session["mixes"]:
        if mix["path"]:
            figures[mix["path"]] = (mix["after"], None)
    files = 0
    for path in sorted(out.rglob("*.wav")):
        name = path.relative_to(out).as_posix()
        bext = WavInfoReader(str(path)).bext
        assert bext is not None and bext.version == 2, name
        assert "batterhead" in bext.coding_history, name
        if name not in figures:
            continue
        after, reference = figures[name]
        assert reference is None or bext.time_reference == reference, name
        for field, key in [
            ("loudness_value", "integrated_lufs"),
            ("loudness_range", "loudness_range_lu"),
            ("max_true_peak", "true_peak_dbtp"),
            ("max_momentary_loudness", "momentary_max_lufs"),
            ("max_shortterm_loudness", "short_term_max_lufs"),
        ]:
            found = getattr(bext, field)
            wanted = after[key]
            if wanted is None:
                assert found is None or abs(found - 327.67) < 1e-6, (name, field, found)
            else:
                assert abs(found - wanted) < 0.006, (name, field, found, wanted)
        files += 1
    assert files >= 10, files
    print(f"bext of {files} files: version 2, with the loudness that their reports say")


main()
