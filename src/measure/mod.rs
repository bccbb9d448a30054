//! [`Levels`]: the figures of a track, before and after. Blocks in, plain data out.

use serde::{Deserialize, Serialize};

pub use meter::Meter;
pub use survey::Survey;

pub mod bands;
pub(crate) mod clipped;
pub mod inspect;
mod k_weighting;
pub(crate) mod lanes;
pub mod loudness;
pub mod matcher;
mod meter;
mod survey;
#[cfg(test)]
pub(crate) mod testing;
mod ticks;
pub mod true_peak;
pub mod waveform;

/// Figures of the contract, unrounded. Absent where undefined (silence, too short), never −∞.
/// Figures of a stereo track are over both channels: peaks the larger, RMS of all samples.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Levels {
    /// Largest absolute sample.
    pub sample_peak_dbfs: Option<f64>,
    /// Largest value between the samples too (ITU-R BS.1770-5 Annex 2), never below the sample peak.
    pub true_peak_dbtp: Option<f64>,
    /// Gated loudness (BS.1770-5); a mono track counts as one front channel.
    pub integrated_lufs: Option<f64>,
    /// Largest loudness of 400 ms.
    pub momentary_max_lufs: Option<f64>,
    /// Largest loudness of 3 s.
    pub short_term_max_lufs: Option<f64>,
    /// EBU Tech 3342.
    pub loudness_range_lu: Option<f64>,
    /// Plain RMS: a full-scale sine reads −3.01.
    pub rms_dbfs: Option<f64>,
    /// Sample peak less RMS.
    pub crest_factor_db: Option<f64>,
    /// Mean of the samples, full scale 1.
    pub dc_offset: f64,
    /// Samples in runs that are cut flat.
    pub clipped_samples: u64,
    /// The same of each channel, where there is more than one.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub channels: Vec<Levels>,
}

impl Levels {
    /// What they would be with so much gain. The gates of the loudness are taken to lie relative to
    /// it, as they do but for tracks near −70 LUFS; flat tops are left as they are.
    pub fn louder_by(&self, db: f64) -> Self {
        let by = |level: Option<f64>| level.map(|level| level + db);
        Self {
            sample_peak_dbfs: by(self.sample_peak_dbfs),
            true_peak_dbtp: by(self.true_peak_dbtp),
            integrated_lufs: by(self.integrated_lufs),
            momentary_max_lufs: by(self.momentary_max_lufs),
            short_term_max_lufs: by(self.short_term_max_lufs),
            loudness_range_lu: self.loudness_range_lu,
            rms_dbfs: by(self.rms_dbfs),
            crest_factor_db: self.crest_factor_db,
            dc_offset: self.dc_offset * crate::dsp::maths::db_to_ratio(db),
            clipped_samples: self.clipped_samples,
            channels: self
                .channels
                .iter()
                .map(|levels| levels.louder_by(db))
                .collect(),
        }
    }
}
