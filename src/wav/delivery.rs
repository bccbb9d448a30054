//! What every delivered file says of itself: a `bext` of version 2 with its own loudness, whatever the
//! source had.
//!
//! Source: EBU Tech 3285 v2 (2011). Versions 0 and 1 become version 2: what they hold stays where it
//! is, and the loudness fields lie in what was reserved.
#![deny(clippy::arithmetic_side_effects)]

use super::metadata::{BEXT_FIXED, Kept, Metadata, Payload, bext};
use super::riff::{u16_at, u32_at};
use super::update::{Loudness, put};

/// Where the loudness fields lie in `bext`.
pub(super) const LOUDNESS_AT: usize = 412;
const VERSION_AT: usize = 346;
const TIME_REFERENCE_AT: usize = 338;
/// A point of `cue `.
const CUE_BYTES: usize = 24;
/// The UMID is a field since version 1.
const UMID: std::ops::Range<usize> = 348..412;

impl Metadata {
    /// Makes sure that there is a `bext` of version 2: one that is there keeps what it says, and a new
    /// one says `description`, `originator` and a time reference of 0. Its loudness is marked as not
    /// used where it had none.
    pub fn require_bext(&mut self, description: &str, originator: &str) {
        let Some(bytes) = self.bext_mut() else {
            let mut payload = bext(description, originator, 0);
            to_version_2(&mut payload);
            return self.push(*b"bext", payload);
        };
        to_version_2(bytes);
    }

    /// Writes another time reference, in samples since midnight.
    pub fn set_time_reference(&mut self, samples: u64) {
        if let Some(bytes) = self.bext_mut() {
            put(bytes, TIME_REFERENCE_AT, &samples.to_le_bytes());
        }
    }

    /// Writes the loudness of the samples.
    pub fn set_loudness(&mut self, loudness: &Loudness) {
        if let Some(bytes) = self.bext_mut().filter(|bytes| bytes.len() >= BEXT_FIXED) {
            put(bytes, LOUDNESS_AT, &loudness.fields());
        }
    }

    /// Ends the text of `bext` with a zero where its size is odd: there are readers that do not skip
    /// the pad byte of a chunk.
    pub fn even_bext(&mut self) {
        if let Some(bytes) = self.bext_mut().filter(|bytes| bytes.len() & 1 == 1) {
            bytes.push(0);
        }
    }

    /// Moves markers and loops later by `frames` of silence before the samples.
    pub fn move_later(&mut self, frames: u64) {
        let frames = u32::try_from(frames).unwrap_or(u32::MAX);
        for kept in self.before.iter_mut().chain(&mut self.after) {
            let (start, count_at, places) = match &kept.id {
                b"cue " => (4, 0, [4, 20]),
                b"smpl" => (36, 28, [8, 12]),
                _ => continue,
            };
            let Payload::Held(bytes) = &mut kept.payload else {
                continue;
            };
            let count = usize::try_from(u32_at(bytes, count_at)).unwrap_or(usize::MAX);
            let table = bytes.get_mut(start..).unwrap_or_default();
            for entry in table.chunks_exact_mut(24).take(count) {
                for place in places {
                    let moved = u32_at(entry, place).saturating_add(frames);
                    put(entry, place, &moved.to_le_bytes());
                }
            }
        }
    }

    /// Adds markers at these frames behind those that are there, as far as 32 bits hold them, and says
    /// how many.
    pub fn add_markers(&mut self, frames: impl Iterator<Item = u64>) -> usize {
        let mut all = self.before.iter_mut().chain(&mut self.after);
        let there = all.find(|kept| kept.id == *b"cue ");
        let mut bytes = vec![0; 4];
        let target = match there {
            None => &mut bytes,
            Some(kept) => match held(kept) {
                Some(bytes) if bytes.len() >= 4 => bytes,
                _ => return 0, // more markers than anybody reads
            },
        };
        let table = target.get(4..).unwrap_or_default();
        let points = table.chunks_exact(CUE_BYTES).len();
        let count = points.min(usize::try_from(u32_at(target, 0)).unwrap_or(points));
        target.truncate(count.saturating_mul(CUE_BYTES).saturating_add(4));
        let ids = target.get(4..).unwrap_or_default().chunks_exact(CUE_BYTES);
        let mut id = ids.map(|point| u32_at(point, 0)).max().unwrap_or(0);
        let mut added = 0usize;
        for frame in frames.filter_map(|frame| u32::try_from(frame).ok()) {
            id = id.wrapping_add(1);
            for word in [id, frame, u32::from_le_bytes(*b"data"), 0, 0, frame] {
                target.extend(word.to_le_bytes());
            }
            added = added.saturating_add(1);
        }
        let total = u32::try_from(count.saturating_add(added)).unwrap_or(u32::MAX);
        put(target, 0, &total.to_le_bytes());
        if !bytes.iter().all(|byte| *byte == 0) {
            self.push(*b"cue ", bytes);
        }
        added
    }

    /// The first `bext` that is held in memory.
    fn bext_mut(&mut self) -> Option<&mut Vec<u8>> {
        let all = self.before.iter_mut().chain(&mut self.after);
        all.filter(|kept| kept.id == *b"bext").find_map(held)
    }

