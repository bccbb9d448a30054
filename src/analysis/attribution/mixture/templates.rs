//! The templates of a mixture: the first ones, and what the gains teach.

use super::{BANDS, Table, Template};

/// Templates of cymbals that have no mic of their own.
const FREE: usize = 3;
/// A foreign drum is at least this much weaker than a mic's own (power ratio).
const FOREIGN: f32 = 0.6;

/// Level of a track's loud moments.
pub(super) fn top_level(table: &Table, chosen: &[usize], track: usize) -> f32 {
    let mut levels: Vec<f32> = chosen.iter().map(|&m| table.level(m, track)).collect();
    levels.sort_by(|a, b| b.total_cmp(a));
    let count = (levels.len() / 20).clamp(3, 50).min(levels.len());
    let sum: f32 = levels[..count].iter().sum();
    sum / count.max(1) as f32 + 1e-20
}

fn quantile(values: &mut [f32], q: f32) -> f32 {
    if values.is_empty() {
        return 0.0;
    }
    let at = ((values.len() - 1) as f32 * q).round() as usize;
    *values.select_nth_unstable_by(at, f32::total_cmp).1
}

/// A template from moments at which the drum's own mic sticks out.
pub(super) fn first_guess(
    table: &Table,
    chosen: &[usize],
    own: &[usize],
    tops: &[f32],
    drum: usize,
) -> Template {
    let share = |moment: usize, drum: usize| table.level(moment, own[drum]) / tops[drum];
    let mut margins: Vec<(f32, usize)> = chosen
        .iter()
        .filter(|&&m| share(m, drum) > 0.06)
        .map(|&m| {
            let strongest = (0..own.len())
                .filter(|&o| o != drum)
                .map(|o| share(m, o))
                .fold(0.01, f32::max);
            (share(m, drum) / strongest, m)
        })
        .collect();
    margins.sort_by(|a, b| b.0.total_cmp(&a.0).then(a.1.cmp(&b.1)));
    let clear = margins
        .iter()
        .take_while(|(margin, _)| *margin > 2.0)
        .count();
    margins.truncate(clear.clamp(5, 200));
    (0..table.dims)
        .map(|d| {
            let mut ratios: Vec<f32> = margins
                .iter()
                .map(|&(_, m)| table.energy(m)[d] / table.level(m, own[drum]).max(1e-20))
                .collect();
            quantile(&mut ratios, 0.4).max(1e-7)
        })
        .collect()
}

/// Cymbals: bright, in the overheads first.
pub(super) fn free_templates(
    table: &Table,
    chosen: &[usize],
    overheads: &[usize],
) -> Vec<Template> {
    let shapes: [[f32; BANDS]; FREE] = [
        [0.0, 0.0, 0.0, 0.02, 0.2, 1.0],
        [0.0, 0.0, 0.1, 0.5, 1.0, 0.7],
        [0.0, 0.0, 0.01, 0.2, 1.0, 0.5],
    ];
    let tracks = table.dims / table.bands;
    let levels: Vec<f32> = (0..tracks)
        .map(|track| {
            let top = top_level(table, chosen, track);
            if overheads.is_empty() || overheads.contains(&track) {
                top
            } else {
                0.05 * top
            }
        })
        .collect();
    let all: f32 = levels.iter().sum::<f32>().max(1e-20);
    shapes
        .iter()
        .map(|shape| {
            levels
                .iter()
                .flat_map(|level| {
                    let shape = &shape[BANDS - table.bands..];
                    shape.iter().map(move |s| (s * level / all).max(1e-9))
                })
                .collect()
        })
        .collect()
}

/// A source's template as the median of what its strokes show where it is the loudest, and how many
/// strokes that were.
pub(super) fn relearn(
    table: &Table,
    chosen: &[usize],
    templates: &[Template],
    gains: &[Vec<f32>],
    source: usize,
) -> (Template, usize) {
    let old = &templates[source];
    let mut all: Vec<f32> = gains.iter().map(|g| g[source]).collect();
    let loud = quantile(&mut all, 0.98);
    let active: Vec<usize> = (0..chosen.len())
        .filter(|&i| gains[i][source] > 0.05 * loud && gains[i][source] > 0.0)
        .collect();
    if active.len() < 3 {
        return (old.clone(), 0);
    }
    let mut new: Template = (0..table.dims)
        .map(|d| {
            let (mut clear, mut upper) = (Vec::new(), Vec::new());
            for &i in &active {
                let gain = gains[i][source];
                let y = table.energy(chosen[i])[d];
                let mine = gain * old[d];
                let rest: f32 = (0..templates.len())
                    .filter(|&s| s != source)
                    .map(|s| gains[i][s] * templates[s][d])
                    .sum();
                if mine > rest {
                    clear.push((y - rest).max(0.0) / gain);
                }
                upper.push(y / gain);
            }
            let value = if clear.len() >= 5.min(active.len()) {
                quantile(&mut clear, 0.5)
            } else {
                old[d].min(quantile(&mut upper, 0.3))
            };
            (value.max(1e-9) * old[d]).sqrt()
        })
        .collect();
    let (before, after) = (old.iter().sum::<f32>(), new.iter().sum::<f32>());
    if after > 0.0 {
        // the scale of a template is fixed, or gains and templates would drift
        for value in &mut new {
            *value *= before / after;
        }
    }
    (new, active.len())
}

/// A drum is loudest in its own mic, measured by what each mic is used to.
pub(super) fn limit_foreign(
    table: &Table,
    template: &mut Template,
    (own, tops): (&[usize], &[f32]),
    drum: usize,
) {
    let sum = |t: &Template, track: usize| -> f32 { t[table.of(track)].iter().sum() };
    let mine = sum(template, own[drum]).max(1e-20);
    for value in template.iter_mut() {
        *value /= mine;
    }
    for (other, &track) in own.iter().enumerate() {
        if other == drum {
            continue;
        }
        let most = FOREIGN * tops[other] / tops[drum];
        let is = sum(template, track);
        if is > most {
            for value in &mut template[table.of(track)] {
                *value *= most / is;
            }
        }
    }
}

/// A cymbal has nothing below 250 Hz.
pub(super) fn limit_free(table: &Table, template: &mut Template) {
    let low = 2usize.saturating_sub(BANDS - table.bands);
    for bands in template.chunks_mut(table.bands) {
        bands[..low].fill(1e-9);
    }
}
