use super::*;

const RATE: f64 = 48e3;

fn gate(range_db: f64, openings: &[(u64, f64, u64)]) -> Gate {
    let opening = |&(at, by, hold): &(u64, f64, u64)| Opening { at, by, hold };
    Gate {
        range_db,
        close_db_per_s: Some(200.0),
        openings: Some(openings.iter().map(opening).collect()),
    }
}

fn run(settings: &Gate, input: &[f64], size: usize) -> Vec<f64> {
    let mut running = settings.start(RATE, 1);
    let mut output = Vec::new();
    for part in input.chunks(size) {
        let mut block = Block::from_channels(vec![part.to_vec()]);
        running.process(&mut block);
        output.extend_from_slice(block.channel(0));
    }
    output
}

fn sine(freq_hz: f64, frames: usize) -> Vec<f64> {
    let step = 2.0 * std::f64::consts::PI * freq_hz / RATE;
    (0..frames).map(|n| maths::sin(step * n as f64)).collect()
}

#[test]
fn it_is_open_a_millisecond_ahead_of_the_hit_and_closes_along_its_slope() {
    let output = run(&gate(-40.0, &[(10_000, 1.0, 4800)]), &[1.0; 60_000], 4096);
    let db = |n: usize| maths::ratio_to_db(output[n]);
    assert!((db(10_000 - 192 - 37) + 40.0).abs() < 1e-9);
    assert!((output[10_000 - 120] - 0.505).abs() < 0.006); // half-way up the raised cosine
    assert!(
        output[10_000 - 11..=14_800 - 37]
            .iter()
            .all(|&g| (g - 1.0).abs() < 1e-15)
    );
    for ms in [10, 50, 150] {
        let expected = -0.2 * f64::from(ms);
        assert!((db(14_800 + 48 * ms as usize) - expected).abs() < 3e-3);
    }
    assert!(output[25_000..].iter().all(|&g| g == output[0]));
}

#[test]
fn a_range_of_zero_and_a_gate_not_decided_change_nothing() {
    let input = sine(100.0, 20_000);
    assert_eq!(run(&gate(0.0, &[(5000, 0.5, 100)]), &input, 512), input);
    let open = Gate {
        openings: None,
        ..gate(-60.0, &[])
    };
    assert_eq!(run(&open, &input, 512), input);
}

#[test]
fn without_a_hit_it_stays_closed_at_its_range() {
    let input = sine(100.0, 20_000);
    let gain = maths::db_to_ratio(-24.0);
    let output = run(&gate(-24.0, &[]), &input, 512);
    assert!(output.iter().zip(&input).all(|(y, x)| *y == gain * x));
}

#[test]
fn of_overlapping_hits_the_larger_gain_counts() {
    let (a, b) = ((4000, 1.0, 3000), (9000, 0.5, 6000));
    let ones = [1.0; 40_000];
    let both = run(&gate(-30.0, &[a, b]), &ones, 64);
    let (one, other) = (
        run(&gate(-30.0, &[a]), &ones, 64),
        run(&gate(-30.0, &[b]), &ones, 64),
    );
    for n in 0..both.len() {
        // Where they cross, the rounded corner lies a little above.
        let larger = one[n].max(other[n]);
        assert!(both[n] >= larger - 1e-15 && both[n] < larger + 0.05, "{n}");
    }
    // Half open is about −6 dB.
    assert!((maths::ratio_to_db(other[10_000]) + 5.75).abs() < 0.05);
}

#[test]
fn a_gated_sine_does_not_click() {
    // Full scale, 100 Hz: what lies above 2 kHz, re the whole; a hit every 50 ms at changing phases,
    // half of them overlapping the last one's closing.
    let frames = 1 << 16;
    let input = sine(100.0, frames);
    for (range_db, close, hold) in [
        (-24.0, 120.0, 2000),
        (-40.0, 600.0, 500),
        (-80.0, 2000.0, 100),
    ] {
        let openings: Vec<_> = (0..25)
            .map(|i| (2000 + 2377 * i, 1.0 - 0.5 * (i % 2) as f64, hold))
            .collect();
        let settings = Gate {
            close_db_per_s: Some(close),
            ..gate(range_db, &openings)
        };
        let mut output = run(&settings, &input, 4096);
        for (n, y) in output.iter_mut().enumerate() {
            let phase = 2.0 * std::f64::consts::PI * n as f64 / frames as f64;
            *y *= 0.375 - 0.5 * maths::cos(phase) + 0.125 * maths::cos(2.0 * phase);
        }
        let fft = realfft::RealFftPlanner::<f64>::new().plan_fft_forward(frames);
        let mut bins = fft.make_output_vec();
        fft.process(&mut output, &mut bins).unwrap();
        let from = (2000.0 / RATE * frames as f64) as usize;
        let power = |bins: &[realfft::num_complex::Complex<f64>]| {
            bins.iter().map(|c| c.norm_sqr()).sum::<f64>()
        };
        let db = 10.0 * maths::log10(power(&bins[from..]) / power(&bins));
        println!("range {range_db} dB, closing {close} dB/s: {db:.1} dB above 2 kHz");
        assert!(db < -75.0, "{range_db} {close}: {db}");
    }
}

