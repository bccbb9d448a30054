//! The aligned, level-matched files, and everything beside them.

use std::io::Write;
use std::path::{Path, PathBuf};

use super::Check;
use super::hear::Heard;
use super::input::Candidate;
use super::matched::Matched;
use super::page;
use super::report::Report;
use super::sound::{Placed, Sound};
use crate::audio::SampleFormat;
use crate::block::{Block, FRAMES};
use crate::compared::Note;
use crate::dsp::maths;
use crate::error::{Error, Result};
use crate::output::publish::{MANIFEST, Outbox, Published};
use crate::report::write_json;
use crate::units::{ratio_to_db, round_to};
use crate::wav::{Depth, Dither, Metadata, WriteSpec, Writer, Written};

/// Where the report lies in the output folder.
const REPORT: &str = "shootout.json";
/// What is changed may peak so high.
const CEILING_DBFS: f64 = -0.1;

/// What is written of each candidate.
pub(super) struct Plan {
    /// First frame, in the time of the first candidate.
    pub first: i64,
    /// Length: where all candidates have sound.
    pub frames: u64,
    /// Gain of each candidate.
    pub gains_db: Vec<f64>,
    /// Further gain of all rough mixes, so that none clips.
    pub mix_db: f64,
}

impl Plan {
    /// The time that all candidates share, and gains that make them equally loud without clipping.
    /// `notes` says where all had to be lowered.
    pub fn new(
        candidates: &[Candidate],
        heard: &[Heard],
        matched: &[Matched],
        notes: &mut Vec<Note>,
        check: Check<'_>,
    ) -> Result<Self> {
        let first = matched.iter().map(|m| -m.offset).max().unwrap_or(0);
        let ends = candidates
            .iter()
            .zip(matched)
            .map(|(c, m)| c.frames() as i64 - m.offset);
        let frames = (ends.min().unwrap_or(0) - first).max(0) as u64;
        let mut gains_db: Vec<f64> = matched.iter().map(|m| round_to(-m.louder_db, 2)).collect();
        let mut over = 0.0f64;
        let mut mix_over = 0.0f64;
        for ((candidate, gain), heard) in candidates.iter().zip(&gains_db).zip(heard) {
            let ceiling = if *gain == 0.0 { 0.0 } else { CEILING_DBFS };
            let peak = if candidate.is_folder {
                loudest(candidate, check)?
            } else {
                heard.peak
            };
            let peak_db = ratio_to_db(peak).unwrap_or(f64::NEG_INFINITY);
            over = over.max(peak_db + gain - ceiling);
            if candidate.is_folder {
                let mix_db = ratio_to_db(heard.peak).unwrap_or(f64::NEG_INFINITY);
                mix_over = mix_over.max(mix_db + gain - CEILING_DBFS);
            }
        }
        if over > 0.0 {
            let lower = (over * 100.0).ceil() / 100.0;
            gains_db
                .iter_mut()
                .for_each(|gain| *gain = round_to(*gain - lower, 2));
            notes.push(Note::AllQuieter { by_db: lower });
        }
        let mix_db = round_to(
            -((mix_over - over.max(0.0)).max(0.0) * 100.0).ceil() / 100.0,
            2,
        );
        if mix_db < 0.0 {
            notes.push(Note::MixesQuieter { by_db: -mix_db });
        }
        Ok(Self {
            first,
            frames,
            gains_db,
            mix_db,
        })
    }
}

/// Largest sample of all tracks of a folder.
fn loudest(candidate: &Candidate, check: Check<'_>) -> Result<f64> {
    let mut peak = 0.0f64;
    let mut block = Block::default();
    for placed in &candidate.tracks {
        let mut sound = Sound::track(&candidate.root, placed)?;
        let mut at = placed.offset;
        while at < placed.end() {
            check()?;
            sound.read(at as i64, FRAMES, &mut block)?;
            peak = block
                .channels()
                .flatten()
                .fold(peak, |peak, x| peak.max(x.abs()));
            at += FRAMES as u64;
        }
    }
    Ok(peak)
}

/// A piece of sound to be written.
struct Piece {
    first: i64,
    frames: u64,
    gain_db: f64,
    depth: Depth,
    dither: Dither,
}

