use super::*;

/// Antiderivatives written down by hand, as an independent reference.
struct Reference {
    f: fn(f64) -> f64,
    first: fn(f64) -> f64,
    second: fn(f64) -> f64,
}

fn odd(x: f64, of: impl Fn(f64) -> f64) -> f64 {
    of(x.abs()) * if x < 0.0 { -1.0 } else { 1.0 }
}

const SOFT: Reference = Reference {
    f: |x| {
        odd(x, |a| {
            if a < 1.0 {
                1.5 * a - 0.5 * a.powi(3)
            } else {
                1.0
            }
        })
    },
    first: |x| {
        let a = x.abs();
        if a < 1.0 {
            0.75 * a.powi(2) - a.powi(4) / 8.0
        } else {
            a - 3.0 / 8.0
        }
    },
    second: |x| {
        odd(x, |a| {
            if a < 1.0 {
                a.powi(3) / 4.0 - a.powi(5) / 40.0
            } else {
                a * a / 2.0 - 3.0 / 8.0 * a + 0.1
            }
        })
    },
};

const HARD: Reference = Reference {
    f: |x| {
        odd(x, |a| {
            if a < 0.75 {
                a
            } else if a < 1.25 {
                a - (a - 0.75).powi(2)
            } else {
                1.0
            }
        })
    },
    first: |x| {
        let a = x.abs();
        if a < 0.75 {
            a * a / 2.0
        } else if a < 1.25 {
            a * a / 2.0 - (a - 0.75).powi(3) / 3.0
        } else {
            a - 49.0 / 96.0
        }
    },
    second: |x| {
        odd(x, |a| {
            if a < 0.75 {
                a.powi(3) / 6.0
            } else if a < 1.25 {
                a.powi(3) / 6.0 - (a - 0.75).powi(4) / 12.0
            } else {
                a * a / 2.0 - 49.0 / 96.0 * a + 17.0 / 96.0
            }
        })
    },
};

fn each_curve(mut test: impl FnMut(&Reference, fn(f64) -> f64, fn(&[f64], &mut [f64]))) {
    test(&SOFT, Soft::at, antialiased::<Soft>);
    test(&HARD, Hard::at, antialiased::<Hard>);
}

/// Different numbers from −`range` to `range`, without an order.
fn scattered(range: f64, count: usize) -> Vec<f64> {
    let golden = |i: usize| (i as f64 * 0.618_033_988_749_894_9).fract();
    (0..count)
        .map(|i| range * (2.0 * golden(i) - 1.0))
        .collect()
}

#[test]
fn the_reference_antiderivatives_differentiate_back() {
    each_curve(|reference, at, _| {
        for i in -3000..=3000 {
            let (x, h) = (f64::from(i) * 1e-3 + 1e-4, 1e-5);
            let slope = |f: fn(f64) -> f64| (f(x + h) - f(x - h)) / (2.0 * h);
            assert!(
                (slope(reference.second) - (reference.first)(x)).abs() < 1e-9,
                "{x}"
            );
            assert!(
                (slope(reference.first) - (reference.f)(x)).abs() < 1e-9,
                "{x}"
            );
            assert!((at(x) - (reference.f)(x)).abs() < 1e-15, "{x}");
        }
    });
}

#[test]
fn the_mean_under_the_hat_is_twice_the_second_divided_difference() {
    each_curve(|reference, _, shaped| {
        for range in [0.5, 1.5, 4.0, 60.0] {
            let x = scattered(range, 4000);
            let mut y = vec![0.0; x.len() - 2];
            shaped(&x, &mut y);
            for (y, x) in y.iter().zip(x.windows(3)) {
                let first =
                    |a: f64, b: f64| ((reference.second)(a) - (reference.second)(b)) / (a - b);
                let expected = 2.0 * (first(x[0], x[1]) - first(x[1], x[2])) / (x[0] - x[2]);
                assert!((y - expected).abs() < 1e-12, "{x:?}: {y} {expected}");
            }
        }
    });
}

#[test]
fn nearly_equal_samples_keep_their_digits() {
    each_curve(|_, at, shaped| {
        for knot in [0.75, 1.0, 1.25, -1.0, -0.75, 0.2, 30.0] {
            for step in [0.0, 1e-15, 1e-12, 1e-9, 1e-6] {
                let mut y = [0.0; 3];
                let x = [
                    knot - step,
                    knot + step,
                    knot,
                    knot - 2.0 * step,
                    knot + step,
                ];
                shaped(&x, &mut y);
                assert!(
                    y.iter().all(|y| (y - at(knot)).abs() < 1e-15 + 4.0 * step),
                    "{knot} {step}"
                );
            }
        }
    });
}

#[test]
fn chebyshev_polynomials_confirm_the_soft_curve() {
    // x = cos t: x³ = (3T₁ + T₃)/4, so the full-scale curve gives 1.5 − 3/8 and −1/8.
    let expected = [1.125, -0.125, 0.0];
    for (k, expected) in [1.0, 3.0, 5.0].into_iter().zip(expected) {
        let n = 64;
        let sum: f64 = (0..n)
            .map(|i| {
                let t = 2.0 * std::f64::consts::PI * f64::from(i) / f64::from(n);
                Soft::at(t.cos()) * (k * t).cos()
            })
            .sum();
        assert!((2.0 * sum / f64::from(n) - expected).abs() < 1e-14);
    }
}

#[test]
fn samples_side_by_side_have_the_bits_of_one_at_a_time() {
    fn one_at_a_time<S: Shape>(x: &[f64], y: &mut [f64]) {
        for (y, x) in y.iter_mut().zip(x.windows(3)) {
            *y = near_mean::<S>(x[0], x[1], x[2]);
            far_means::<S>(x, std::slice::from_mut(y));
        }
    }
    for range in [0.5, 0.9, 1.3, 3.0, 40.0] {
        let mut x = scattered(range, 2000);
        for part in x.chunks_exact_mut(100).step_by(3) {
            part.sort_by(f64::total_cmp); // so that all kinds of chunks occur
        }
        for (shaped, alone) in [
            (
                antialiased::<Soft> as fn(&[f64], &mut [f64]),
                one_at_a_time::<Soft> as fn(&[f64], &mut [f64]),
            ),
            (antialiased::<Hard>, one_at_a_time::<Hard>),
        ] {
            let mut y = [vec![0.0; 1998], vec![0.0; 1998]];
            shaped(&x, &mut y[0]);
            alone(&x, &mut y[1]);
            assert!(y[0] == y[1], "{range}");
        }
    }
}

#[test]
fn how_the_stream_is_cut_changes_no_bit() {
    each_curve(|_, _, shaped| {
        let x = scattered(2.0, 300);
        let mut whole = vec![0.0; 298];
        shaped(&x, &mut whole);
        for size in [1, 7, 64] {
            let mut parts = vec![0.0; 298];
            for (i, y) in parts.chunks_mut(size).enumerate() {
                shaped(&x[i * size..i * size + y.len() + 2], y);
            }
            assert_eq!(whole, parts);
        }
    });
}
