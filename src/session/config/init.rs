//! [`init_toml`]: a commented session file from what was found.

use std::collections::BTreeSet;
use std::fmt::Write as _;

use super::MicGroup;
use crate::error::printable;
use crate::problem::quoted;
use crate::session::label::Label;
use crate::session::{Family, Mic, Session, SessionFile, Track};

/// A session file that changes nothing: every line that would is a comment, with what was found
/// filled in. It reads back without a fault.
pub fn init_toml(session: &Session) -> String {
    let takes = || session.songs.iter().flat_map(|s| &s.takes);
    let tracks = || takes().flat_map(|t| &t.tracks);
    let mics: BTreeSet<Mic> = tracks()
        .map(|t| t.mic)
        .filter(|m| !m.is_unknown())
        .collect();
    let mut out = String::new();
    let mut add = |text: &str| {
        out.push_str(text);
        out.push('\n');
    };
    add("# Session file: how the takes in this folder are read and worked on.");
    add("# Everything here is optional. A line that begins with `# ` and a key shows the default");
    add("# or an example; take the `# ` away to set it.");
    add("#");
    for song in &session.songs {
        let slugs: Vec<_> = song.takes.iter().map(|take| take.slug.as_str()).collect();
        let list = match &slugs[..] {
            [first, .., last] if slugs.len() > 3 => format!("{first} … {last} ({})", slugs.len()),
            _ => slugs.join(", "),
        };
        add(&format!("# found: {}: {list}", song.slug));
    }
    add(
        "\n# Where song, take and mic stand in the paths, if names are not read as they are meant.",
    );
    add("# Fields: {song} {take} {mic} {any}");
    add("# pattern = \"{song}/{take}/{mic}\"");
    add("\n# Two sides of an overhead or a room: one \"stereo\" stem, or \"split\" into two.");
    add("pairs = \"stereo\"");
    add(
        "\n# A take that is louder or softer than the others, since a preamp was turned: \"keep\" the one gain of",
    );
    add("# the mic, or \"trim\" the take by the step.");
    add("level-steps = \"keep\"");
    add(
        "\n# Drums that are never hit are left out where the \"song\" never plays them, in each \"take\",",
    );
    add("# or \"never\".");
    add("left-out = \"song\"");
    add(
        "\n# Which stems the page lets one compare with their source by ear: each mic in one take of each",
    );
    add("# \"song\", in each \"take\" (some 1 MB a stem), or \"never\".");
    add("excerpts = \"song\"");
    add(
        "\n# Mics whose polarity is corrected without asking; without this key those beside the main mic of",
    );
    add("# their drum. All others are reported only.");
    let further = super::FURTHER.map(|name| format!("\"{name}\""));
    add(&format!("polarity = [{}]", further.join(", ")));
    add("\n# Mics that are moved in time to meet the others.");
    add("align = []");
    add(
        "\n# What files and channels are, whatever they are called. `file` is a pattern with * and ?.",
    );
    inputs(&mut add, tracks().collect());
    add(
        "\n# Stems made of other stems' sources. Without this entry a `trashy-room` is made of the",
    );
    add("# farthest room; with an empty list none is.");
    let default = SessionFile::default();
    let derived = takes().find_map(|take| default.derived_of(take).into_iter().next());
    add(&format!(
        "# derived = [{{ of = \"{}\", preset = \"trashy-room\", name = \"trashy-room\" }}]",
        derived.map_or("room-far".to_owned(), |derived| derived.of)
    ));
    add(
        "\n# Stems of several mics, beside those of the tracks: \"standard\", or a table of your own.",
    );
    add("# groups = \"standard\"");
    add("\n# Words that people write for mics, added to those that are known or overruling them.");
    add("[words]");
    add("# \"hoop\" = \"snare-side\"");
    add(
        "\n# Presets that differ from the mics' own, by name or path; \"*\" is for all other mics.",
    );
    add("[presets]");
    add("# \"*\" = \"level-only\"");
    for mic in &mics {
        add(&format!("# {mic} = \"{mic}\""));
    }
    add("\n# The rough mix. Faders in dB; pans from -100 (left) to 100 (right).");
    add("[mix]");
    add("view = \"player\"            # or \"audience\"");
    add("left-handed = false");
    add("target_lufs = -18");
    add("ceiling_dbtp = -1");
    add("listening-copy = false     # 16 bit, 44.1 kHz, for the band");
    add(
        "dry = false                # the same balance without processing beside each mix, to compare",
    );
    for mic in mics.iter().filter_map(|mic| Some((mic, mic.fader_db?))) {
        let (mic, fader) = mic;
        let pan = match mic.pair {
            true => String::new(),
            false => format!("pan = {}, ", mic.pan),
        };
        add(&format!(
            "# mic.{mic} = {{ fader_db = {fader}, {pan}mute = false }}"
        ));
    }
    for derived in takes().flat_map(|take| default.derived_of(take)).take(1) {
        add(&format!(
            "# mic.{} = {{ fader_db = -14, mute = false }}",
            derived.name
        ));
    }
    for group in MicGroup::standard() {
        add(&format!("# group.{} = {{ fader_db = 0 }}", group.name));
    }
    add("\n# What outputs are called.");
    add("# Fields: {song} {take} {mic} {side} {group} {date} {rate} {bits} {text}");
    add("[naming]");
    add("template = \"{song}_{take}_{mic}\"");
    add("# text = \"my words\"");
    add("# date = \"2000-01-31\"");
    add("\n[output]");
    add("# rate_hz = 48000          # without it: each file's own");
    add("bits = 24                  # 16, 24, \"float\" or \"source\"");
    add("# start = \"take\"           # all stems of a take start and end together");
    add("dither = true");
    add("\n# Strokes for other programs, in hits/.");
    add("[hits]");
    add("threshold = 0.5            # MIDI files and markers hold strokes at least so probable");
    add("file-per-drum = false      # a MIDI file for each drum, too");
    add("cues = false               # strokes as markers in the stems of leading mics");
    add("# notes = { kick = 35 }    # MIDI notes that differ from those of General MIDI");
    add("\n# What is known of the drums: it helps to tell their tuning.");
    add("[kit]");
    for mic in mics
        .iter()
        .filter(|m| matches!(m.family, Family::Kick | Family::Snare | Family::Tom))
    {
        add(&format!(
            "# {mic} = {{ diameter_in = 14, tuning_hz = 180, note = \"\" }}"
        ));
    }
    add(
        "\n# A set-up is a run of takes with the same kit, tuning and mic positions: one per song,",
    );
    add("# unless entries like this one say otherwise.");
    add("# [[setup]]");
    add("# name = \"small kit\"");
    let song = session
        .songs
        .first()
        .map_or("low-tide", |song| song.slug.as_str());
    add(&format!("# takes = [\"{song}/*\"]"));
    out
}

