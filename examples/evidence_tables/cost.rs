//! What all evidence costs, on one core.

use std::time::Instant;

use batterhead::audio::{Info, SampleFormat};
use batterhead::block::{Block, FRAMES};
use batterhead::evidence::testbed::Recorded;
use batterhead::evidence::{Listener, Reference, relate};
use batterhead::measure::Survey;

use super::{RATE, take};

pub(crate) fn cost() {
    let sim = take(3300, -12.0, 1, None);
    let mut recorded = Recorded::from_take(&sim);
    let tracks = recorded.tracks.clone();
    let channels: usize = (0..tracks.len()).map(|t| recorded.sound(t).len()).sum();
    let seconds = channels as f64 * tracks[0].frames as f64 / RATE;
    let passes = |each: &mut dyn FnMut(usize, Vec<Block>)| {
        let start = Instant::now();
        for t in 0..tracks.len() {
            let sound = recorded.sound(t);
            let frames = sound[0].len();
            let blocks = (0..frames).step_by(FRAMES).map(|at| {
                let to = (at + FRAMES).min(frames);
                Block::from_channels(sound.iter().map(|c| c[at..to].to_vec()).collect())
            });
            each(t, blocks.collect());
        }
        start.elapsed().as_secs_f64()
    };
    let empty = passes(&mut |_, _| {});
    let survey = passes(&mut |t, blocks| {
        let info = Info {
            rate_hz: RATE as u32,
            channels: recorded.sound(t).len(),
            bit_depth: 24,
            sample_format: SampleFormat::Int,
            frames: tracks[t].frames,
            time_reference_samples: None,
            oddities: Vec::new(),
            truncated: None,
        };
        let mut survey = Survey::new(&info, info.channels);
        blocks.iter().for_each(|b| survey.push(b));
        std::hint::black_box(survey.finish());
    }) - empty;
    let listen = passes(&mut |t, blocks| {
        let mut listener = Listener::new(tracks[t].family, RATE as u32, recorded.sound(t).len());
        blocks.iter().for_each(|b| listener.push(b));
        std::hint::black_box(listener.finish());
    }) - empty;
    let start = Instant::now();
    let alone = relate(&tracks, &mut recorded, None).expect("simulated takes can be read");
    let first = start.elapsed().as_secs_f64();
    let reference = Reference::pool(&[&alone]);
    let start = Instant::now();
    let again = relate(&tracks, &mut recorded, Some(&reference));
    again.expect("simulated takes can be read");
    let second = start.elapsed().as_secs_f64();
    let all = survey + listen + first + second;
    println!("cost of all evidence of a dense take, {seconds:.0} channel-seconds, one core:");
    for (what, time) in [
        ("levels, loudness, findings of one track", survey),
        ("hits: the pass over the sound", listen),
        ("the take's tracks together", first),
        ("once more with what other takes show", second),
        ("all", all),
    ] {
        println!(
            "  {what:42} {:8.0} channel-seconds a second",
            seconds / time
        );
    }
    println!("  at least 400 wanted, goal 1500");
}
