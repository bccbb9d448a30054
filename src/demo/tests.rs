use std::sync::OnceLock;

use realfft::RealFftPlanner;

use super::groove::Way;
use super::space::SOUND_M_S;
use super::*;

/// The demo session, written once for all tests.
fn session() -> &'static (tempfile::TempDir, Summary) {
    static SESSION: OnceLock<(tempfile::TempDir, Summary)> = OnceLock::new();
    SESSION.get_or_init(|| {
        let folder = tempfile::tempdir().unwrap();
        let summary = write(folder.path(), &|_, _| {}).unwrap();
        (folder, summary)
    })
}

fn samples(song: &Song, take: u32, mic: &str) -> (hound::WavSpec, Vec<i32>) {
    let path = session().0.path().join((song.file)(take, mic));
    let mut reader = hound::WavReader::open(&path).unwrap();
    (
        reader.spec(),
        reader.samples().map(|s| s.unwrap()).collect(),
    )
}

fn whole(take: &Take, mic: &Mic) -> bool {
    !take.mishaps.iter().any(
        |mishap| matches!(mishap, Mishap::Unfinished { mic: stopped, .. } if *stopped == mic.name),
    )
}

fn stroke(piece: Piece, at_s: f64) -> Stroke {
    Stroke {
        piece,
        at_s,
        force: 1.0,
        way: Way::Plain,
    }
}

/// What the mics at these places in the song's list hear of some strokes, first channels.
fn heard<const N: usize>(song: &Song, strokes: &[Stroke], mics: [usize; N]) -> [Vec<f64>; N] {
    let take = Take {
        number: 1,
        seconds: 2.0,
        start_s: 0.0,
        mishaps: Vec::new(),
    };
    let scene = scene(song, &take, &song.kit, strokes, RATE_HZ);
    mics.map(|mic| record(song, &take, &song.mics[mic], &scene, RATE_HZ).remove(0))
}

/// Lag (samples by which `b` is later) and value of the largest |cross-correlation| of two windows.
fn best_lag(a: &[f64], b: &[f64], within: i64) -> (i64, f64) {
    let correlation = |lag: i64| -> f64 {
        (1000..a.len() - 1000)
            .map(|n| a[n] * b[(n as i64 + lag) as usize])
            .sum()
    };
    (-within..=within)
        .map(|lag| (lag, correlation(lag)))
        .max_by(|x, y| x.1.abs().total_cmp(&y.1.abs()))
        .unwrap()
}

/// Frequency of the largest line from `low_hz` to `high_hz` in the mean power spectrum of some
/// pieces of sound, between the bins by a parabola through the logarithms.
fn line_hz(pieces: &[&[f64]], low_hz: f64, high_hz: f64) -> f64 {
    let n = 1 << 17; // zeros make the bins 0.37 Hz apart
    let fft = RealFftPlanner::<f64>::new().plan_fft_forward(n);
    let mut power = vec![0.0; n / 2 + 1];
    for piece in pieces {
        let mut windowed: Vec<f64> = (piece.iter().enumerate())
            .map(|(i, x)| {
                x * (std::f64::consts::PI * i as f64 / piece.len() as f64)
                    .sin()
                    .powi(2)
            })
            .collect();
        windowed.resize(n, 0.0);
        let mut spectrum = fft.make_output_vec();
        fft.process(&mut windowed, &mut spectrum).unwrap();
        for (power, line) in power.iter_mut().zip(spectrum) {
            *power += line.norm_sqr();
        }
    }
    let bin = f64::from(RATE_HZ) / n as f64;
    let k = ((low_hz / bin) as usize..(high_hz / bin) as usize)
        .max_by(|a, b| power[*a].total_cmp(&power[*b]))
        .unwrap();
    let (a, b, c) = (power[k - 1].ln(), power[k].ln(), power[k + 1].ln());
    (k as f64 + 0.5 * (a - c) / (a - 2.0 * b + c)) * bin
}

#[test]
fn one_thread_writes_the_same_bytes_as_many() {
    let (folder, summary) = session();
    let again = tempfile::tempdir().unwrap();
    let pool = rayon::ThreadPoolBuilder::new()
        .num_threads(1)
        .build()
        .unwrap();
    let second = pool.install(|| write(again.path(), &|_, _| {})).unwrap();
    assert_eq!(summary.files, second.files);
    for file in &summary.files {
        let read = |folder: &Path| std::fs::read(folder.join(file)).unwrap();
        assert!(read(folder.path()) == read(again.path()), "{file:?}");
    }
}

