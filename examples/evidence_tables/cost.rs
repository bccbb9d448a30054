//! What all evidence costs, on one core.

use batterhead::analysis::testbed::Recorded;
use batterhead::analysis::{Listener, Reference, relate, sketch};
use batterhead::audio::{Info, SampleFormat};
use batterhead::block::{Block, FRAMES};
use batterhead::measure::Survey;

use super::{RATE, take};

/// Seconds that this thread has had a core; what else runs on the machine does not count. 0 where the
/// system does not tell.
fn cpu_s() -> f64 {
    let told = std::fs::read_to_string("/proc/thread-self/schedstat").unwrap_or_default();
    let nanoseconds = told.split(' ').next().and_then(|n| n.parse::<f64>().ok());
    nanoseconds.unwrap_or(0.0) / 1e9
}

pub(crate) fn cost() {
    let sim = take(3300, -12.0, 1, None);
    let mut recorded = Recorded::from_take(&sim);
    let tracks = recorded.tracks.clone();
    let channels: usize = (0..tracks.len()).map(|t| recorded.sound(t).len()).sum();
    let seconds = channels as f64 * tracks[0].frames as f64 / RATE;
    let passes = |each: &mut dyn FnMut(usize, Vec<Block>)| {
        let start = cpu_s();
        for t in 0..tracks.len() {
            let sound = recorded.sound(t);
            let frames = sound[0].len();
            let blocks = (0..frames).step_by(FRAMES).map(|at| {
                let to = (at + FRAMES).min(frames);
                Block::from_channels(sound.iter().map(|c| c[at..to].to_vec()).collect())
            });
            each(t, blocks.collect());
        }
        cpu_s() - start
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
            inside: Default::default(),
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
    let start = cpu_s();
    let alone = sketch(&tracks, &mut recorded).expect("simulated takes can be read");
    let first = cpu_s() - start;
    let reference = Reference::pool(&[&alone]);
    let start = cpu_s();
    let again = relate(&tracks, &mut recorded, Some(&reference));
    again.expect("simulated takes can be read");
    let second = cpu_s() - start;
    let all = survey + listen + first + second;
    println!("cost of all evidence of a dense take, {seconds:.0} channel-seconds, one core:");
    for (what, time) in [
        ("levels, loudness, findings of one track", survey),
        ("hits: the pass over the sound", listen),
        ("whose hits: what the take shows the others", first),
        ("the take's tracks together, with that", second),
        ("all", all),
    ] {
        println!(
            "  {what:42} {:8.0} channel-seconds a second",
            seconds / time
        );
    }
    println!("  at least 400 wanted, goal 1500");
}
