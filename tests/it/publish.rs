//! Output files: whole or absent, inside the output folder, listed in the manifest.

use std::fs;
use std::io::{Seek, SeekFrom, Write};
use std::path::Path;

use batterhead::error::Kind;
use batterhead::output::publish::{Manifest, Outbox, sha256_file, sweep};

/// FIPS 180-4, the example "abc".
const ABC: &str = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad";

fn outbox() -> (tempfile::TempDir, Outbox) {
    let folder = tempfile::tempdir().unwrap();
    let outbox = Outbox::open(&folder.path().join("out")).unwrap();
    (folder, outbox)
}

/// Every file below a folder.
fn files(root: &Path) -> Vec<String> {
    let walk = walkdir::WalkDir::new(root).sort_by_file_name();
    let all = walk.into_iter().map(|entry| entry.unwrap());
    let files = all.filter(|entry| entry.file_type().is_file());
    files
        .map(|entry| entry.file_name().to_str().unwrap().to_owned())
        .collect()
}

#[test]
fn a_draft_is_invisible_until_it_is_published() {
    let (_folder, outbox) = outbox();
    let mut draft = outbox
        .create(Path::new("stems/low-tide/take-03/kick.wav"))
        .unwrap();
    draft.write_all(b"a").unwrap();
    draft.write_all(b"bc").unwrap();
    let during = files(outbox.root());
    assert_eq!(during.len(), 1);
    assert!(
        during[0].starts_with(".bh-") && during[0].ends_with(".part"),
        "{during:?}"
    );
    let published = draft.publish().unwrap();
    assert_eq!(published.path, Path::new("stems/low-tide/take-03/kick.wav"));
    assert_eq!((published.sha256.as_str(), published.bytes), (ABC, 3));
    assert_eq!(files(outbox.root()), ["kick.wav"]);
    let target = outbox.root().join(published.path);
    assert_eq!(fs::read(&target).unwrap(), b"abc");
    assert_eq!(
        sha256_file(&target, &|| false).unwrap().as_deref(),
        Some(ABC)
    );
    assert_eq!(sha256_file(&target, &|| true).unwrap(), None);
}

#[test]
fn a_dropped_draft_leaves_the_old_file_and_no_litter() {
    let (_folder, outbox) = outbox();
    outbox.write(Path::new("a.json"), b"old").unwrap();
    let mut draft = outbox.create(Path::new("a.json")).unwrap();
    draft.write_all(b"new").unwrap();
    drop(draft);
    assert_eq!(files(outbox.root()), ["a.json"]);
    assert_eq!(fs::read(outbox.root().join("a.json")).unwrap(), b"old");
    outbox.write(Path::new("a.json"), b"new").unwrap();
    assert_eq!(fs::read(outbox.root().join("a.json")).unwrap(), b"new");
}

#[test]
fn bytes_that_changed_on_the_way_are_not_published() {
    let (_folder, outbox) = outbox();
    let mut draft = outbox.create(Path::new("a.wav")).unwrap();
    draft.write_all(b"abc").unwrap();
    let part = outbox.root().join(&files(outbox.root())[0]);
    fs::write(&part, b"abd").unwrap();
    let error = draft.publish().unwrap_err();
    assert_eq!(error.kind, Kind::File);
    assert!(error.reason.contains("read back"), "{error}");
    assert_eq!(files(outbox.root()), Vec::<String>::new());
}

#[test]
fn a_header_may_be_patched() {
    let (_folder, outbox) = outbox();
    let mut draft = outbox.create(Path::new("a.wav")).unwrap();
    draft.write_all(b"xbc").unwrap();
    draft.seek(SeekFrom::Start(0)).unwrap();
    draft.write_all(b"a").unwrap();
    assert_eq!(draft.publish().unwrap().sha256, ABC);
}

#[test]
fn nothing_is_written_outside_the_output_folder() {
    let (folder, outbox) = outbox();
    for path in ["../a", "/tmp/a", "a/../../b", "", "."] {
        let error = outbox.create(Path::new(path)).unwrap_err();
        assert_eq!(error.kind, Kind::Input, "{path}");
    }
    assert_eq!(files(folder.path()), Vec::<String>::new());
}

#[cfg(unix)]
#[test]
fn nothing_is_written_through_a_symbolic_link() {
    let (folder, outbox) = outbox();
    let outside = folder.path().join("outside");
    fs::create_dir(&outside).unwrap();
    fs::write(outside.join("a.wav"), b"original").unwrap();
    std::os::unix::fs::symlink(&outside, outbox.root().join("stems")).unwrap();
    std::os::unix::fs::symlink(outside.join("a.wav"), outbox.root().join("a.wav")).unwrap();
    for path in ["stems/b.wav", "a.wav"] {
        let error = outbox.create(Path::new(path)).unwrap_err();
        assert!(error.reason.contains("symbolic link"), "{error}");
    }
    assert_eq!(files(&outside), ["a.wav"]);
    assert_eq!(fs::read(outside.join("a.wav")).unwrap(), b"original");
}