impl Piece {
    /// Writes it to `sink`; the sink comes back.
    fn write<W: Write>(
        &self,
        sound: &mut Sound,
        rate_hz: u32,
        sink: W,
        check: Check<'_>,
    ) -> Result<(W, Written)> {
        let spec = WriteSpec {
            rate_hz,
            channels: sound.channels(),
            depth: self.depth,
            dither: self.dither,
            frames: self.frames,
        };
        let mut writer = Writer::create(sink, &spec, &Metadata::default())?;
        let gain = maths::db_to_ratio(self.gain_db);
        let mut block = Block::default();
        let mut done = 0;
        while done < self.frames {
            check()?;
            let count = (self.frames - done).min(FRAMES as u64);
            sound.read(self.first + done as i64, count as usize, &mut block)?;
            if self.gain_db != 0.0 {
                block.channels_mut().flatten().for_each(|x| *x *= gain);
            }
            writer.write(&block)?;
            done += count;
        }
        writer.finish()
    }
}

/// Every name that is going to be written.
pub(super) fn names(candidates: &[Candidate]) -> Vec<PathBuf> {
    let mut names = vec![
        MANIFEST.to_owned(),
        REPORT.to_owned(),
        page::PAGE.to_owned(),
    ];
    names.extend(page::parts().map(|(name, _)| format!("{}/{name}", page::FOLDER)));
    for candidate in candidates {
        let letter = candidate.letter;
        names.push(format!("{letter}.wav"));
        names.push(format!("{}/{letter}.js", page::FOLDER));
        if candidate.is_folder {
            let tracks = candidate.tracks.iter();
            names.extend(tracks.map(|placed| format!("{letter}/{}.wav", placed.track.label)));
        }
    }
    names.into_iter().map(PathBuf::from).collect()
}

/// Writes every file, the manifest last.
pub(super) fn all(
    outbox: &Outbox,
    candidates: &[Candidate],
    matched: &[Matched],
    plan: &Plan,
    report: &Report,
    check: Check<'_>,
) -> Result<()> {
    let mut manifest = outbox.standing_manifest()?;
    let mut seed = 0;
    let mut put =
        |path: String, sound: &mut Sound, rate_hz: u32, piece: &mut Piece| -> Result<()> {
            seed += 1;
            if piece.dither != Dither::None {
                piece.dither = Dither::Tpdf { seed };
            }
            let published = file(outbox, &path, sound, rate_hz, piece, check)?;
            manifest.insert(path, published.sha256);
            Ok(())
        };
    for ((candidate, found), &gain_db) in candidates.iter().zip(matched).zip(&plan.gains_db) {
        let mut piece = Piece {
            first: plan.first + found.offset,
            frames: plan.frames,
            gain_db,
            depth: Depth::Int24,
            dither: Dither::None,
        };
        let letter = candidate.letter;
        if candidate.is_folder {
            for placed in &candidate.tracks {
                piece.dither = dither(placed, gain_db);
                let mut sound = Sound::track(&candidate.root, placed)?;
                put(
                    format!("{letter}/{}.wav", placed.track.label),
                    &mut sound,
                    candidate.rate_hz,
                    &mut piece,
                )?;
            }
            piece.gain_db = gain_db + plan.mix_db;
            piece.dither = Dither::Tpdf { seed: 0 };
        } else if let Some(placed) = candidate.tracks.first() {
            piece.dither = dither(placed, gain_db);
        }
        put(
            format!("{letter}.wav"),
            &mut candidate.sound()?,
            candidate.rate_hz,
            &mut piece,
        )?;
    }
    let excerpt = Excerpt::choose(plan, matched, candidates[0].rate_hz);
    for ((candidate, found), &gain_db) in candidates.iter().zip(matched).zip(&plan.gains_db) {
        check()?;
        let gain_db = gain_db
            + if candidate.is_folder {
                plan.mix_db
            } else {
                0.0
            };
        let first = excerpt.first + found.offset_near(excerpt.first, excerpt.frames);
        let text = excerpt.script(candidate, first, gain_db)?;
        let path = format!("{}/{}.js", page::FOLDER, candidate.letter);
        let published = outbox.write(Path::new(&path), text.as_bytes())?;
        manifest.insert(path, published.sha256);
    }
    for (name, bytes) in page::parts() {
        let path = format!("{}/{name}", page::FOLDER);
        let published = outbox.write(Path::new(&path), &bytes)?;
        manifest.insert(path, published.sha256);
    }
    let seconds = excerpt.frames as f64 / f64::from(candidates[0].rate_hz);
    let text = page::page(report, seconds, candidates[0].rate_hz);
    let published = outbox.write(Path::new(page::PAGE), text.as_bytes())?;
    manifest.insert(page::PAGE, published.sha256);
    let published = outbox.write_from(Path::new(REPORT), &|sink| write_json(report, sink))?;
    manifest.insert(REPORT, published.sha256);
    outbox.write(Path::new(MANIFEST), manifest.text().as_bytes())?;
    Ok(())
}

