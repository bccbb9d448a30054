//! The top of a curve between its points.

/// How far the vertex of the parabola through three neighbouring points lies behind the middle one, in
/// steps; `None` where they bend upwards or not at all.
pub(crate) fn vertex(before: f64, middle: f64, after: f64) -> Option<f64> {
    let bend = before - 2.0 * middle + after;
    (bend < 0.0).then(|| 0.5 * (before - after) / bend)
}

#[cfg(test)]
mod tests {
    use super::vertex;

    #[test]
    fn the_vertex_of_a_parabola_is_found_exactly() {
        let y = |x: f64| 3.0 - 2.0 * (x - 0.25) * (x - 0.25);
        assert_eq!(vertex(y(-1.0), y(0.0), y(1.0)), Some(0.25));
        assert_eq!(vertex(1.0, 0.0, 1.0), None);
        assert_eq!(vertex(1.0, 1.0, 1.0), None);
    }
}