#[test]
fn the_session_is_as_large_as_promised() {
    let (_, summary) = session();
    assert_eq!(summary.takes.len(), 6);
    for song in songs() {
        assert_eq!(song.takes.len(), 3);
        assert!(song.mics.len() > 12);
        assert!(
            song.takes
                .iter()
                .all(|take| (8.0..=18.0).contains(&take.seconds))
        );
    }
    let files: std::collections::HashSet<_> = summary.files.iter().collect();
    assert_eq!(files.len(), summary.files.len());
}

#[test]
fn files_of_a_take_have_one_length_but_for_the_one_that_was_cut_off() {
    for song in songs() {
        for take in &song.takes {
            for mic in song.mics.iter().filter(|mic| whole(take, mic)) {
                let (spec, samples) = samples(&song, take.number, mic.name);
                assert_eq!(
                    samples.len() / usize::from(spec.channels),
                    frames(take, RATE_HZ)
                );
                assert_eq!(spec.bits_per_sample, mic.bits);
            }
        }
    }
    let song = songs::iron_meadow();
    let path = session().0.path().join((song.file)(1, "Ride"));
    let bytes = std::fs::read(path).unwrap();
    let data = bytes.windows(4).position(|id| id == b"data").unwrap();
    assert_eq!(bytes[4..8], [0; 4]);
    assert_eq!(bytes[data + 4..data + 8], [0; 4]);
    let there = bytes.len() - data - 8;
    assert_eq!(there, (frames(&song.takes[0], RATE_HZ) - 33_600) * 3 - 1);
}

#[test]
fn only_the_planted_file_is_clipped_and_all_have_a_healthy_level() {
    for song in songs() {
        for take in &song.takes {
            for mic in song.mics.iter().filter(|mic| whole(take, mic)) {
                let (spec, samples) = samples(&song, take.number, mic.name);
                let full = 1i32 << (spec.bits_per_sample - 1);
                let clipped = samples
                    .iter()
                    .filter(|s| **s == -full || **s == full - 1)
                    .count();
                let peak = samples.iter().map(|s| s.unsigned_abs()).max().unwrap();
                let peak_dbfs = 20.0 * (f64::from(peak) / f64::from(full)).log10();
                let hot = take.mishaps.iter().any(
                    |mishap| matches!(mishap, Mishap::TooHot { mic: hot, .. } if *hot == mic.name),
                );
                let name = format!("{} {} {}: {peak_dbfs}", song.name, take.number, mic.name);
                let unplayed = mic.name == song.mics[songs::FLOOR_TOM].name
                    && take.mishaps.contains(&Mishap::FloorUnplayed);
                if unplayed {
                    assert!((-36.0..-20.0).contains(&peak_dbfs), "{name}");
                } else if hot {
                    assert!(clipped > 100, "{name}");
                } else {
                    assert_eq!(clipped, 0, "{name}");
                    assert!((-20.0..-4.0).contains(&peak_dbfs), "{name}");
                }
            }
        }
    }
}

#[test]
fn drums_ring_at_the_frequency_they_were_tuned_to() {
    let rate = f64::from(RATE_HZ);
    for song in songs() {
        let drums = [
            (Piece::Kick, song.kit.kick),
            (Piece::Snare, song.kit.snare),
            (Piece::Tom1, song.kit.toms[0]),
            (Piece::Tom2, song.kit.toms[1]),
            (Piece::Floor, song.kit.toms[2]),
        ];
        for (piece, drum) in drums {
            let voices = kit::voices(&song.kit, &[stroke(piece, 0.1)], 48_000, rate, 1);
            let head = voices.iter().find(|v| v.piece == piece && v.name == "head");
            let f = drum.fundamental_hz;
            let found = line_hz(&[&head.unwrap().samples[12_000..]], 0.8 * f, 1.3 * f);
            assert!((found - f).abs() < 0.004 * f, "{piece:?}: {found} for {f}");
        }
    }
}

