//! [`Share`]: a part of a session by songs, for one of several machines on one output folder. It
//! makes the stems of its songs and keeps what it measured; a run of the whole finds both.

use std::collections::BTreeSet;
use std::path::Path;

use super::{Job, Outcome, Plan, Presets, Work, finish, stems};
use crate::error::{Error, Result};
use crate::output::layout::Unit;
use crate::output::publish::Outbox;
use crate::session::Session;
use crate::session::slug::slug;

/// Songs of a session, as their outputs are named, in its order.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Share(Vec<String>);

impl Share {
    /// The songs that a person names, as they are written or as outputs are named.
    ///
    /// # Errors
    /// [`crate::error::Kind::Input`] with the nearest song, where the session has none of a name.
    pub fn of(session: &Session, names: &[String]) -> Result<Self> {
        let known: Vec<&str> = session.songs.iter().map(|s| s.slug.as_str()).collect();
        let mut wanted = BTreeSet::new();
        for name in names {
            let is = |song: &&crate::session::Song| {
                song.slug == *name || song.name == *name || song.slug == slug(name)
            };
            let Some(song) = session.songs.iter().find(is) else {
                let reason = format!("--song: no song of this session is `{name}`");
                let hint = crate::problem::suggest(name, &known, "Songs of this session");
                return Err(Error::input(reason).hint(hint));
            };
            wanted.insert(song.slug.clone());
        }
        Ok(Self(wanted.into_iter().collect()))
    }

    /// Their names.
    pub fn songs(&self) -> &[String] {
        &self.0
    }

    /// Leaves of the session what its songs are decided from: themselves, songs that share a set-up
    /// with them, and everything where a level is linked over the session.
    pub fn narrow(&self, session: &mut Session, presets: &Presets) {
        if presets.link_the_session() {
            return;
        }
        let is_mine = |song: &str| self.0.iter().any(|mine| mine == song);
        let takes = |session: &Session, mine: bool| -> BTreeSet<String> {
            (session.songs.iter())
                .filter(|song| !mine || is_mine(&song.slug))
                .flat_map(|song| song.takes.iter().map(|take| take.setup.clone()))
                .collect()
        };
        let mut setups = takes(session, true);
        // A song may have takes of several set-ups, and its level may be linked over all of them.
        loop {
            let before = setups.len();
            for song in &session.songs {
                let own: Vec<&String> = song.takes.iter().map(|take| &take.setup).collect();
                if own.iter().any(|setup| setups.contains(*setup)) {
                    setups.extend(own.into_iter().cloned());
                }
            }
            if setups.len() == before {
                break;
            }
        }
        (session.songs).retain(|song| song.takes.iter().any(|take| setups.contains(&take.setup)));
    }

    /// Which of the units are theirs.
    pub fn units(&self, units: &[Unit<'_>]) -> Vec<usize> {
        let is_mine = |unit: &Unit<'_>| unit.song.is_some_and(|song| self.0.contains(&song.slug));
        (0..units.len()).filter(|&i| is_mine(&units[i])).collect()
    }
}

/// Makes the stems of the job's `only`, beside other runs that make those of other songs. Mixes,
/// reports, worksheet and manifest are left to a run of the whole.
pub fn share(
    work: &Work<'_>,
    job: &Job<'_>,
    plan: &Plan,
    out: &Path,
    share: &Share,
) -> Result<Outcome> {
    let first = share.songs().first().map_or("", String::as_str);
    let outbox = Outbox::sharing(out, first)?;
    super::begin(job, &outbox)?;
    let stems = stems(work, job, plan, &outbox, &BTreeSet::new())?;
    let mine: Vec<_> = (stems.into_iter().enumerate())
        .map(|(i, stem)| job.only?.contains(&i).then_some(stem)?)
        .collect();
    Ok(Outcome {
        share: Some(share.clone()),
        ..finish::outcome(job, plan, &mine, &[], Vec::new(), Vec::new())
    })
}
