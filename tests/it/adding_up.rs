//! What a prepared session sounds like: figures that a mixer would hear, on a set-up of recorded drums. Needs
//! the recorded hits; where they are missing, that is said and nothing is checked, unless
//! `BATTERHEAD_REQUIRE_ALL` is set.

use super::bed::sound::listen;
use super::bed::{Half, Session, disk, packaged, setups};
use super::support::Place;

#[test]
fn a_set_up_of_recorded_drums_adds_up() {
    let Some(sources) = packaged() else {
        assert!(
            std::env::var_os("BATTERHEAD_REQUIRE_ALL").is_none(),
            "the recorded hits are missing (BATTERHEAD_HITS)"
        );
        return;
    };
    // One take of each song.
    let all = setups(Half::Fit).into_iter();
    let mut setup = all.last().expect("a set-up of the packaged kit");
    setup.takes = [0, 2].map(|i| setup.takes[i].clone()).into();
    setup.mishaps.clear();
    let session = Session::new(&sources, &setup);
    let place = Place::new();
    disk::write(&session, &place.path("takes")).expect("room on the disk");
    place.prep(&["--quiet"], 0);
    let truth = |_: &str, take: &str| {
        let number: usize = take.strip_prefix("take-")?.parse().ok()?;
        Some(session.record(number - 1))
    };
    let figures = listen(&place.path("takes"), &place.path("out"), &truth);
    println!("{figures}");
    assert!(figures.spread_lu() < 0.5, "{figures}");
    for mix in &figures.mixes {
        assert!(mix.true_peak_dbtp <= -1.0 && mix.lufs < -17.0, "{figures}");
    }
    assert_eq!(figures.rooms.len(), 2, "{figures}");
    for room in &figures.rooms {
        assert!(
            room.denser_db >= 4.0 && room.lows_db[1] >= 20.0,
            "{figures}"
        );
        assert!((9.0..14.0).contains(&room.under_mix_lu), "{figures}");
    }
    assert_eq!(figures.sums.len(), 4, "{figures}");
    for sum in &figures.sums {
        assert!(
            sum.stems_db >= 0.5 && sum.stems_db >= sum.sources_db - 1.0,
            "{figures}"
        );
    }
}
