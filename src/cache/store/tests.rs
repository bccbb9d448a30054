use std::fs;

use super::*;

fn origin(source: &str) -> Origin {
    Origin::new().with("the source", &source)
}

fn done(path: &str) -> Done {
    Done {
        path: path.to_owned(),
        origin: origin("a"),
        sha256: "00".to_owned(),
        figures: serde_json::json!({"gain_db": 1.5}),
    }
}

fn finds(store: &Store, path: &str) -> bool {
    store.done(path, &origin("a")).is_some()
}

#[test]
fn a_torn_last_line_of_the_journal_is_ignored_and_the_rest_kept() {
    let folder = tempfile::tempdir().unwrap();
    Store::open(folder.path())
        .unwrap()
        .note(done("stems/a.wav"))
        .unwrap();
    let journal = folder.path().join(FOLDER).join(JOURNAL);
    let whole = fs::read(&journal).unwrap();
    for cut in 0..whole.len() {
        let mut bytes = whole.clone();
        bytes.extend_from_slice(&whole[..cut]);
        fs::write(&journal, bytes).unwrap();
        let store = Store::open(folder.path()).unwrap();
        assert!(finds(&store, "stems/a.wav"));
        store.note(done("stems/b.wav")).unwrap();
        drop(store);
        let store = Store::open(folder.path()).unwrap();
        assert!(finds(&store, "stems/b.wav"), "cut at {cut}");
    }
}

#[test]
fn a_flipped_bit_in_the_journal_or_a_kept_result_is_never_believed() {
    let folder = tempfile::tempdir().unwrap();
    let key = Key::of("a", &1);
    let store = Store::open(folder.path()).unwrap();
    store.note(done("stems/a.wav")).unwrap();
    store.put(&key, &"1.5 dB").unwrap();
    store
        .put_file(&key, &|sink| sink.write_all(b"1.5 dB"))
        .unwrap();
    let kept = store.place(&key, "json");
    let file = store.place(&key, "bin");
    drop(store);
    let journal = folder.path().join(FOLDER).join(JOURNAL);
    for path in [&journal, &kept, &file] {
        let whole = fs::read(path).unwrap();
        for at in 0..whole.len() {
            let mut bytes = whole.clone();
            bytes[at] ^= 4;
            fs::write(path, bytes).unwrap();
            let store = Store::open(folder.path()).unwrap();
            let (line, result) = (finds(&store, "stems/a.wav"), store.get::<String>(&key));
            assert_eq!(line, path != &journal, "{at}");
            assert_eq!(result.is_some(), path != &kept, "{at}");
            assert_eq!(store.get_file(&key).is_some(), path != &file, "{at}");
        }
        fs::write(path, whole).unwrap();
    }
}

#[test]
fn a_kept_result_in_the_place_of_another_is_never_believed() {
    let folder = tempfile::tempdir().unwrap();
    let store = Store::open(folder.path()).unwrap();
    let (one, two) = (Key::of("a", &1), Key::of("a", &2));
    store.put(&one, &"one").unwrap();
    store.put(&two, &"two").unwrap();
    let place = |key| store.place(key, "json");
    fs::copy(place(&one), place(&two)).unwrap();
    assert_eq!(store.get::<String>(&one).as_deref(), Some("one"));
    assert_eq!(store.get::<String>(&two), None);
}

#[test]
fn what_changed_is_told_with_the_outputs_it_concerns() {
    let folder = tempfile::tempdir().unwrap();
    let store = Store::open(folder.path()).unwrap();
    for i in 0..5 {
        store.note(done(&format!("stems/{i}.wav"))).unwrap();
        assert!(
            store
                .done(&format!("stems/{i}.wav"), &origin("b"))
                .is_none()
        );
    }
    assert!(store.done("stems/new.wav", &origin("b")).is_none());
    let (warnings, again) = store.messages();
    assert!(warnings.is_empty());
    let [only] = &again[..] else {
        panic!("{again:?}")
    };
    assert!(
        only.contains("the source changed: 5 outputs: stems/0.wav"),
        "{only}"
    );
}

#[test]
fn a_second_run_is_told_who_holds_the_folder() {
    let folder = tempfile::tempdir().unwrap();
    let first = Store::open(folder.path()).unwrap();
    let error = Store::open(folder.path()).err().unwrap();
    assert_eq!(error.kind, Kind::Locked);
    assert!(error.reason.contains(&std::process::id().to_string()));
    drop(first);
    assert!(Store::open(folder.path()).is_ok());
}

#[cfg(unix)]
#[test]
fn the_memory_is_never_kept_through_a_link() {
    let (folder, outside) = (tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap());
    let own = folder.path().join(FOLDER);
    std::os::unix::fs::symlink(outside.path(), &own).unwrap();
    assert_eq!(
        Store::open(folder.path()).err().unwrap().kind,
        Kind::Environment
    );
    fs::remove_file(&own).unwrap();
    fs::create_dir(&own).unwrap();
    let victim = outside.path().join("victim");
    fs::write(&victim, "whole").unwrap();
    std::os::unix::fs::symlink(&victim, own.join(JOURNAL)).unwrap();
    assert!(Store::open(folder.path()).is_err());
    assert_eq!(fs::read(&victim).unwrap(), b"whole");
    assert_eq!(fs::read_dir(outside.path()).unwrap().count(), 1);
}