/// An entry for every file or channel that is unknown, as a comment, with its candidates.
fn inputs(add: &mut impl FnMut(&str), tracks: Vec<&Track>) {
    let mut lines: BTreeSet<String> = BTreeSet::new();
    for track in tracks.into_iter().filter(|t| t.mic.is_unknown()) {
        let label = track.candidates.first().and_then(|text| Label::parse(text));
        let mic = label.map_or_else(|| "unknown-mic".to_owned(), |label| label.to_string());
        for source in &track.sources {
            let what = match source.channel {
                Some(channel) => format!("channel = {}", channel + 1),
                None => {
                    let stem = crate::session::names::folders::stem(&source.path);
                    format!("file = {}", quoted(&pattern_of(&stem)))
                }
            };
            let mut line = format!("#   {{ {what}, mic = \"{mic}\" }},");
            if let [_, others @ ..] = &track.candidates[..]
                && !others.is_empty()
            {
                let _ = write!(line, "  # or {}", printable(&others.join(" or ")));
            }
            lines.insert(line);
        }
    }
    if lines.is_empty() {
        lines.insert("#   { file = \"*spare*\", skip = true },".to_owned());
    }
    add("# inputs = [");
    for line in lines {
        add(&line);
    }
    add("# ]");
}

/// The characters that mean something in a pattern, taken literally.
pub(in crate::session) fn pattern_of(name: &str) -> String {
    let mut pattern = String::new();
    for c in name.chars() {
        match c {
            '*' | '?' | '[' | ']' | '{' | '}' | '\\' => {
                let _ = write!(pattern, "[{c}]");
            }
            '\u{fffd}' => pattern.push('?'),
            c => pattern.push(c),
        }
    }
    pattern
}