#[test]
fn the_snare_of_one_take_is_flat_by_what_was_planted() {
    let song = songs::low_tide();
    let tuned = |take: u32| {
        let (_, samples) = samples(&song, take, "SN TOP");
        let sound: Vec<f64> = samples.iter().map(|s| f64::from(*s)).collect();
        let played = &session().1.takes[take as usize - 1];
        assert_eq!((played.song, played.take), (song.name, take));
        // accents of the groove; in the fill, toms ring in the same range
        let accents: Vec<&[f64]> = (played.strokes.iter())
            .filter(|s| s.piece == Piece::Snare && s.force > 0.7 && s.at_s < 6.0)
            .map(|s| (s.at_s * f64::from(RATE_HZ)) as usize)
            .map(|at| &sound[at + 2400..at + 19_200])
            .collect();
        assert!(accents.len() >= 4);
        line_hz(&accents, 170.0, 220.0)
    };
    let flat_hz = tuned(1) - tuned(3);
    assert!((flat_hz - 7.0).abs() < 1.5, "{flat_hz}");
    let same_hz = tuned(1) - tuned(2);
    assert!(same_hz.abs() < 1.5, "{same_hz}");
}

#[test]
fn overheads_hear_the_snare_as_much_later_as_they_are_farther() {
    for song in songs() {
        let place = |mic: usize| match &song.mics[mic].feed {
            Feed::Capsules(capsules) => capsules[0].place,
            Feed::Metronome => unreachable!("a metronome has no place"),
        };
        let snare = kit::place(Piece::Snare).0;
        let metres = |mic: usize| {
            let d: f64 = (0..3).map(|i| (place(mic)[i] - snare[i]).powi(2)).sum();
            d.sqrt()
        };
        let [top, left, right] = heard(
            &song,
            &[stroke(Piece::Snare, 0.1)],
            [songs::SNARE_TOP, 9, 10],
        );
        for (sound, mic) in [(left, 9), (right, 10)] {
            let wanted = (metres(mic) - metres(songs::SNARE_TOP)) / SOUND_M_S * f64::from(RATE_HZ);
            let (lag, value) = best_lag(&top[3000..14_000], &sound[3000..14_000], 400);
            // the wires, 14 cm below, pull the maximum by a few samples
            assert!((lag as f64 - wanted).abs() < 6.0, "{lag} for {wanted:.1}");
            assert!(value > 0.0);
        }
    }
}

#[test]
fn the_bottom_snare_is_against_the_top_unless_the_preamp_flipped_it() {
    for (song, sign) in [(songs::low_tide(), -1.0), (songs::iron_meadow(), 1.0)] {
        let [top, bottom] = heard(
            &song,
            &[stroke(Piece::Snare, 0.1)],
            [songs::SNARE_TOP, songs::SNARE_BOTTOM],
        );
        let (lag, value) = best_lag(&top[3000..14_000], &bottom[3000..14_000], 60);
        assert!(value * sign > 0.0, "{}: {value} at {lag}", song.name);
    }
}

#[test]
fn the_floor_tom_that_is_not_played_still_rings_along() {
    let song = songs::low_tide();
    let played = &session().1.takes[1];
    assert_eq!((played.song, played.take), (song.name, 2));
    assert!(
        played
            .strokes
            .iter()
            .all(|stroke| stroke.piece != Piece::Floor)
    );
    let peak = |take| {
        let (_, samples) = samples(&song, take, "Floor");
        f64::from(samples.iter().map(|s| s.unsigned_abs()).max().unwrap())
    };
    let below_db = 20.0 * (peak(2) / peak(1)).log10();
    assert!((-26.0..-14.0).contains(&below_db), "{below_db} dB");
}

#[test]
fn every_mishap_is_told() {
    let planted = &session().1.planted;
    for code in [
        Code::Polarity,
        Code::NotPlayed,
        Code::Clipped,
        Code::Hum,
        Code::Truncated,
        Code::Detuned,
        Code::UnknownMic,
    ] {
        assert_eq!(
            planted.iter().filter(|p| p.code == code).count(),
            1,
            "{code:?}"
        );
    }
    for plant in planted {
        let song = songs()
            .into_iter()
            .find(|song| song.name == plant.song)
            .unwrap();
        assert!(
            song.mics.iter().any(|mic| mic.name == plant.mic),
            "{plant:?}"
        );
    }
}
