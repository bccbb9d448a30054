//! [`Standing`]: what an output folder holds of the decisions of earlier runs: those that stems were
//! delivered by, and what a person has made of the worksheet since.

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};

use super::finish::WORKSHEET;
use crate::cache::store::{sealed, unsealed};
use crate::error::{Error, Result, if_there};
use crate::files::{self, hex};
use crate::output::bag::own_folder;
use crate::output::layout::Unit;
use crate::output::ours::Ours;
use crate::output::publish::Outbox;
use crate::preset::{self, Preset};
use crate::problem::read_text;
use crate::reason::Reason;
use crate::report::page::Excerpt;
use crate::report::session::MixReport;
use crate::worksheet::{self, Decided, Entry, Given, Notes, Place, Worksheet};

/// A worksheet may have no more bytes than this: 20,000 tracks with gates fit.
pub const LARGEST_WORKSHEET: u64 = 64_000_000;

/// In the program's own folder: each worksheet as it was written, by the hash of its text.
const SHEETS: &str = "sheets";

/// A worksheet as a run decided it, with what its text does not say.
#[derive(Clone, Debug, Default, Serialize, Deserialize)]
pub struct Sheet {
    /// Deliveries so far.
    pub delivery: u32,
    /// Of the session file that was in force; null without one.
    pub session_file_sha256: Option<String>,
    /// Its text, without what people wrote beside it.
    pub plain: String,
    /// In the order of the worksheet.
    pub entries: Vec<Kept>,
    /// Rough mixes that were delivered.
    pub mixes: Vec<KeptMix>,
    /// Tracks that failed, by key, and the delivery that each was meant for: it completes that one
    /// when it comes.
    #[serde(default)]
    pub owed: BTreeMap<String, u32>,
}

/// One entry of it.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct Kept {
    /// As decided and, where there is a stem, as that was made.
    pub entry: Entry,
    /// In which delivery the track came first; `None` while no run has made its stem.
    pub delivered: Option<u32>,
    /// Of its sources; empty where that is not known.
    pub sources: Vec<String>,
    /// Its preset; `None` where that is not known.
    pub preset: Option<PresetId>,
}

/// What identifies a preset.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct PresetId {
    /// Of what it says, so that a remark changes nothing.
    says: String,
    /// Of its text, so that another version of the program knows it again.
    text: String,
    /// Whether it came with the program.
    library: bool,
}

/// A delivered rough mix.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct KeptMix {
    /// As reported.
    pub report: MixReport,
    /// Why it has its gain.
    pub gain_reason: Reason,
    /// For the page.
    pub excerpt: Option<Excerpt>,
}

impl KeptMix {
    /// To be kept.
    pub fn of(report: &MixReport) -> Self {
        Self {
            report: report.clone(),
            gain_reason: report.gain_reason.clone(),
            excerpt: report.excerpt.clone(),
        }
    }

    /// As it was reported.
    pub fn reported(&self) -> MixReport {
        MixReport {
            gain_reason: self.gain_reason.clone(),
            excerpt: self.excerpt.clone(),
            ..self.report.clone()
        }
    }
}

/// What an output folder holds of the decisions of earlier runs.
#[derive(Clone, Debug, Default)]
pub struct Standing {
    /// The output folder; empty where there is none.
    pub root: PathBuf,
    /// The last worksheet as it was written.
    pub sheet: Sheet,
    /// The worksheet as it lies there now.
    pub given: Worksheet,
    /// What a person wrote beside its values.
    pub notes: Notes,
    /// Its text; empty where there is none.
    pub text: String,
    places: BTreeMap<String, usize>,
}

impl Standing {
    /// What there is in `out`. Nothing is written.
    ///
    /// # Errors
    /// [`crate::error::Kind::Input`]: the worksheet cannot be read.
    /// [`crate::error::Kind::Environment`]: what was decided before cannot be.
    pub fn of(out: &Path) -> Result<Self> {
        let ours = Ours::of(out)?;
        let path = out.join(WORKSHEET);
        let text = match files::stands(&path)? && ours.is_known_folder() {
            true => read_text(&path, LARGEST_WORKSHEET)?,
            false => String::new(),
        };
        let given = Worksheet::parse(&text, &path.to_string_lossy())?;
        let now = hash(&text);
        let written = ours.hashes(WORKSHEET);
        // The kept sheet says itself which text it is of, whatever has become of the manifest.
        let mut sheet = None;
        for hash in [&now].into_iter().chain(written.iter().rev()) {
            sheet = sheet.map_or_else(|| read(out, hash), |sheet| Ok(Some(sheet)))?;
        }
        let sheet = sheet.map_or_else(|| last(out), |sheet| Ok(Some(sheet)))?;
        let sheet = sheet.unwrap_or_else(|| guessed(&given, &text, &ours));
        let places = (sheet.entries.iter().enumerate())
            .map(|(i, kept)| (kept.entry.key.clone(), i))
            .collect();
        let mut standing = Self {
            root: out.to_owned(),
            sheet,
            given,
            notes: Notes::default(),
            text,
            places,
        };
        standing.notes = standing.added(&standing.text);
        Ok(standing)
    }

    /// The entry of a track.
    pub fn kept(&self, key: &str) -> Option<&Kept> {
        self.sheet.entries.get(*self.places.get(key)?)
    }

