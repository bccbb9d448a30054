//! Fits the weights of hit attribution and prints them, or proves the weights that are built in.
//!
//! `cargo run --release --example fit_hits` fits them on the recorded kits of the fitting half, in all
//! their set-ups, and, for toms, hat and ride, on songs in the room of the demo. `… -- --prove` prints, for the
//! recorded kits of the other half, how many of the moments that were given a probability were strokes.
//! Both read the recordings (`tests/bed/mod.rs` says where they are); `--keep FOLDER` leaves
//! the rendered takes there and takes them from there.

use std::path::{Path, PathBuf};

use batterhead::analysis::{
    Example, FEATURES, FIRST, Recorded, Reference, TakeTrack, examples, sketch,
};
use batterhead::demo::{self, groove::Piece};
use batterhead::session::Family;
use clap::Parser;
use rayon::prelude::*;

#[path = "../../tests/bed/mod.rs"]
mod bed;
mod songs;

#[derive(Parser)]
struct Arguments {
    /// What the built-in probabilities are worth on the other half
    #[arg(long)]
    prove: bool,
    /// Where rendered takes are kept from run to run
    #[arg(long)]
    keep: Option<PathBuf>,
}

/// A moment belongs to a stroke of its drum this near to it; cymbals swell, and one hat of kit 4 has
/// its attack 14 ms behind its onset.
fn near_ms(family: Family) -> f64 {
    match family {
        Family::Hat | Family::Cymbal => 18.0,
        _ => 10.0,
    }
}

struct Row {
    x: [f32; FEATURES],
    in_time: f32,
    family: Family,
    is_ride: bool,
    own: bool,
    /// How many moments it counts as.
    weight: f64,
    /// By the weights that are built in.
    p: f32,
}

/// First and last millisecond of each stroke.
type Spans = Vec<(f64, f64)>;

/// The moments of a take beside the strokes of each drum.
fn rows(found: Vec<Example>, spans: &dyn Fn(&str) -> Spans) -> Vec<Row> {
    let mut rows = Vec::new();
    for (name, family, moments) in found {
        let (spans, near) = (spans(&name), near_ms(family));
        rows.extend(moments.into_iter().map(|moment| {
            let at = moment.at_parts as f64 / 4.0;
            let own = spans.iter().any(|s| at > s.0 - near && at < s.1 + near);
            Row {
                x: moment.features,
                in_time: moment.in_time,
                family,
                is_ride: name == "ride",
                own,
                weight: 1.0,
                p: moment.probability,
            }
        }));
    }
    rows
}

/// Takes of one set-up: each as it is alone, and with what all have shown.
fn hear(
    takes: &mut [(Vec<TakeTrack>, Recorded)],
    spans: &dyn Fn(usize, &str) -> Spans,
    alone: bool,
) -> Vec<Row> {
    let sketches: Vec<_> = takes
        .iter_mut()
        .map(|(tracks, material)| sketch(tracks, material).expect("takes in memory can be read"))
        .collect();
    let reference = Reference::pool(&sketches.iter().map(|d| &d[..]).collect::<Vec<_>>());
    let mut all = Vec::new();
    for (i, (tracks, material)) in takes.iter_mut().enumerate() {
        for known in [None, Some(&reference)] {
            if known.is_some() || alone {
                let found = examples(tracks, material, known).expect("takes in memory can be read");
                all.extend(rows(found, &|drum| spans(i, drum)));
            }
        }
    }
    all
}

fn recorded(halves: &[bed::Half], alone: bool, keep: Option<&Path>) -> Vec<Row> {
    let Some(sources) = bed::sources() else {
        std::process::exit(1)
    };
    let setups: Vec<bed::Setup> = halves.iter().flat_map(|half| bed::setups(*half)).collect();
    let hear = |setup| {
        let mut session = bed::Session::new(&sources, setup);
        session.keep = keep.map(Path::to_path_buf);
        hear_session(&session, setup, alone)
    };
    setups.par_iter().flat_map_iter(hear).collect()
}

fn hear_session(session: &bed::Session, setup: &bed::Setup, alone: bool) -> Vec<Row> {
    let mut takes = Vec::new();
    let mut events = Vec::new();
    for number in 0..setup.takes.len() {
        let mut take = session.record(number);
        let material = take.material();
        take.sound = Vec::new();
        takes.push((material.tracks.clone(), material));
        events.push(take);
    }
    let spans = |take: usize, drum: &str| {
        let events = events[take].events(drum);
        events.iter().map(|e| (e.first_ms, e.last_ms)).collect()
    };
    let rows = hear(&mut takes, &spans, alone);
    eprintln!("heard {}", setup.name);
    rows
}

/// Toms, hat and ride in the takes of a song, in the room of the demo.
fn in_the_demo(song: &demo::songs::Song) -> Vec<Row> {
    let (mut takes, mut played) = (Vec::new(), Vec::new());
    for take in &song.takes {
        let (material, strokes) = demo::heard(song, take, |_| true);
        takes.push((material.tracks.clone(), material));
        played.push(strokes);
    }
    let spans = |take: usize, drum: &str| {
        let piece = match drum {
            "hat" => Some(Piece::Hat),
            "ride" => Some(Piece::Ride),
            "tom-1" => Some(Piece::Tom1),
            "tom-2" => Some(Piece::Tom2),
            "tom-3" => Some(Piece::Floor),
            _ => None,
        };
        let own = played[take].iter().filter(|s| Some(s.piece) == piece);
        own.map(|s| (s.at_s * 1000.0, s.at_s * 1000.0)).collect()
    };
    let mut rows = hear(&mut takes, &spans, true);
    rows.retain(|row| matches!(row.family, Family::Hat | Family::Cymbal | Family::Tom));
    // as much of the ride as of that of a recorded kit
    for row in rows.iter_mut().filter(|row| row.is_ride) {
        row.weight = 4.0;
    }
    rows
}

