"""Strokes of a prepared session, read back by two MIDI readers and compared with the sound.

usage: strokes.py OUT TAKES

Equal to the CSV within one frame; and a click at each note lies on the envelope of the drum's own mic
within 1 ms. Needs numpy, scipy, mido, pretty_midi.
"""

import csv
import json
import pathlib
import sys

import mido
import numpy as np
import pretty_midi
import scipy.io.wavfile
import scipy.signal

# A tick is a frame: three and a half minutes at 48 kHz are more ticks than this reader expects.
pretty_midi.pretty_midi.MAX_TICK = 1e12

# General MIDI Level 1, percussion key map.
NOTES = {
    "kick": 36, "snare": 38, "tom-1": 50, "tom-2": 48, "tom-3": 45, "tom-4": 43, "tom-5": 41,
    "tom-6": 47, "hat": 42, "crash": 49, "ride": 51, "china": 52, "splash": 55, "cymbal": 57,
}


def note(drum):
    return NOTES.get(drum) or NOTES.get(drum.rsplit("-", 1)[0])


def rows(path):
    with open(path, newline="") as file:
        return [
            (row["drum"], int(row["sample"]), float(row["seconds"]), int(row["velocity"]), float(row["probability"]))
            for row in csv.DictReader(file)
        ]


def by_mido(path, rate):
    found, tempo, file = [], 500_000, mido.MidiFile(path)
    assert file.type == 1 and len(file.tracks) == 2, "format 1, a tempo track and one more"
    for track in file.tracks:
        tick = 0
        for message in track:
            tick += message.time
            if message.type == "set_tempo":
                tempo = message.tempo
            if message.type == "note_on" and message.velocity:
                assert message.channel == 9, "channel 10"
                found.append((tick, message.note, message.velocity))
    seconds = tempo / 1e6 / file.ticks_per_beat
    assert abs(seconds * rate - 1) < 1e-6, "one tick is one frame"
    return sorted(found)


def by_pretty_midi(path, rate):
    file = pretty_midi.PrettyMIDI(str(path))
    assert all(instrument.is_drum for instrument in file.instruments)
    notes = [n for instrument in file.instruments for n in instrument.notes]
    return sorted((n.start * rate, n.pitch, n.velocity) for n in notes)


def lag_ms(samples, rate, places):
    """How far the attacks lie behind the notes, in the median: an attack begins where the sound above
    2 kHz (what the stick does, not how the head swings up after it) reaches a fifth of its peak."""
    high = scipy.signal.butter(4, 2000, "highpass", fs=rate, output="sos")
    level = np.abs(scipy.signal.sosfilt(high, samples.astype(float)))
    reach = int(0.01 * rate)
    lags = []
    for place in places:
        piece = level[max(place - reach, 0) : place + 2 * reach]
        if place >= reach and len(piece) == 3 * reach:
            lags.append(np.argmax(piece > 0.2 * piece.max()) - reach)
    return float(np.median(lags)) / rate * 1000


def main():
    out, takes = pathlib.Path(sys.argv[1]), pathlib.Path(sys.argv[2])
    session = json.loads((out / "session.json").read_text())
    strokes = files = 0
    worst = 0.0
    for take in session["takes"]:
        rate = take["sample_rate_hz"]
        table = rows(out / f"hits/{take['song']}/{take['take']}.csv")
        midi = out / f"hits/{take['song']}/{take['take']}.mid"
        sure = sorted((s, note(d), v) for d, s, _, v, p in table if p >= 0.5 and note(d))
        assert by_mido(midi, rate) == sure, midi
        other = by_pretty_midi(midi, rate)
        assert len(other) == len(sure), (midi, len(other), len(sure))
        for (at, pitch, velocity), (sample, wanted, loud) in zip(other, sure):
            assert abs(at - sample) <= 1 and (pitch, velocity) == (wanted, loud), midi
        files += 1
        strokes += len(sure)
        for drum in take["drums"]:
            report = json.loads((out / f"reports/{take['song']}/{take['take']}/{drum['name']}.json").read_text())
            places = [s for d, s, _, _, p in table if d == drum["drum"] and p >= 0.9]
            source = report["sources"][0]
            starts = {t["time_reference_samples"] for t in (report["sources"])}
            if len(places) < 8 or len(starts) != 1 or drum["drum"].split("-")[0] not in ("kick", "snare", "tom"):
                continue
            read_rate, samples = scipy.io.wavfile.read(takes / source["path"])
            if samples.ndim > 1:
                samples = samples[:, source.get("channel", 1) - 1]
            lead = (source["time_reference_samples"] or 0) - (take["time_reference_samples"] or 0)
            lag = lag_ms(samples, read_rate, [p - lead for p in places])
            worst = max(worst, abs(lag))
            assert abs(lag) <= 1, f"{drum['name']}: notes lie {lag:.2f} ms off its attacks"
    assert strokes > 50, strokes
    print(f"{strokes} strokes in {files} MIDI files agree with two readers; at most {worst:.2f} ms off the sound")


main()
