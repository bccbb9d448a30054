//! Where mixes and group stems lie.

use std::collections::{BTreeMap, BTreeSet};

use crate::error::{Error, Result};
use crate::session::config::{Named, SessionFile};
use crate::session::{Session, Song, Take};

/// Where the rough mix of a take lies.
pub fn path(song: &str, take: &str) -> String {
    format!("mixes/{song}/{take}.wav")
}

/// Where the stem of a group lies.
///
/// # Errors
/// The naming template cannot make its name.
pub fn group_path(
    config: &SessionFile,
    (song, take): (&str, &str),
    group: &str,
    rate_hz: u32,
) -> Result<String> {
    let named = Named {
        song,
        take,
        label: group,
        side: None,
        group,
        rate_hz,
    };
    let name = config.name(&named);
    let name = name.map_err(|why| Error::input(format!("the stem of the group {group}: {why}")))?;
    Ok(format!("stems/{song}/{take}/group_{name}.wav"))
}

/// Every name that the mixes of a take may have.
pub fn names(config: &SessionFile, song: &Song, take: &Take) -> Vec<String> {
    let mut names = vec![path(&song.slug, &take.slug)];
    if config.mix.listening_copy {
        names.push(listening_path(&song.slug, &take.slug));
    }
    if config.mix.dry {
        names.push(dry_path(&song.slug, &take.slug));
    }
    if !config.groups.is_empty() {
        for track in &take.tracks {
            let group = config.group_of(track.mic);
            names.extend(group_path(
                config,
                (&song.slug, &take.slug),
                group,
                track.rate_hz(),
            ));
        }
    }
    names
}

/// Where the mix without processing lies.
pub fn dry_path(song: &str, take: &str) -> String {
    format!("mixes/{song}/{take}_dry.wav")
}

/// Where the listening copy lies.
pub fn listening_path(song: &str, take: &str) -> String {
    format!("mixes/{song}/{take}_listen.wav")
}

/// Refuses names of group stems that the template cannot make, and one that two would share.
pub fn check_names(session: &Session, config: &SessionFile) -> Result<()> {
    let mut errors = Vec::new();
    let takes = (session.songs.iter()).flat_map(|song| song.takes.iter().map(move |t| (song, t)));
    for (song, take) in takes {
        let mut groups: BTreeMap<&str, u32> = BTreeMap::new();
        for track in take.tracks.iter().filter(|_| !config.groups.is_empty()) {
            groups.insert(config.group_of(track.mic), track.rate_hz());
        }
        let mut paths = BTreeSet::new();
        for (group, rate_hz) in groups {
            match group_path(config, (&song.slug, &take.slug), group, rate_hz) {
                Err(error) => errors.push(error),
                Ok(path) if !paths.insert(path.to_lowercase()) => errors.push(
                    Error::input(format!("two groups would both be written to {path}"))
                        .hint("put {mic} or {group} into the naming template of the session file"),
                ),
                Ok(_) => {}
            }
        }
    }
    Error::all(errors).map_or(Ok(()), Err)
}
