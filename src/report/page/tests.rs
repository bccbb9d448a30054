use super::*;

#[test]
fn an_address_holds_no_byte_that_means_something_else() {
    assert_eq!(
        href("stems/a b/50%#1?é.wav"),
        "stems/a%20b/50%25%231%3F%C3%A9.wav"
    );
    assert_eq!(
        href("mixes/low-tide/take-03.wav"),
        "mixes/low-tide/take-03.wav"
    );
}

fn report(song: &str, take: usize, mic: usize) -> (TrackReport, Subject) {
    let take = format!("take-{take:02}");
    let name = format!("{song}_{take}_mic-{mic}");
    let figures = crate::measure::Levels {
        sample_peak_dbfs: Some(-12.345),
        true_peak_dbtp: Some(-11.987),
        integrated_lufs: Some(-33.333),
        momentary_max_lufs: Some(-23.456),
        short_term_max_lufs: Some(-27.891),
        loudness_range_lu: Some(12.345),
        rms_dbfs: Some(-35.678),
        crest_factor_db: Some(23.333),
        dc_offset: -0.000_123,
        ..Default::default()
    };
    // As busy as music is: every column its own height.
    let high = (0..200).map(|i: i32| (i * 7919 % 1500) as i16).collect();
    let low = (0..200)
        .map(|i: i32| -(i * 104_729 % 1500) as i16)
        .collect();
    let bands_db = (0..31).map(|i| Some(f64::from(i) * -1.7 - 30.0)).collect();
    let waveform = Waveform {
        low,
        high,
        bands_db,
    };
    let peak = |freq_hz| crate::report::StageReport {
        stage: crate::stage::Stage::Peak(crate::stage::Peak {
            freq_hz,
            gain_db: 3.0,
            q: 1.4,
        }),
        reason: Some(crate::reason::Reason::Untuned {
            followed: crate::preset::Followed::Fundamental,
            freq_hz: 200.0,
        }),
    };
    let report = TrackReport {
        schema: super::super::SCHEMA,
        tool: super::super::TOOL,
        song: Some(song.to_owned()),
        take: Some(take.clone()),
        name: name.clone(),
        mic: "snare-top".to_owned(),
        side: None,
        derived_from: None,
        sources: Vec::new(),
        preset: "snare-top".to_owned(),
        before: figures.clone(),
        after: Some(figures),
        hits: None,
        tuning: None,
        findings: Vec::new(),
        decisions: crate::report::Decisions {
            left_out: false,
            muted: false,
            polarity_inverted: false,
            delay_samples: 0,
            gain_db: 3.4,
            stages: [90.0, 200.0, 330.0, 5000.0].map(peak).into(),
            reasons: [(
                "gain_db",
                crate::reason::Reason::from(crate::reason::Level {
                    measure: crate::preset::Measure::HitLevel,
                    level: -15.4,
                    target: -12.0,
                    hits: Some(214),
                    tracks: 30,
                    wanted_db: None,
                    most_db: None,
                    held: None,
                }),
            )]
            .into(),
        },
        output: None,
        take_notes: Vec::new(),
    };
    let key = format!("{song}/{take}/{name}");
    let subject = Subject {
        report_path: format!("reports/{key}.json"),
        label: format!("mic-{mic}"),
        key,
        before: Some(Arc::new(waveform.clone())),
        after: Some(Arc::new(waveform)),
        excerpt: None,
    };
    (report, subject)
}

fn plain(tracks: &[TrackReport]) -> SessionReport {
    let (failed, skipped, notes) = (Vec::new(), Vec::new(), Vec::new());
    SessionReport::new(tracks, failed, skipped, notes, Vec::new(), Vec::new())
}

fn session(takes: usize, mics: usize) -> BTreeMap<String, Vec<u8>> {
    let (tracks, subjects): (Vec<_>, Vec<_>) = (1..=takes)
        .flat_map(|take| (0..mics).map(move |mic| report("low-tide", take, mic)))
        .unzip();
    let session = plain(&tracks);
    let mut all = BTreeMap::new();
    let put = |path: &str, content: &Content<'_>| {
        let mut bytes = Vec::new();
        content(&mut bytes).expect("memory takes it");
        all.insert(path.to_owned(), bytes);
        Ok(())
    };
    files(&session, &tracks, &subjects, true, &|_| None, put).expect("nothing fails here");
    all
}

#[test]
fn three_hundred_tracks_are_one_page_of_less_than_three_megabytes() {
    let files = session(20, 15);
    assert_eq!(files.len(), 3);
    let bytes = files[PAGE].len();
    assert!(bytes < 3_000_000, "{bytes}");
}

#[test]
fn a_larger_session_has_a_page_a_song_and_every_track_has_its_place_there() {
    let files = session(100, 4);
    assert_eq!(files.len(), 3 + 1);
    let text = |path: &str| String::from_utf8(files[path].clone()).expect("UTF-8");
    let overview = text(PAGE);
    assert!(
        !overview.contains("<details class=\"track\""),
        "details stand on their own pages"
    );
    assert!(overview.len() < 300_000, "{}", overview.len());
    let song = text("session-files/low-tide.html");
    for index in 0..400 {
        assert!(song.contains(&format!("id=\"track-{index}\"")), "{index}");
    }
    assert!(overview.contains("href=\"session-files/low-tide.html\""));
    assert!(
        song.contains("href=\"../session.html\"")
            && song.contains("src=\"../session-files/page.js\"")
    );
}

#[test]
fn a_take_without_a_mic_that_most_takes_have_is_a_gap() {
    let (tracks, subjects): (Vec<_>, Vec<_>) = (1..=3)
        .flat_map(|take| (0..2).map(move |mic| report("low-tide", take, mic)))
        .filter(|(track, _)| {
            !(track.take.as_deref() == Some("take-02") && track.name.ends_with('1'))
        })
        .unzip();
    let session = plain(&tracks);
    let view = View::new(&session, &tracks, &subjects, false, &|_| None);
    assert_eq!(view.gaps.len(), 1, "{:?}", view.gaps);
    assert!(!view.is_whole(("low-tide", "take-02")) && view.is_whole(("low-tide", "take-01")));
}
