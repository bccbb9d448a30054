//! What a prepared session sounds like: figures that a mixer would hear, on a set-up of recorded drums. Needs
//! the recorded hits; where they are missing, that is said and nothing is checked, unless
//! `BATTERHEAD_REQUIRE_ALL` is set.

use super::bed::gate::GateFigures;
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
    // Two songs; in the second take a tom rests.
    let all = setups(Half::Fit).into_iter();
    let mut setup = all.last().expect("a set-up of the packaged kit");
    setup.takes.truncate(3);
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
    assert_eq!(figures.rooms.len(), 3, "{figures}");
    for room in &figures.rooms {
        assert!(
            room.denser_db >= 4.0 && room.lows_db[1] >= 20.0,
            "{figures}"
        );
        assert!((9.0..14.0).contains(&room.under_mix_lu), "{figures}");
    }
    assert_eq!(figures.sums.len(), 6, "{figures}");
    for sum in &figures.sums {
        assert!(
            sum.stems_db >= 0.5 && sum.stems_db >= sum.sources_db - 1.0,
            "{figures}"
        );
    }
    for (mic, apart_db) in figures.balance_db() {
        assert!(apart_db < 2.0, "{mic}\n{figures}");
    }
    assert_eq!(figures.gates.len(), 9, "{figures}");
    let all = GateFigures::all(&figures.gates);
    // An unsure or missed stroke is still heard; one that is as loud as the others is not even softer.
    assert!(all.strokes_db.len() > 40 && all.lost() == 0, "{figures}");
    assert!(all.softened() <= 3, "{figures}");
    assert!(all.wrong[0] * 10 < all.openings[0], "{figures}");
    let choked = all.lone_db.iter().find(|db| **db < -3.0);
    assert!(all.lone_db.len() > 5 && choked.is_none(), "{figures}");
    // But where it is careful, the kit between the strokes is gone.
    let gone = figures
        .gates
        .iter()
        .filter(|gate| gate.between.change_db() < -15.0);
    assert!(gone.count() >= 8, "{figures}");
    assert!(all.between.change_db() < -19.0, "{figures}");
    // Neither click nor chatter.
    assert!(all.steepest < 0.02 && all.rolls_db > -3.0, "{figures}");
    let rests = setup.takes[1].playing.without.expect("a tom");
    let at_rest = figures
        .gates
        .iter()
        .find(|gate| gate.take.ends_with("take-02") && gate.tom == rests.drum());
    let at_rest = at_rest.expect("a stem").bleed.change_db();
    assert!(at_rest < -10.0, "{at_rest}\n{figures}");
}