#[test]
fn a_folder_in_the_place_of_a_file_stays() {
    let (_folder, outbox) = outbox();
    fs::create_dir(outbox.root().join("a.wav")).unwrap();
    fs::write(outbox.root().join("stems"), b"a file").unwrap();
    assert!(
        outbox
            .create(Path::new("a.wav"))
            .unwrap_err()
            .reason
            .contains("folder")
    );
    assert!(
        outbox
            .create(Path::new("stems/b.wav"))
            .unwrap_err()
            .reason
            .contains("no folder")
    );
}

#[test]
fn an_output_folder_that_goes_away_stops_the_run() {
    let (folder, outbox) = outbox();
    let mut draft = outbox.create(Path::new("a/b.wav")).unwrap();
    draft.write_all(b"abc").unwrap();
    fs::rename(outbox.root(), folder.path().join("elsewhere")).unwrap();
    assert_eq!(
        outbox.create(Path::new("c.wav")).unwrap_err().kind,
        Kind::Environment
    );
    assert_eq!(draft.publish().unwrap_err().kind, Kind::Environment);
    // Another folder of that name, as when a disk is taken from its mount point.
    fs::create_dir(outbox.root()).unwrap();
    let error = outbox.create(Path::new("c.wav")).unwrap_err();
    assert_eq!(error.kind, Kind::Environment);
    assert_eq!(files(outbox.root()), Vec::<String>::new());
}

#[cfg(unix)]
#[test]
fn a_published_file_has_the_usual_permissions() {
    use std::os::unix::fs::PermissionsExt;
    let (folder, outbox) = outbox();
    let published = outbox.write(Path::new("a.csv"), b"x").unwrap();
    let plain = folder.path().join("plain");
    fs::write(&plain, b"x").unwrap();
    let mode = |path: &Path| fs::metadata(path).unwrap().permissions().mode();
    assert_eq!(mode(&outbox.root().join(published.path)), mode(&plain));
}

#[test]
fn a_name_of_255_bytes_can_be_published() {
    let (_folder, outbox) = outbox();
    let name = format!("{}.wav", "n".repeat(251));
    outbox.write(Path::new(&name), b"x").unwrap();
    assert_eq!(files(outbox.root()), [name]);
}

#[test]
fn only_litter_of_our_own_is_swept() {
    let (_folder, outbox) = outbox();
    fs::create_dir(outbox.root().join("stems")).unwrap();
    let keep = [
        ".bh-short.part",
        ".bh-123456",
        "a.part",
        ".bh-12345é.part",
        "bh-123456.part",
    ];
    for name in keep.iter().chain(&[".bh-aB3456.part"]) {
        fs::write(outbox.root().join("stems").join(name), b"x").unwrap();
    }
    assert_eq!(sweep(outbox.root()).unwrap(), 1);
    assert_eq!(files(outbox.root()).len(), keep.len());
    assert_eq!(sweep(outbox.root()).unwrap(), 0);
}

#[cfg(unix)]
#[test]
fn sha256sum_accepts_the_manifest() {
    let (_folder, outbox) = outbox();
    let mut manifest = Manifest::default();
    for name in [
        "b.wav",
        "a b.wav",
        "back\\slash.wav",
        "line\nfeed.wav",
        "stems/é.wav",
    ] {
        let published = outbox.write(Path::new(name), name.as_bytes()).unwrap();
        manifest.insert(name, published.sha256);
    }
    let text = manifest.text();
    outbox
        .write(Path::new("manifest-sha256.txt"), text.as_bytes())
        .unwrap();
    let check = std::process::Command::new("sha256sum")
        .args(["--check", "--strict", "manifest-sha256.txt"])
        .current_dir(outbox.root())
        .output()
        .unwrap();
    assert!(check.status.success(), "{check:?}");
    assert_eq!(Manifest::parse(&text).unwrap(), manifest);
}

#[cfg(target_os = "linux")]
#[test]
fn what_stops_every_file_stops_the_run_and_what_stops_one_costs_that_one() {
    use batterhead::error::Error;
    // Numbers of errno(3) on Linux.
    let kind = |number| {
        let error = std::io::Error::from_raw_os_error(number);
        Error::writing(Path::new("a.wav"), &error).kind
    };
    for (name, number) in [
        ("ENOSPC", 28),
        ("EDQUOT", 122),
        ("EROFS", 30),
        ("ENOENT", 2),
    ] {
        assert_eq!(kind(number), Kind::Environment, "{name}");
    }
    for (name, number) in [("EFBIG", 27), ("EACCES", 13), ("EIO", 5), ("EXDEV", 18)] {
        assert_eq!(kind(number), Kind::File, "{name}");
    }
}
