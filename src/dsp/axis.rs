//! The frequency axis of every picture: logarithmic, three decades from 20 Hz to 20 kHz.

/// Its decades.
pub(crate) const DECADES: f64 = 3.0;
const LOW_HZ: f64 = 20.0;

/// Frequencies that are named on it, in hertz.
pub(crate) const NAMED: [(f64, &str); 10] = [
    (20.0, "20"),
    (50.0, "50"),
    (100.0, "100"),
    (200.0, "200"),
    (500.0, "500"),
    (1000.0, "1k"),
    (2000.0, "2k"),
    (5000.0, "5k"),
    (10_000.0, "10k"),
    (20_000.0, "20k"),
];

/// The frequency at a place from 0 to 1, in hertz.
pub(crate) fn at(position: f64) -> f64 {
    LOW_HZ * 10f64.powf(position * DECADES)
}

/// The place of a frequency.
pub(crate) fn position(hz: f64) -> f64 {
    (hz / LOW_HZ).log10() / DECADES
}
