"""Prints the strokes of a MIDI file in seconds: read_midi.py OUT/hits/SONG/TAKE.mid (needs mido)."""
import sys
import mido

tick, tempo, file = 0, 500_000, mido.MidiFile(sys.argv[1])
for message in mido.merge_tracks(file.tracks):
    tick += message.time  # one tick is one frame
    tempo = message.tempo if message.type == "set_tempo" else tempo
    if message.type == "note_on" and message.velocity:
        print(f"{mido.tick2second(tick, file.ticks_per_beat, tempo):.6f} s, note {message.note}, velocity {message.velocity}")
