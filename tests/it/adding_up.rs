//! What a prepared session sounds like: figures that a mixer would hear, on a set-up of recorded drums. Needs
//! the recorded hits; where they are missing, that is said and nothing is checked, unless
//! `BATTERHEAD_REQUIRE_ALL` is set.

use super::bed::gate::GateFigures;
use super::bed::sound::{Figures, listen};
use super::bed::{Half, Session, Setup, Sources, disk, packaged, setups};
use super::support::{Place, needed};

/// The packaged recordings; where they are missing, that is said.
fn recordings() -> Option<Sources> {
    needed(
        packaged(),
        "the recorded hits are missing (BATTERHEAD_HITS)",
    )
}

/// A set-up of the packaged kit by its name.
fn named(name: &str) -> Setup {
    let mut all = setups(Half::Fit).into_iter();
    all.find(|setup| setup.name == name).expect("a set-up")
}

fn prepared(sources: &Sources, setup: &Setup) -> Figures {
    let session = Session::new(sources, setup);
    let place = Place::new();
    disk::write(&session, &place.path("takes")).expect("room on the disk");
    place.prep(&["--quiet"], 0);
    let truth = |_: &str, take: &str| {
        let number: usize = take.strip_prefix("take-")?.parse().ok()?;
        Some(session.record(number - 1))
    };
    let figures = listen(&place.path("takes"), &place.path("out"), &truth);
    println!("{figures}");
    figures
}

#[test]
fn the_gate_of_a_tom_of_which_a_lone_take_shows_nothing_closes() {
    let Some(sources) = recordings() else { return };
    let mut setup = named("kit-4b");
    setup.takes.drain(..2);
    let figures = prepared(&sources, &setup);
    let unheard = figures.gates.iter().find(|gate| gate.strokes_db.is_empty());
    let unheard = unheard.expect("a tom that is not struck");
    assert!(unheard.between.change_db() < -12.0, "{figures}");
    assert_eq!(GateFigures::all(&figures.gates).lost(), 0, "{figures}");
}

#[test]
fn a_set_up_of_recorded_drums_adds_up() {
    let Some(sources) = recordings() else { return };
    // Two songs; in the second take a tom rests.
    let mut setup = named("kit-4c");
    setup.takes.truncate(3);
    setup.mishaps.clear();
    let figures = prepared(&sources, &setup);
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
    // The kit between the strokes is gone.
    let stays = figures
        .gates
        .iter()
        .find(|gate| gate.between.change_db() > -15.0);
    assert!(stays.is_none(), "{figures}");
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
