//! Takes made by hand for tests: what their tracks would show, without a sound.

use super::heard::{Heard, Listening, TakeHeard, heard};
use crate::analysis::tuning::ring::Ring;
use crate::analysis::{
    DrumEvidence, Hit, HitTuning, Lean, PairEvidence, PairKind, Played, Polarity, SetupEvidence,
    TakeEvidence, Together, TrackEvidence, pool_hits, pool_setup,
};
use crate::audio::{Info, SampleFormat};
use crate::finding::{Code, Finding};
use crate::measure::Levels;
use crate::measure::inspect::Inspection;
use crate::preset::{Preset, load};
use crate::session::mic::drum;
use crate::session::{Family, Label, SessionFile, Source, Track};

pub const RATE_HZ: u32 = 48_000;
/// So long is every track.
const LENGTH_S: u64 = 60;
/// So far apart are its hits.
const APART_MS: f64 = 500.0;

#[derive(Clone)]
pub struct MadeTrack {
    pub track: Track,
    pub levels: Levels,
    pub inspection: Inspection,
    pub shows: TrackEvidence,
    played: Played,
    sha256: Vec<String>,
    preset: Option<Preset>,
}

#[derive(Clone)]
pub struct MadeTake {
    song: String,
    slug: String,
    pub tracks: Vec<MadeTrack>,
    pairs: Vec<PairEvidence>,
    leans: Vec<Lean>,
}

/// What was decided of every track, take by take.
pub struct Found(Vec<Vec<(String, Heard)>>);

/// A mic (or pair of mics in one file) whose drum is played, without a hit so far.
pub fn track(label: &str) -> MadeTrack {
    let Label { mic, side, index } = Label::parse(label).expect(label);
    let info = Info {
        rate_hz: RATE_HZ,
        channels: if mic.pair && side.is_none() { 2 } else { 1 },
        bit_depth: 24,
        sample_format: SampleFormat::Int,
        frames: LENGTH_S * u64::from(RATE_HZ),
        time_reference_samples: None,
        inside: Default::default(),
        oddities: Vec::new(),
        truncated: None,
    };
    let source = Source {
        path: format!("{label}.wav").into(),
        info,
        channel: None,
        lead_frames: 0,
    };
    let track = Track {
        mic,
        side,
        index,
        label: label.to_owned(),
        name: label.to_owned(),
        sources: vec![source],
        why: String::new(),
        notes: Vec::new(),
        candidates: Vec::new(),
        already_driven: false,
    };
    let shows = TrackEvidence {
        label: label.to_owned(),
        drum: drum(mic.family, mic.name(), side),
        hits: Vec::new(),
        as_loud: Vec::new(),
        outside: Vec::new(),
        attributed: true,
        unsure: 0,
        missed: 0.0,
        tuning: None,
        tuning_hits: Vec::new(),
        tuning_tried: 0,
        ring: Ring::default(),
        metronome: None,
        unlikely: None,
    };
    MadeTrack {
        track,
        levels: Levels::default(),
        inspection: Inspection::default(),
        shows,
        played: Played::Yes(0.95),
        sha256: Vec::new(),
        preset: None,
    }
}

impl MadeTrack {
    /// So many more sure hits of one level.
    pub fn hits(self, count: usize, level_dbfs: f64) -> Self {
        self.likely(count, level_dbfs, 0.95)
    }

    /// The same of another probability.
    pub fn likely(mut self, count: usize, level_dbfs: f64, probability: f64) -> Self {
        for _ in 0..count {
            self.shows.hits.push(Hit {
                at_ms: APART_MS * (self.shows.hits.len() + 1) as f64,
                level_dbfs: Some(level_dbfs),
                probability,
                flam: false,
            });
        }
        let loudest = self.levels.sample_peak_dbfs.unwrap_or(level_dbfs);
        self.peak(loudest.max(level_dbfs))
    }

    /// So many moments that the other mics take for bleed, and that are as loud in this one as its hits.
    pub fn loud_bleed(mut self, count: usize, level_dbfs: f64) -> Self {
        let hits = self.shows.hits.len();
        self = self.likely(count, level_dbfs, 0.05);
        self.shows.as_loud.extend(self.shows.hits.drain(hits..));
        self
    }