/// Newton's method on the regularised likelihood: the weights of what is known of each moment (`inputs`),
/// all as long. `ridge` pulls the weights towards nothing, in moments.
fn fit(inputs: &[Vec<f32>], rows: &[&Row], ridge: f64) -> Vec<f64> {
    let count = inputs.first().map_or(0, Vec::len);
    let scale = (0..count).map(|i| {
        let sum: f64 = inputs.iter().map(|x| f64::from(x[i]).powi(2)).sum();
        (sum / inputs.len() as f64).sqrt().max(1e-3)
    });
    let scale: Vec<f64> = scale.collect();
    let mut w = vec![0.0; count];
    for _ in 0..30 {
        let mut h = vec![vec![0.0; count + 1]; count];
        for (x, row) in inputs.iter().zip(rows) {
            let x: Vec<f64> = x
                .iter()
                .zip(&scale)
                .map(|(x, s)| f64::from(*x) / s)
                .collect();
            let z: f64 = x.iter().zip(&w).map(|(x, w)| x * w).sum();
            let p = 1.0 / (1.0 + (-z.clamp(-30.0, 30.0)).exp());
            let y = if row.own { 1.0 } else { 0.0 };
            for i in 0..count {
                for j in 0..count {
                    h[i][j] += row.weight * x[i] * x[j] * p * (1.0 - p);
                }
                h[i][count] += row.weight * x[i] * (y - p);
            }
        }
        for i in 0..count {
            h[i][i] += ridge;
            h[i][count] -= ridge * w[i];
        }
        for i in 0..count {
            let pivot = (i..count)
                .max_by(|&a, &b| h[a][i].abs().total_cmp(&h[b][i].abs()))
                .unwrap_or(i);
            h.swap(i, pivot);
            let top = h[i].clone();
            for (_, row) in h.iter_mut().enumerate().filter(|(r, _)| *r != i) {
                let factor = row[i] / top[i];
                for (value, above) in row.iter_mut().zip(&top).skip(i) {
                    *value -= factor * above;
                }
            }
        }
        for i in 0..count {
            w[i] += h[i][count] / h[i][i];
        }
    }
    w.iter().zip(scale).map(|(w, s)| w / s).collect()
}

/// Of the moments given about this probability, how many are strokes.
fn reliability(rows: &[Row]) {
    const EDGES: [f32; 9] = [0.02, 0.05, 0.1, 0.2, 0.35, 0.5, 0.7, 0.85, 0.95];
    println!("| probability | moments | mean of it | are strokes |\n| --- | --- | --- | --- |");
    for (i, from) in EDGES.iter().enumerate() {
        let to = EDGES.get(i + 1).copied().unwrap_or(1.01);
        let inside: Vec<&Row> = rows.iter().filter(|r| r.p >= *from && r.p < to).collect();
        let count = inside.len().max(1) as f32;
        let mean = inside.iter().map(|r| r.p).sum::<f32>() / count;
        let own = inside.iter().filter(|r| r.own).count() as f32 / count;
        let to = to.min(1.0);
        println!(
            "| {from:.2} to {to:.2} | {} | {mean:.2} | {own:.2} |",
            inside.len()
        );
    }
}

/// Which weights there are, by how many features, and with which ridge: that of cymbals is found by
/// fitting on one kit of the half and looking at the other.
const WEIGHTS: [(Family, &str, usize, f64); 6] = [
    (Family::Kick, "KICK", FIRST, 3.0),
    (Family::Snare, "SNARE", FIRST, 3.0),
    (Family::Tom, "TOM", FIRST, 3.0),
    (Family::Hat, "HAT", FEATURES, 3.0),
    (Family::Cymbal, "CYMBAL", FEATURES, 1.0),
    (Family::Cymbal, "RIDE", FEATURES, 100.0),
];

fn main() {
    let Arguments { prove, keep } = Arguments::parse();
    if prove {
        let rows = recorded(&[bed::Half::Prove], false, keep.as_deref());
        println!("all drums");
        reliability(&rows);
        return;
    }
    let halves = [bed::Half::Fit, bed::Half::More];
    let mut all = recorded(&halves, true, keep.as_deref());
    all.extend(songs::songs().iter().flat_map(in_the_demo));
    eprintln!("{} moments", all.len());
    for (family, name, count, ridge) in WEIGHTS {
        let of = |row: &&Row| row.family == family && row.is_ride == (name == "RIDE");
        let rows: Vec<&Row> = all.iter().filter(of).collect();
        let inputs = rows.iter().map(|row| row.x[..count].to_vec()).collect();
        let w = print(name, &rows, inputs, ridge);
        if matches!(name, "HAT" | "RIDE") {
            let odds = |row: &Row| row.x.iter().zip(&w).map(|(x, w)| x * *w as f32).sum();
            let inputs = rows.iter().map(|row| vec![1.0, odds(row), row.in_time]);
            print(&format!("{name}_IN_TIME"), &rows, inputs.collect(), 0.1);
        }
    }
}

fn print(name: &str, rows: &[&Row], inputs: Vec<Vec<f32>>, ridge: f64) -> Vec<f64> {
    let w = fit(&inputs, rows, ridge).into_iter();
    let w: Vec<f64> = w.map(|w| (w * 1e4).round() / 1e4).collect();
    println!("const {name}: [f32; {}] = {w:?};", w.len());
    w
}
