"""The names in a recorder's file as another library reads them, beside what `scan` took them for.

    poly.py FILE PROGRAM      FILE: `target/tmp/poly.wav`, written by `cargo test`
"""
import json
import pathlib
import subprocess
import sys
import tempfile

from wavinfo import WavInfoReader

# Names as they stand in the file, and what they are.
MEANING = {
    "Kick In": "kick-in", "Kick Out": "kick-out", "Sn Up": "snare-top", "Sn Dn": "snare-bottom",
    "Rack 1": "tom-1", "Rack 2": "tom-2", "Flr": "tom-3", "HH": "hat", "Ride & Bell": "ride",
    "Chn L": "china-l", "Chn R": "china-r", "Crash L": "crash-l", "Crash R": "crash-r",
    "OH 1": "overhead", "OH 2": "overhead", "Rm L": "room", "Rm R": "room", "Far L": "room-far",
    "Far R": "room-far", "Ceiling": "room-high", "TB": "talkback", "Click": "click",
}

file, program = pathlib.Path(sys.argv[1]), sys.argv[2]
info = WavInfoReader(str(file))
names = {int(track.interleave_index): track.name.strip() for track in info.ixml.track_list}
assert len(names) == 23, names
with tempfile.TemporaryDirectory() as folder:
    (pathlib.Path(folder) / "REC_0001.wav").write_bytes(file.read_bytes())
    ran = subprocess.run([program, "scan", folder, "--json"], capture_output=True, text=True, check=True)
session = json.loads(ran.stdout)
take = session["songs"][0]["takes"][0]
assert session["songs"][0]["name"] == info.ixml.scene, info.ixml.scene
assert take["number"] == int(info.ixml.take), info.ixml.take
heard = {source["channel"]: track for track in take["tracks"] for source in track["sources"]}
for place, name in names.items():
    if name in MEANING:
        assert heard[place]["label"] == MEANING[name], (name, heard[place]["label"])
    else:
        assert heard[place]["mic"] == "unknown-mic" and heard[place]["candidates"], name
print(f"{len(names)} names of channels, song and take as another library reads them")