    /// Where the loudness fields will lie behind the start of the chunks before `data`.
    pub(super) fn loudness_offset(&self) -> Option<u64> {
        let mut at: u64 = 0;
        for kept in &self.before {
            if let (b"bext", Payload::Held(bytes)) = (&kept.id, &kept.payload) {
                let inside = (LOUDNESS_AT as u64).saturating_add(8);
                return (bytes.len() >= BEXT_FIXED).then(|| at.saturating_add(inside));
            }
            let size = kept.size();
            at = at
                .saturating_add(8)
                .saturating_add(size)
                .saturating_add(size & 1);
        }
        None
    }
}

fn held(kept: &mut Kept) -> Option<&mut Vec<u8>> {
    match &mut kept.payload {
        Payload::Held(bytes) => Some(bytes),
        Payload::Left { .. } => None,
    }
}

fn to_version_2(bytes: &mut Vec<u8>) {
    if bytes.len() < BEXT_FIXED {
        bytes.resize(BEXT_FIXED, 0);
    }
    let version = u16_at(bytes, VERSION_AT);
    if version >= 2 {
        return;
    }
    if version == 0 {
        put(bytes, UMID.start, &[0; 64]);
    }
    put(bytes, VERSION_AT, &2u16.to_le_bytes());
    put(bytes, LOUDNESS_AT, &Loudness::default().fields());
    let reserved = LOUDNESS_AT.saturating_add(10);
    put(bytes, reserved, &[0; 180]);
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn older_versions_keep_what_they_say_and_get_room_for_loudness() {
        for (version, umid) in [(0u16, 0u8), (1, 7)] {
            let mut old = bext("Take 3", "somebody", 77);
            old[VERSION_AT..348].copy_from_slice(&version.to_le_bytes());
            old[UMID].fill(7);
            old[500] = 9;
            old.extend(b"A=ANALOGUE\r\n");
            let mut metadata = Metadata::default();
            metadata.push(*b"bext", old.clone());
            metadata.require_bext("another", "another");
            let new = metadata.find(b"bext").unwrap();
            assert_eq!(new[..VERSION_AT], old[..VERSION_AT]);
            assert_eq!(u16_at(new, VERSION_AT), 2);
            assert_eq!(new[UMID], [umid; 64]);
            assert_eq!(new[412..422], [0xff, 0x7f].repeat(5));
            assert_eq!(new[422..602], [0; 180]);
            assert_eq!(&new[602..], b"A=ANALOGUE\r\n");
        }
    }

    #[test]
    fn a_file_without_or_with_a_cut_chunk_gets_a_whole_one() {
        let mut metadata = Metadata::default();
        metadata.require_bext("low-tide_take-01_kick-in", "batterhead");
        let new = metadata.find(b"bext").unwrap();
        assert_eq!((new.len(), u16_at(new, VERSION_AT)), (602, 2));
        assert!(new.starts_with(b"low-tide_take-01_kick-in\0"));
        let mut metadata = Metadata::default();
        metadata.push(*b"bext", b"short".to_vec());
        metadata.require_bext("", "");
        assert!(metadata.find(b"bext").unwrap().starts_with(b"short\0"));
        metadata.set_loudness(&Loudness {
            integrated_lufs: Some(-22.644),
            ..Loudness::default()
        });
        assert_eq!(metadata.find(b"bext").unwrap()[412..414], [0x28, 0xf7]);
        metadata.set_time_reference(u64::MAX);
        assert_eq!(metadata.time_reference_samples(), Some(u64::MAX));
    }

    #[test]
    fn markers_move_with_the_samples() {
        let word = |value: u32| value.to_le_bytes().to_vec();
        let point = [
            word(1),
            word(10),
            b"data".to_vec(),
            word(0),
            word(0),
            word(10),
        ]
        .concat();
        let mut metadata = Metadata::default();
        metadata.push(*b"cue ", [word(1), point].concat());
        metadata.move_later(5);
        let cue = metadata.find(b"cue ").unwrap();
        assert_eq!((u32_at(cue, 8), u32_at(cue, 24)), (15, 15));
        metadata.move_later(u64::MAX);
        assert_eq!(u32_at(metadata.find(b"cue ").unwrap(), 8), u32::MAX);
    }

    #[test]
    fn markers_are_added_behind_those_that_are_there() {
        let mut metadata = Metadata::default();
        assert_eq!(metadata.add_markers([70, 90].into_iter()), 2);
        assert_eq!(metadata.add_markers([u64::MAX, 110].into_iter()), 1);
        let cue = metadata.find(b"cue ").unwrap();
        assert_eq!((cue.len(), u32_at(cue, 0)), (4 + 3 * 24, 3));
        let points = cue[4..].chunks_exact(24);
        let read: Vec<[u32; 3]> = points.map(|p| [0, 4, 20].map(|at| u32_at(p, at))).collect();
        assert_eq!(read, [[1, 70, 70], [2, 90, 90], [3, 110, 110]]);
        assert_eq!(metadata.before.len(), 1);
    }
}