#[test]
fn how_the_stream_is_cut_changes_no_bit() {
    let input = sine(333.0, 30_000);
    let settings = gate(
        -50.0,
        &[
            (0, 1.0, 100),
            (100, 1.0, 3000),
            (9000, 0.5, 10),
            (20_000, 1.0, 0),
        ],
    );
    let whole = run(&settings, &input, 30_000);
    for size in [1, 7, 64, 4096] {
        assert_eq!(run(&settings, &input, size), whole);
    }
    assert_eq!(run(&settings, &[1.0; 50], 7)[..48], [1.0; 48]);
}

fn struck(hits: &[GateHit], ring_s: Option<f64>) -> Struck<'_> {
    Struck {
        hits,
        ring_s,
        floor_dbfs: -50.0,
        rests: false,
    }
}

#[test]
fn openings_follow_probability_level_and_ring() {
    let hit = |frame, probability, level_dbfs| GateHit {
        frame,
        probability,
        level_dbfs,
        loud: false,
        soft: false,
    };
    let hits = [
        hit(9000, 0.3, -20.0),
        hit(1000, 0.9, -10.0),
        hit(5000, 0.05, -30.0),
        hit(30_000, 0.5, -48.0),
        hit(50_000, 0.3, -10.0),
    ];
    let settings = Gate {
        close_db_per_s: None,
        openings: None,
        ..gate(-24.0, &[])
    };
    let decided = settings.decide(struck(&hits, Some(1.2)), RATE);
    // 50 dB a second: from −10 to −47 takes 740 ms, from −20 540 ms; −48 is below, so the shortest hold. An
    // unsure hit is held for 550 ms at most.
    let expected = [
        (1000, 1.0, 35_520),
        (9000, 0.5, 25_920),
        (30_000, 1.0, 26_400),
        (50_000, 0.5, 26_400),
    ];
    assert_eq!(
        decided.gate,
        Gate {
            close_db_per_s: Some(50.0),
            ..gate(-24.0, &expected)
        }
    );
    assert_eq!((decided.sure, decided.unsure), (2, 2));
    let rests = Struck {
        rests: true,
        ..struck(&hits, Some(1.2))
    };
    let openings = settings.decide(rests, RATE).gate.openings.expect("some");
    assert!(openings.len() == 4 && openings.iter().all(|o| o.by == 0.5));

    // What is as loud as the drum's own strokes opens it a step further.
    let loud = |probability| GateHit {
        loud: true,
        ..hit(0, probability, -20.0)
    };
    let by = |hit| settings.decide(struck(&[hit], None), RATE).gate.openings;
    let by = |hit| by(hit).expect("some").iter().map(|o| o.by).next();
    assert_eq!(
        [0.1, 0.2, 0.5].map(|p| by(loud(p))),
        [0.5, 1.0, 1.0].map(Some)
    );
    let soft = [0.1, 0.2, 0.5].map(|p| by(hit(0, p, -20.0)));
    assert_eq!(soft, [None, Some(0.5), Some(1.0)]);

    let quiet = GateHit {
        soft: true,
        ..hit(0, 0.8, -20.0)
    };
    assert_eq!(by(quiet), Some(0.5));
    // while a stroke holds it open, here for half a second, a soft one is as good
    let phrase = [
        quiet,
        hit(100, 0.9, -45.0),
        GateHit {
            frame: 26_000,
            ..quiet
        },
        GateHit {
            frame: 90_000,
            ..quiet
        },
    ];
    let openings = settings
        .decide(struck(&phrase, Some(0.5)), RATE)
        .gate
        .openings;
    let by: Vec<f64> = openings.iter().flatten().map(|o| o.by).collect();
    assert_eq!(by, [0.5, 1.0, 1.0, 0.5]);

    let nothing = settings.decide(struck(&[], Some(2.0)), RATE).gate;
    assert_eq!(
        (nothing.range_db, nothing.close_db_per_s),
        (-24.0, Some(30.0))
    );
    let unknown = settings.decide(struck(&[], None), RATE).gate;
    assert_eq!(unknown.close_db_per_s, Some(40.0));
}

#[test]
fn settings_out_of_range_are_all_named() {
    let mut wrong = gate(1.0, &[(0, f64::NAN, 0)]);
    wrong.close_db_per_s = Some(5.0);
    let keys: Vec<_> = wrong.check(RATE).iter().map(|fault| fault.key).collect();
    assert_eq!(keys, ["range_db", "close_db_per_s", "openings"]);
    assert_eq!(gate(-80.0, &[(1, 1.0, 1)]).check(RATE), []);
}
