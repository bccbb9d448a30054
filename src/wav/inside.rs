//! What a recorder wrote into a file about its channels and its take.
//!
//! Sources: the iXML specification (`BWFXML`: `SCENE`, `TAKE`, `TRACK_LIST` with `CHANNEL_INDEX`,
//! `INTERLEAVE_INDEX` and `NAME`); EBU Tech 3285 for the description of `bext`, whose lines
//! `sTRK1=…`, `sSCENE=…`, `sTAKE=…` are common practice, no source; Microsoft and IBM,
//! "Multimedia Programming Interface and Data Specifications 1.0" for `LIST`/`adtl`.

use crate::audio::Inside;

/// Letters of a name at most.
const LONGEST: usize = 200;
/// Bytes of the description that `bext` begins with.
const DESCRIPTION: usize = 256;

/// What the chunks say, the first that says something: `iXML`, the description of `bext`, labels.
/// `channels`: of the file; names beyond are left out.
pub(super) fn read(
    ixml: Option<&[u8]>,
    bext: Option<&[u8]>,
    adtl: Option<&[u8]>,
    channels: usize,
) -> Inside {
    let mut inside = Inside::default();
    if let Some(found) = ixml.and_then(|bytes| of_ixml(bytes, channels)) {
        inside = found;
    }
    let found = bext
        .map(|bytes| of_bext(bytes, channels))
        .unwrap_or_default();
    inside.scene = inside.scene.or(found.scene);
    inside.take = inside.take.or(found.take);
    if inside.tracks.is_empty() {
        inside.tracks = found.tracks;
    }
    if inside.tracks.is_empty() {
        inside.tracks = adtl
            .map(|bytes| of_adtl(bytes, channels))
            .unwrap_or_default();
    }
    inside
}

/// `None` where it is no XML.
fn of_ixml(bytes: &[u8], channels: usize) -> Option<Inside> {
    let text = String::from_utf8_lossy(bytes);
    let text = text
        .trim_start_matches('\u{feff}')
        .trim_matches(['\0', ' ', '\r', '\n', '\t']);
    let document = roxmltree::Document::parse(text).ok()?;
    let root = document.root_element();
    let text_of = |node: &roxmltree::Node<'_, '_>, tag: &str| {
        let child = node.children().find(|child| child.has_tag_name(tag))?;
        said(child.text()?)
    };
    let mut names = Names::new(channels);
    let list = root
        .children()
        .find(|child| child.has_tag_name("TRACK_LIST"));
    let tracks = list.into_iter().flat_map(|list| list.children());
    for (at, track) in tracks
        .filter(|child| child.has_tag_name("TRACK"))
        .enumerate()
    {
        let index = |tag| text_of(&track, tag)?.parse::<usize>().ok();
        let place = index("INTERLEAVE_INDEX")
            .or_else(|| index("CHANNEL_INDEX"))
            .unwrap_or(at + 1);
        names.set(place, text_of(&track, "NAME"));
    }
    Some(Inside {
        tracks: names.finish(),
        scene: text_of(&root, "SCENE"),
        take: text_of(&root, "TAKE"),
    })
}

/// Lines `sTRK1=Kick In`; some recorders begin them with another letter, or with none.
fn of_bext(bytes: &[u8], channels: usize) -> Inside {
    let description = bytes
        .get(..DESCRIPTION.min(bytes.len()))
        .unwrap_or_default();
    let text = String::from_utf8_lossy(description);
    let mut inside = Inside::default();
    let mut names = Names::new(channels);
    for line in text.split(['\r', '\n', '\0']) {
        let Some((key, value)) = line.split_once('=') else {
            continue;
        };
        let key = key.trim_start_matches(|c: char| c.is_ascii_lowercase());
        match (key, key.strip_prefix("TRK").and_then(|n| n.parse().ok())) {
            ("SCENE", _) => inside.scene = said(value),
            ("TAKE", _) => inside.take = said(value),
            (_, Some(place)) => names.set(place, said(value)),
            _ => {}
        }
    }
    inside.tracks = names.finish();
    inside
}

/// Labels of markers, where there is one for each channel.
fn of_adtl(bytes: &[u8], channels: usize) -> Vec<Option<String>> {
    let mut labels = Vec::new();
    let mut rest = bytes.strip_prefix(b"adtl").unwrap_or_default();
    while let Some((head, body)) = rest.split_at_checked(8) {
        let size = head.get(4..8).and_then(|size| size.first_chunk().copied());
        let size = usize::try_from(size.map_or(0, u32::from_le_bytes)).unwrap_or(usize::MAX);
        let payload = body.get(..size.min(body.len())).unwrap_or_default();
        if head.starts_with(b"labl") {
            let text = payload.get(4..).unwrap_or_default();
            labels.push(said(&String::from_utf8_lossy(text)));
        }
        let next = size.saturating_add(size & 1).min(body.len());
        rest = body.get(next..).unwrap_or_default();
    }
    match labels.len() == channels {
        true => labels,
        false => Vec::new(),
    }
}

