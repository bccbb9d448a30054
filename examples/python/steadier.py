"""The takes of each song from the steadiest on: steadier.py OUT."""
import json, sys
takes = json.load(open(f"{sys.argv[1]}/session.json"))["takes"]
timed = [t for t in takes if t["timing_ms"]]
for t in sorted(timed, key=lambda t: (t["song"], t["timing_ms"]["against"], t["timing_ms"]["spread"])):
    timing = t["timing_ms"]
    print(f"{t['song']} {t['take']}: strokes scatter by {timing['spread']:.1f} ± {timing['spread_error']:.1f} ms "
          f"(against {timing['against']}), {t['tempo_bpm'] or 'undecided'} beats a minute")