    /// What a person changed of a track since the worksheet was written.
    pub fn edits(&self, key: &str) -> Option<Given> {
        let given = self.given.get(key)?;
        let edits = match self.kept(key) {
            Some(kept) => given.edits_of(&kept.entry),
            None => given.clone(),
        };
        (!edits.is_empty()).then_some(edits)
    }

    /// What a person wrote beside the values of a worksheet that was made from the last one.
    pub fn added(&self, text: &str) -> Notes {
        Notes::of(text).added_to(&Notes::of(&self.sheet.plain))
    }

    /// From now on the worksheet may be written over: all that a person made of it is known.
    pub fn adopt(&self, outbox: &Outbox) {
        if let Some(ours) = outbox.ours()
            && !self.text.is_empty()
        {
            ours.adopt(WORKSHEET, &hash(&self.text));
        }
    }
}

impl Sheet {
    /// Keeps what is about to be written as the worksheet `text`.
    pub fn keep(&self, outbox: &Outbox, text: &str) -> Result<()> {
        let bytes = serde_json::to_vec(self)
            .map_err(|e| Error::input(format!("the worksheet cannot be kept: {e}")))?;
        let name = place(&hash(text));
        let own = outbox.own()?;
        own.write(&name, &sealed(&bytes, "", b'\n')).map(drop)
    }
}

/// The only sheet that is kept, where the manifest does not say which was written last.
fn last(out: &Path) -> Result<Option<Sheet>> {
    let names = files::names(&own_folder(out).join(SHEETS))?;
    let mut hashes = names.iter().filter_map(|name| name.strip_suffix(".json"));
    hashes.next().map_or(Ok(None), |hash| read(out, hash))
}

/// Removes what is kept of worksheets that were written before the one with this text.
pub fn forget_others(outbox: &Outbox, text: &str) -> Result<()> {
    let own = outbox.own()?;
    let keep = place(&hash(text));
    let names = files::names(&own.root().join(SHEETS))?;
    for name in names.iter().map(|name| Path::new(SHEETS).join(name)) {
        if name != keep && name.extension().is_some_and(|ending| ending == "json") {
            own.remove(&name)?;
        }
    }
    Ok(())
}

impl PresetId {
    /// Of a preset.
    pub fn of(preset: &Preset) -> Self {
        let stages: Vec<_> = preset.stages.iter().map(|s| (&s.stage, s.follow)).collect();
        Self {
            says: hash(&format!("{stages:?} {:?}", preset.level)),
            text: hash(preset.text()),
            library: preset::builtin().any(|known| known.text == preset.text()),
        }
    }

    /// Whether the other one is the same for a track that was delivered with it. One that comes with
    /// the program is, whatever a later version makes of it.
    fn same(&self, other: &Self) -> bool {
        self.says == other.says || self.text == other.text || self.library && other.library
    }
}

/// Whether a track is still to be processed by the preset that it was delivered with.
pub fn same_preset(kept: &Kept, unit: &Unit<'_>) -> bool {
    let same = |known: &PresetId| known.same(&PresetId::of(unit.preset));
    kept.entry.preset == unit.preset.name && kept.preset.as_ref().is_none_or(same)
}

fn place(hash: &str) -> PathBuf {
    Path::new(SHEETS).join(format!("{hash}.json"))
}

fn hash(text: &str) -> String {
    hex(&Sha256::digest(text))
}

fn read(out: &Path, hash: &str) -> Result<Option<Sheet>> {
    let path = own_folder(out).join(place(hash));
    let bytes = if_there(&path, fs::read(&path))?;
    Ok(bytes.and_then(|bytes| serde_json::from_slice(unsealed(&bytes, "", b'\n')?).ok()))
}

/// A sheet from the text alone: where the program's own folder was lost.
fn guessed(given: &Worksheet, text: &str, ours: &Ours) -> Sheet {
    // What stands behind a value is the reason for it.
    let plain = worksheet::without_notes(text);
    let notes = Notes::of(&plain);
    let kept = |given: &Given| {
        let key = &given.key;
        let why = |name: &str| notes.reason(&Place::value(key, name));
        fn noted<T>(value: T, text: String) -> Decided<T> {
            match text.is_empty() {
                true => Decided::plain(value),
                false => Decided::new(value, Reason::Noted { text }),
            }
        }
        let stages = given
            .stages
            .as_ref()?
            .iter()
            .enumerate()
            .map(|(i, stage)| noted(stage.clone(), notes.reason(&Place::stage(key, i))));
        let entry = Entry {
            key: key.clone(),
            mic: given.mic.clone()?,
            preset: given.preset.clone()?,
            left_out: noted(given.left_out?, why("left_out")),
            muted: noted(given.muted?, why("muted")),
            polarity_inverted: noted(given.polarity_inverted?, why("polarity_inverted")),
            delay_samples: noted(given.delay_samples?, why("delay_samples")),
            stages: stages.collect(),
            gain_db: noted(given.gain_db?, why("gain_db")),
        };
        let there = ours.knows(&format!("stems/{key}.wav"));
        Some(Kept {
            delivered: (there || entry.left_out.value).then_some(1),
            entry,
            sources: Vec::new(),
            preset: None,
        })
    };
    let entries: Vec<Kept> = given.entries.iter().filter_map(kept).collect();
    Sheet {
        delivery: u32::from(!entries.is_empty()),
        session_file_sha256: None,
        plain,
        entries,
        mixes: Vec::new(),
        owed: BTreeMap::new(),
    }
}