/// Text that says something.
fn said(text: &str) -> Option<String> {
    let text = text.trim_matches(|c: char| c.is_whitespace() || c == '\0');
    (!text.is_empty()).then(|| text.chars().take(LONGEST).collect())
}

/// Names by channel.
struct Names(Vec<Option<String>>);

impl Names {
    fn new(channels: usize) -> Self {
        Self(vec![None; channels])
    }

    /// `place` counts from 1.
    fn set(&mut self, place: usize, name: Option<String>) {
        if let Some(slot) = place.checked_sub(1).and_then(|at| self.0.get_mut(at)) {
            *slot = name.or(slot.take());
        }
    }

    /// Empty where no channel has a name.
    fn finish(self) -> Vec<Option<String>> {
        match self.0.iter().any(Option::is_some) {
            true => self.0,
            false => Vec::new(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn names(inside: &Inside) -> Vec<&str> {
        let names = inside.tracks.iter();
        names.map(|name| name.as_deref().unwrap_or("-")).collect()
    }

    /// The order of `TRACK` elements is not that of the channels: `INTERLEAVE_INDEX` is.
    #[test]
    fn ixml_names_channels_by_their_place_in_the_file() {
        let xml = "<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n<BWFXML><IXML_VERSION>1.61</IXML_VERSION>\
            <SCENE>Gravel &amp; Glass</SCENE><TAKE>3</TAKE><TRACK_LIST><TRACK_COUNT>3</TRACK_COUNT>\
            <TRACK><CHANNEL_INDEX>7</CHANNEL_INDEX><INTERLEAVE_INDEX>3</INTERLEAVE_INDEX><NAME>OH L</NAME></TRACK>\
            <TRACK><CHANNEL_INDEX>1</CHANNEL_INDEX><INTERLEAVE_INDEX>1</INTERLEAVE_INDEX><NAME> Kick In </NAME></TRACK>\
            <TRACK><CHANNEL_INDEX>2</CHANNEL_INDEX><INTERLEAVE_INDEX>9</INTERLEAVE_INDEX><NAME>beyond</NAME></TRACK>\
            </TRACK_LIST></BWFXML>\0\0";
        let inside = read(Some(xml.as_bytes()), None, None, 3);
        assert_eq!(names(&inside), ["Kick In", "-", "OH L"]);
        assert_eq!(inside.scene.as_deref(), Some("Gravel & Glass"));
        assert_eq!(inside.take.as_deref(), Some("3"));
    }

    #[test]
    fn descriptions_name_what_ixml_does_not() {
        let mut bext = b"sSCENE=Tin Harp\r\nsTAKE=04\r\nsTRK1=Kick\r\nsTRK2=Snare\r\n".to_vec();
        bext.resize(602, 0);
        let inside = read(
            Some(b"<BWFXML><TAKE>5</TAKE></BWFXML>"),
            Some(&bext),
            None,
            2,
        );
        assert_eq!(names(&inside), ["Kick", "Snare"]);
        assert_eq!(inside.take.as_deref(), Some("5"));
        assert_eq!(inside.scene.as_deref(), Some("Tin Harp"));
    }

    #[test]
    fn labels_count_where_there_is_one_for_each_channel() {
        let label = |id: u32, text: &str| {
            let size = u32::try_from(text.len() + 5).expect("short");
            let mut chunk = b"labl".to_vec();
            chunk.extend(size.to_le_bytes());
            chunk.extend(id.to_le_bytes());
            chunk.extend(text.bytes());
            chunk.push(0);
            chunk.resize(chunk.len() + (size as usize & 1), 0);
            chunk
        };
        let adtl = [b"adtl".to_vec(), label(1, "Kick"), label(2, "Hat")].concat();
        assert_eq!(names(&read(None, None, Some(&adtl), 2)), ["Kick", "Hat"]);
        assert!(read(None, None, Some(&adtl), 3).tracks.is_empty());
    }

    #[test]
    fn what_is_no_xml_says_nothing() {
        for bytes in [
            &b""[..],
            b"<BWFXML>",
            b"\xff\xfe<",
            b"<!DOCTYPE x [<!ENTITY a \"b\">]><x>&a;</x>",
            b"labl",
        ] {
            assert_eq!(
                read(Some(bytes), Some(bytes), Some(bytes), 4),
                Inside::default()
            );
        }
    }
}
