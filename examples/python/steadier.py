"""Which take is steadier? steadier.py OUT: takes of each song by the scatter of their strokes."""
import json, sys

takes = json.load(open(f"{sys.argv[1]}/session.json"))["takes"]
for song in sorted({t["song"] for t in takes}):
    timed = [t for t in takes if t["song"] == song and t["timing_ms"]]
    for take in sorted(timed, key=lambda t: t["timing_ms"]["spread"]):
        timing = take["timing_ms"]
        print(f"{song} {take['take']}: {timing['spread']:.1f} ± {timing['spread_error']:.1f} ms against {timing['against']}, "
              f"{take['tempo_bpm'] or 'undecided'} beats a minute")
