//! [`Folder`]: which sessions an output folder belongs to. One, unless a person says otherwise.

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::path::Path;

use serde::{Deserialize, Serialize};
use serde_json::Value;

use super::record::RECORD;
use crate::cache::store::{sealed, unsealed};
use crate::error::{Error, Result, if_there, printable};
use crate::output::bag::own_folder;
use crate::output::ours::Ours;
use crate::output::publish::Outbox;
use crate::remark::Remark;
use crate::session::Session;
use crate::session::slug::slug;

/// Inside the program's own folder.
const CLAIMS: &str = "sessions.json";

/// A session that has outputs in the folder.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
struct Claim {
    /// Its folder; empty where that is not known.
    root: String,
    /// Song → the name that its outputs have.
    songs: BTreeMap<String, String>,
    /// Its sources, relative to its folder.
    sources: BTreeSet<String>,
}

impl Claim {
    fn name(&self) -> String {
        match self.root.is_empty() {
            true => "an earlier session".to_owned(),
            false => printable(&self.root),
        }
    }

    /// Whether it is the session in `root`: the same folder, or one that was moved.
    fn is(&self, root: &str, sources: &BTreeSet<String>) -> bool {
        let gone = self.root.is_empty() || !Path::new(&self.root).exists();
        let shared = self.sources.intersection(sources).count();
        let fewer = self.sources.len().min(sources.len());
        self.root == root || gone && shared > 0 && shared * 2 >= fewer
    }
}

/// The sessions of an output folder, with the one of this run among them.
#[derive(Clone, Debug, Default)]
pub struct Folder {
    claims: Vec<Claim>,
    /// Songs of the other sessions, as their outputs are named.
    others: BTreeSet<String>,
}

impl Folder {
    /// Finds the session among those that have outputs in `out`, and gives songs that another one
    /// has too a name of their own. Nothing is written. The notes are for a person.
    ///
    /// # Errors
    /// [`crate::error::Kind::Input`] where the folder belongs to another session, unless `also`;
    /// [`crate::error::Kind::Environment`] where that cannot be read.
    pub fn of(out: &Path, session: &mut Session, also: bool) -> Result<(Self, Vec<Remark>)> {
        let mut notes = Vec::new();
        let root = std::path::absolute(&session.root).unwrap_or_else(|_| session.root.clone());
        let root = root.canonicalize().unwrap_or(root);
        let root = root.to_string_lossy().into_owned();
        let sources: BTreeSet<String> = (session.tracks())
            .flat_map(|(_, _, track)| &track.sources)
            .map(|source| source.path.to_string_lossy().into_owned())
            .collect();
        let mut claims = read(out)?;
        let mine = claims.iter().position(|claim| claim.is(&root, &sources));
        if let (None, Some(first), false) = (mine, claims.first(), also) {
            let reason = format!("holds the outputs of another session: {}", first.name());
            return Err(Error::input(reason)
                .at(out)
                .hint("give another folder with --out; or --also, to put this session beside it"));
        }
        let mut mine = mine.map(|at| claims.remove(at)).unwrap_or_default();
        let others: BTreeSet<String> = claims
            .iter()
            .flat_map(|claim| claim.songs.values().cloned())
            .collect();
        let beside = Path::new(&root).file_name().unwrap_or_default();
        let beside = slug(&beside.to_string_lossy());
        let mut taken: BTreeSet<String> = session.songs.iter().map(|s| s.slug.clone()).collect();
        for song in &mut session.songs {
            let own = song.slug.clone();
            if let Some(known) = mine.songs.get(&own) {
                song.slug = known.clone();
            } else if others.contains(&own) {
                let mut name = format!("{own}-{beside}");
                let mut n = 1;
                while others.contains(&name) || taken.contains(&name) {
                    n += 1;
                    name = format!("{own}-{beside}-{n}");
                }
                notes.push(Remark::SongRenamed {
                    song: own.clone(),
                    name: name.clone(),
                    folder: out.display().to_string(),
                });
                song.slug = name;
            }
            taken.insert(song.slug.clone());
            mine.songs.insert(own, song.slug.clone());
        }
        mine.root = root;
        mine.sources = sources;
        claims.push(mine);
        Ok((Self { claims, others }, notes))
    }

    /// Whether a song, as outputs are named, is one of another session.
    pub fn is_of_another(&self, song: &str) -> bool {
        self.others.contains(song)
    }

    /// Whether there are several sessions.
    pub fn is_shared(&self) -> bool {
        !self.others.is_empty()
    }

    /// Keeps it for the next run.
    pub fn keep(&self, outbox: &Outbox) -> Result<()> {
        let bytes = serde_json::to_vec(&self.claims).unwrap_or_default();
        let own = outbox.own()?;
        own.write(Path::new(CLAIMS), &sealed(&bytes, "", b'\n'))
            .map(drop)
    }
}

fn read(out: &Path) -> Result<Vec<Claim>> {
    let path = own_folder(out).join(CLAIMS);
    let kept = if_there(&path, fs::read(&path))?;
    let kept = kept.and_then(|bytes| serde_json::from_slice(unsealed(&bytes, "", b'\n')?).ok());
    if let Some(claims) = kept {
        return Ok(claims);
    }
    // Where that was lost, the record of the last run says what it was made from.
    if !Ours::of(out)?.knows(RECORD) {
        return Ok(Vec::new());
    }
    let record = if_there(&out.join(RECORD), fs::read(out.join(RECORD)))?;
    let record: Option<Value> = record.and_then(|bytes| serde_json::from_slice(&bytes).ok());
    let sources: BTreeSet<String> = (record.as_ref())
        .and_then(|record| record.get("sources")?.as_array())
        .into_iter()
        .flatten()
        .filter_map(|source| Some(source.get("path")?.as_str()?.to_owned()))
        .collect();
    Ok(match sources.is_empty() {
        true => Vec::new(),
        false => vec![Claim {
            sources,
            ..Claim::default()
        }],
    })
}
