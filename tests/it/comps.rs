//! Takes of a song can be cut together anywhere: one chain, one gain, one polarity in all of them.

use super::support::Place;

fn decisions(place: &Place, take: &str, mic: &str) -> serde_json::Value {
    let path = format!("out/reports/low-tide/{take}/low-tide_{take}_{mic}.json");
    let mut decisions = place.json(&path)["decisions"].clone();
    // Why it is so may differ, by what was heard in the take.
    if let Some(all) = decisions.as_object_mut() {
        all.remove("reasons");
    }
    decisions
}

#[test]
fn two_takes_of_a_stem_can_be_spliced_without_a_step_that_their_sources_lack() {
    let place = Place::new();
    place.session(&["Low Tide"], 3);
    place.prep(&[], 0);
    let full = 8_388_608.0;
    for (file, mic) in [("Kick In", "kick-in"), ("SN TOP", "snare-top")] {
        let first = decisions(&place, "take-01", mic);
        assert_eq!(first, decisions(&place, "take-02", mic), "{mic}");
        let gain = 10f64.powf(first["gain_db"].as_f64().expect("a gain") / 20.0);
        let of = |take: u32| {
            let stem = format!("out/stems/low-tide/take-0{take}/low-tide_take-0{take}_{mic}.wav");
            let source = format!("takes/Low Tide/take {take}/{file}.wav");
            [place.samples(&source), place.samples(&stem)].map(|samples| {
                let samples = samples.into_iter().map(|x| f64::from(x) / full);
                samples.collect::<Vec<f64>>()
            })
        };
        let ([source_a, stem_a], [source_b, stem_b]) = (of(1), of(2));
        // How far apart both are around a place: the step where one goes over into the other.
        let apart = |a: &[f64], b: &[f64], at: usize| {
            let both = a[at - 24..at + 24].iter().zip(&b[at - 24..at + 24]);
            both.map(|(a, b)| (a - b).abs()).fold(0.0, f64::max)
        };
        // In silence before a hit, in its ring, and late in it.
        for at in [28_000, 31_200, 36_000, 100_000, 103_300] {
            let (before, after) = (apart(&source_a, &source_b, at), apart(&stem_a, &stem_b, at));
            // No filter of these presets lifts anything by more than 4 dB.
            let most = 1.6 * gain * before + 1e-3;
            assert!(after <= most, "{mic} at {at}: {after:.5} from {before:.5}");
        }
    }
}