/// Dither where bits are lost: after a gain, or from a float or deeper file.
fn dither(placed: &Placed, gain_db: f64) -> Dither {
    let fits = |s: &crate::session::Source| {
        s.info.sample_format == SampleFormat::Int && s.info.bit_depth <= 24
    };
    match gain_db == 0.0 && placed.track.sources.iter().all(fits) {
        true => Dither::None,
        false => Dither::Tpdf { seed: 0 },
    }
}

fn file(
    outbox: &Outbox,
    path: &str,
    sound: &mut Sound,
    rate_hz: u32,
    piece: &Piece,
    check: Check<'_>,
) -> Result<Published> {
    let draft = outbox.create(&PathBuf::from(path))?;
    let target = draft.target();
    let located = |error: Error| {
        if error.path.is_none() {
            error.at(&target)
        } else {
            error
        }
    };
    let (draft, _) = piece.write(sound, rate_hz, draft, check).map_err(located)?;
    draft.publish()
}

/// Length of what the page plays, at most.
const EXCERPT_S: f64 = 10.0;
/// It begins so long before a hit.
const EXCERPT_BEFORE_S: f64 = 0.060;
/// Its ends are faded, since it is repeated.
const EXCERPT_FADE_S: f64 = 0.005;

/// What the page plays over and over, in the time of the first candidate.
struct Excerpt {
    first: i64,
    frames: u64,
    rate_hz: u32,
}

impl Excerpt {
    /// The piece with the most matched hits.
    fn choose(plan: &Plan, matched: &[Matched], rate_hz: u32) -> Self {
        let rate = f64::from(rate_hz);
        let frames = plan.frames.min((EXCERPT_S * rate) as u64);
        let last = plan.first + (plan.frames - frames) as i64;
        let hits: Vec<i64> = matched
            .get(1)
            .map_or(Vec::new(), |m| m.places.iter().map(|p| p.0).collect());
        let start = |hit: &i64| (hit - (EXCERPT_BEFORE_S * rate) as i64).clamp(plan.first, last);
        let inside = |first: i64| {
            hits.iter()
                .filter(|h| (first..first + frames as i64).contains(h))
                .count()
        };
        // of equals, the earliest
        let first = hits
            .iter()
            .map(start)
            .max_by_key(|&first| (inside(first), std::cmp::Reverse(first)));
        Self {
            first: first.unwrap_or(plan.first),
            frames,
            rate_hz,
        }
    }

    /// A script that holds it as a WAV file of 16 bits in Base64.
    fn script(&self, candidate: &Candidate, first: i64, gain_db: f64) -> Result<String> {
        let mut sound = candidate.sound()?;
        let mut block = Block::default();
        sound.read(first, self.frames as usize, &mut block)?;
        let gain = maths::db_to_ratio(gain_db);
        let fade = ((EXCERPT_FADE_S * f64::from(self.rate_hz)) as usize).max(1);
        let length = self.frames as usize;
        for samples in block.channels_mut() {
            for (i, x) in samples.iter_mut().enumerate() {
                *x *= gain * (i.min(length - 1 - i) as f64 / fade as f64).min(1.0);
            }
        }
        let spec = WriteSpec {
            rate_hz: self.rate_hz,
            channels: block.count(),
            depth: Depth::Int16,
            dither: Dither::Tpdf {
                seed: u64::from(u32::from(candidate.letter)),
            },
            frames: self.frames,
        };
        let mut writer = Writer::create(Vec::new(), &spec, &Metadata::default())?;
        writer.write(&block)?;
        let (bytes, _) = writer.finish()?;
        let text = crate::report::base64(&bytes);
        Ok(format!(
            "(globalThis.shootout ??= {{}}).{} = '{text}';\n",
            candidate.letter
        ))
    }
}
