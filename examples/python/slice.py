"""Cuts a stem at the strokes of its drum: slice.py OUT SONG TAKE DRUM (needs soundfile; stems with start = "take")."""
import csv, json, sys, soundfile
out, song, take, drum = sys.argv[1:5]
takes = [t for t in json.load(open(f"{out}/session.json"))["takes"] if (t["song"], t["take"]) == (song, take)]
name = next(d["name"] for d in takes[0]["drums"] if d["drum"] == drum)
rows = csv.DictReader(open(f"{out}/hits/{song}/{take}.csv"))
places = [int(r["sample"]) for r in rows if r["drum"] == drum and float(r["probability"]) >= 0.5]
stem, rate = soundfile.read(f"{out}/stems/{song}/{take}/{name}.wav", dtype="int32")
for number, (start, end) in enumerate(zip(places, places[1:] + [len(stem)]), 1):
    soundfile.write(f"{name}_{number:03}.wav", stem[start:end], rate, subtype="PCM_24")
