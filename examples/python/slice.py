"""Cuts a take's stem into one file a stroke: slice.py OUT SONG TAKE DRUM (for example kick)."""
import csv, json, sys, wave

out, song, take, drum = sys.argv[1:5]
takes = json.load(open(f"{out}/session.json"))["takes"]
name = next(d["name"] for t in takes if (t["song"], t["take"]) == (song, take) for d in t["drums"] if d["drum"] == drum)
rows = [r for r in csv.DictReader(open(f"{out}/hits/{song}/{take}.csv")) if r["drum"] == drum and float(r["probability"]) >= 0.5]
with wave.open(f"{out}/stems/{song}/{take}/{name}.wav") as stem:
    places = [int(r["sample"]) for r in rows] + [stem.getnframes()]
    for number, (start, end) in enumerate(zip(places, places[1:]), 1):
        stem.setpos(start)
        with wave.open(f"{name}_{number:03}.wav", "wb") as piece:
            piece.setparams(stem.getparams())
            piece.writeframes(stem.readframes(end - start))