    /// Its loudest sample, on which its true peak lies.
    pub fn peak(mut self, dbfs: f64) -> Self {
        self.levels.sample_peak_dbfs = Some(dbfs);
        self.levels.true_peak_dbtp = Some(dbfs);
        self
    }

    /// So many clear strokes of one pitch.
    pub fn tuned(mut self, hz: f64, strokes: usize) -> Self {
        self.shows.tuning_hits = vec![HitTuning::plain(hz); strokes];
        self.shows.tuning_tried = strokes;
        self.shows.tuning = pool_hits(&self.shows.tuning_hits, strokes);
        self
    }

    /// Its drum is, or is not, played.
    pub fn played(mut self, played: Played) -> Self {
        self.played = played;
        self
    }

    pub fn rests(self) -> Self {
        self.played(Played::No(0.9))
    }

    pub fn silent(mut self) -> Self {
        self.inspection.silent = true;
        self
    }

    fn listening(&self) -> Listening<'_> {
        Listening {
            track: &self.track,
            levels: &self.levels,
            inspection: &self.inspection,
            sha256: &self.sha256,
            click: None,
            duplicate: None,
            preset: self.preset.as_ref(),
        }
    }

    /// What its stem is made by.
    pub fn by(mut self, preset: &str) -> Self {
        let loaded = load(preset, "by-hand.toml").unwrap_or_else(|e| panic!("{e}"));
        self.preset = Some(loaded);
        self
    }
}

/// A take of the song `tide`.
pub fn take<const N: usize>(slug: &str, tracks: [MadeTrack; N]) -> MadeTake {
    MadeTake {
        song: "tide".to_owned(),
        slug: slug.to_owned(),
        tracks: tracks.into(),
        pairs: Vec::new(),
        leans: Vec::new(),
    }
}

impl MadeTake {
    pub fn of_song(mut self, song: &str) -> Self {
        song.clone_into(&mut self.song);
        self
    }

    pub fn with(mut self, pairs: impl IntoIterator<Item = PairEvidence>) -> Self {
        self.pairs.extend(pairs);
        self
    }

    /// A pair hears drums so much earlier on the left, in milliseconds.
    pub fn leaning<const N: usize>(mut self, pair: &str, drums: [(&str, f64); N]) -> Self {
        let lean = |(drum, early_ms): (&str, f64)| Lean {
            pair: [format!("{pair}-l"), format!("{pair}-r")],
            drum: drum.to_owned(),
            level_db: 2.0 * early_ms.signum(),
            early_ms,
            hits: 6,
        };
        self.leans.extend(drums.map(lean));
        self
    }

    fn evidence(&self) -> TakeEvidence {
        let mut drums: Vec<DrumEvidence> = Vec::new();
        for made in &self.tracks {
            let Some(name) = made.shows.drum.clone() else {
                continue;
            };
            if drums.iter().all(|drum| drum.name != name) {
                drums.push(DrumEvidence {
                    name,
                    family: made.track.mic.family,
                    own: made.track.label.clone(),
                    level_db: None,
                    template_db: Vec::new(),
                    rings: None,
                    count: made.shows.hits.len(),
                    expected: made.shows.hits.len() as f64,
                    most: 0.95,
                    loudest_db: None,
                    over_db: None,
                    played: made.played.clone(),
                });
            }
        }
        TakeEvidence {
            window_ms: Some((0, 1000 * LENGTH_S as i64)),
            tracks: self.tracks.iter().map(|made| made.shows.clone()).collect(),
            drums,
            pairs: self.pairs.clone(),
            leans: self.leans.clone(),
            strokes: Default::default(),
        }
    }
}

/// Two mics with a verdict on their polarity, from eight hits; nothing is known of their sum.
pub fn pair(kind: PairKind, first: &str, second: &str, polarity: Polarity) -> PairEvidence {
    let (polarity_confidence, correlation) = match polarity {
        Polarity::Same => (0.9, 0.8),
        Polarity::Inverted => (0.9, -0.8),
        Polarity::NotSure => (0.0, 0.1),
    };
    PairEvidence {
        first: first.to_owned(),
        second: second.to_owned(),
        kind,
        hits: 8,
        delay_samples: None,
        delay_ms: None,
        distance_m: None,
        delay_confidence: 0.0,
        polarity,
        polarity_confidence,
        correlation,
        sum_gain_db: 0.0,
        together: Vec::new(),
        reason: None,
    }
}

