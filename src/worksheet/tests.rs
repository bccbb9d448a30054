use super::*;
use crate::stage::{HighPass, Peak};

fn entry() -> Entry {
    Entry {
        key: "low-tide/take-03/low-tide_take-03_snare-top".to_owned(),
        mic: "snare-top".to_owned(),
        preset: "snare-top".to_owned(),
        left_out: Decided::plain(false),
        muted: Decided::new(true, Reason::NotPlayed { whole_song: false }),
        polarity_inverted: Decided::new(
            true,
            Reason::PolarityOpposed {
                against: "snare\ntop".to_owned(),
                hits: 54,
                correlation: -0.9,
                confidence: 0.94,
            },
        ),
        delay_samples: Decided::plain(-12),
        stages: vec![
            Decided::plain(Stage::HighPass(HighPass {
                freq_hz: 80.0,
                order: 4,
                shape: Default::default(),
            })),
            Decided::new(
                Stage::Peak(Peak {
                    freq_hz: 203.1,
                    gain_db: 3.0,
                    q: 1.4,
                }),
                Reason::DriveMatched,
            ),
        ],
        gain_db: Decided::new(3.4, Reason::NoTarget),
    }
}

fn text() -> String {
    written(&Notes::default())
}

fn written(notes: &Notes) -> String {
    let mut text = Vec::new();
    write([&entry()], notes, &mut text).unwrap();
    String::from_utf8(text).unwrap()
}

#[test]
fn a_worksheet_survives_writing_and_reading_without_its_reasons() {
    let text = text();
    let read = Worksheet::parse(&text, "worksheet.toml").unwrap();
    assert!(read.entries[0].edits_of(&entry()).is_empty());
    assert!(
        text.contains("gain_db = 3.4  # the preset sets no level\n"),
        "{text}"
    );
    assert!(
        text.contains("{ high-pass = { freq_hz = 80, order = 4 } },\n"),
        "{text}"
    );
}

#[test]
fn only_what_a_person_changed_is_an_edit_and_a_part_is_enough() {
    let part =
        "[track.\"low-tide/take-03/low-tide_take-03_snare-top\"]\ngain_db = 1.5\nmuted = true\n";
    let read = Worksheet::parse(part, "w.toml").unwrap();
    let edits = read.entries[0].edits_of(&entry());
    assert_eq!((edits.gain_db, edits.muted), (Some(1.5), None));
    assert!(edits.stages.is_none() && edits.left_out.is_none());
    let mut over = entry();
    let given = Given {
        left_out: Some(true),
        ..edits
    };
    assert_eq!(given.put_over(&mut over).len(), 1);
    assert!(over.left_out.value && over.left_out.edited && !over.muted.edited);
}

#[test]
fn what_a_person_wrote_beside_the_values_stays_where_it_stood_for_ever() {
    let edited = text()
        .replace("schema = 1", "# my own head\nschema = 1 # and this")
        .replace("muted = true", "# quiet \"please\" # really\nmuted = true")
        .replace("sets no level", "sets no level # too loud for me")
        .replace("  { high-pass", "  # the rumble\n  { high-pass")
        + "# the end";
    let mut notes = Notes::of(&edited).added_to(&Notes::of(&text()));
    let once = written(&notes);
    for comment in [
        "# my own head\n",
        "# and this\n",
        "# quiet \"please\" # really\nmuted",
        "# too loud for me\ngain_db = 3.4  # the preset",
        "  # the rumble\n  { high-pass",
        "# the end\n",
    ] {
        assert_eq!(once.matches(comment).count(), 1, "{comment} in\n{once}");
    }
    let again = Notes::of(&once).added_to(&Notes::of(&text()));
    assert_eq!(written(&again), once);
    // A track that is gone stays as a comment, behind everything.
    notes.bury(&edited, &|_| false);
    let mut gone = Vec::new();
    write([], &notes, &mut gone).unwrap();
    let gone = String::from_utf8(gone).unwrap();
    assert!(gone.contains("# gain_db = 3.4"), "{gone}");
    assert!(
        gone.contains("too loud for me") && gone.contains("the rumble"),
        "{gone}"
    );
    assert_eq!(Worksheet::parse(&gone, "w.toml").unwrap().entries, []);
    let again = Notes::of(&gone).added_to(&Notes::of(&without_notes("schema = 1\n")));
    let mut twice = Vec::new();
    write([], &again, &mut twice).unwrap();
    assert_eq!(String::from_utf8(twice).unwrap(), gone);
}

#[test]
fn every_nonsense_line_is_named_with_its_place() {
    let text = text()
        .replace("gain_db = 3.4", "gain_db = \"loud\"")
        .replace("delay_samples = -12", "delay_samples = 1.5")
        .replace("order = 4", "order = 9")
        .replace("muted", "mutted");
    let problems = Worksheet::parse(&text, "w.toml").unwrap_err();
    let shown = problems.render(false);
    for words in ["mutted", "muted", "loud", "1.5", "order"] {
        assert!(shown.contains(words), "{words} in\n{shown}");
    }
    // A key that is missing is none: a part of a worksheet is enough.
    assert_eq!(problems.list().len(), 4, "{shown}");
}