/// Two mics of one drum that have so much in common where it has its weight: 1 is the very same, −1 the
/// same inverted. Their sum is then 10·lg(1 + common) dB over that of both powers.
pub fn adding_up(first: &str, second: &str, common: f64) -> PairEvidence {
    let family = Label::parse(first).expect(first).mic.family;
    let (kind, hz) = match family {
        Family::Kick => (PairKind::Kick, 60.0),
        Family::Snare => (PairKind::Snare, 200.0),
        _ => (PairKind::Tom, 100.0),
    };
    let polarity = match common < 0.0 {
        true => Polarity::Inverted,
        false => Polarity::Same,
    };
    PairEvidence {
        together: vec![Together {
            hz,
            first: 1.0,
            second: 1.0,
            common: (common, 0.0),
        }],
        ..pair(kind, first, second, polarity)
    }
}

/// A close mic that an overhead hears so many samples later.
pub fn later(first: &str, second: &str, samples: f64, confidence: f64) -> PairEvidence {
    let seconds = samples / f64::from(RATE_HZ);
    PairEvidence {
        delay_samples: Some(samples),
        delay_ms: Some(seconds * 1000.0),
        distance_m: Some(seconds * 343.2),
        delay_confidence: confidence,
        ..pair(PairKind::CloseOverhead, first, second, Polarity::Same)
    }
}

pub fn session_file(text: &str) -> SessionFile {
    SessionFile::load(text, "session.toml").unwrap_or_else(|e| panic!("{e}"))
}

/// What the takes of a set-up show together.
pub fn pooled(takes: &[MadeTake]) -> SetupEvidence {
    let all: Vec<TakeEvidence> = takes.iter().map(MadeTake::evidence).collect();
    pool_setup(&all.iter().collect::<Vec<_>>())
}

/// What follows from the takes of one set-up with this session file.
pub fn decided(takes: &[MadeTake], config: &str) -> Found {
    decided_by(takes, &pooled(takes), config)
}

/// The same where the set-up shows something else.
pub fn decided_by(takes: &[MadeTake], setup: &SetupEvidence, config: &str) -> Found {
    let evidence: Vec<TakeEvidence> = takes.iter().map(MadeTake::evidence).collect();
    let takes: Vec<MadeTake> = takes.iter().enumerate().map(hashed).collect();
    let views: Vec<TakeHeard<'_>> = (takes.iter().zip(&evidence))
        .map(|(take, evidence)| TakeHeard {
            song: &take.song,
            slug: &take.slug,
            evidence,
            tracks: take.tracks.iter().map(MadeTrack::listening).collect(),
        })
        .collect();
    let found = heard(&views, setup, &session_file(config));
    let named = |(take, found): (&MadeTake, Vec<Heard>)| {
        let labels = take.tracks.iter().map(|made| made.track.label.clone());
        labels.zip(found).collect()
    };
    Found(takes.iter().zip(found).map(named).collect())
}

/// No two tracks are the same file.
fn hashed((n, take): (usize, &MadeTake)) -> MadeTake {
    let mut take = take.clone();
    for made in &mut take.tracks {
        made.sha256 = vec![format!("{n} {}", made.track.label)];
    }
    take
}

impl Found {
    /// Of one track.
    pub fn at(&self, take: usize, label: &str) -> &Heard {
        let mut tracks = self.0[take].iter();
        let found = tracks.find(|(own, _)| own == label);
        &found.unwrap_or_else(|| panic!("no {label}")).1
    }

    /// Of one mic in all takes.
    pub fn each<T>(&self, label: &str, what: impl Fn(&Heard) -> T) -> Vec<T> {
        (0..self.0.len())
            .map(|take| what(self.at(take, label)))
            .collect()
    }

    /// What was said of a mic, take by take.
    pub fn said(&self, label: &str, code: Code) -> Vec<Vec<Finding>> {
        let of_code = |heard: &Heard| {
            let findings = heard.findings.iter();
            findings.filter(|f| f.code() == code).cloned().collect()
        };
        self.each(label, of_code)
    }
}
