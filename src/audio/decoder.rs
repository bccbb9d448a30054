//! FLAC and AIFF through symphonia, as a stream of blocks.
//!
//! Packets have to follow one another without a gap: where one is broken, missing, or the file ends
//! early, the whole file is an error that names the time. Samples of every depth come
//! left-justified in 32 bits, so that full scale is ±1.0 whatever the depth.

use std::fs::File;
use std::path::{Path, PathBuf};

use symphonia::core::codecs::audio::{AudioDecoder, AudioDecoderOptions};
use symphonia::core::errors::Error as Failure;
use symphonia::core::formats::probe::Hint;
use symphonia::core::formats::{FormatReader, SeekMode, SeekTo, TrackType};
use symphonia::core::io::MediaSourceStream;
use symphonia::core::units::Timestamp;

use super::{AudioRead, Info, SampleFormat};
use crate::block::Block;
use crate::error::{Error, Result};

/// A FLAC or AIFF file being read.
pub struct Decoder {
    format: Box<dyn FormatReader>,
    decoder: Box<dyn AudioDecoder>,
    track: u32,
    path: PathBuf,
    info: Info,
    /// Next frame to give out.
    position: u64,
    /// Samples of the last packet, one vector a channel.
    packet: Vec<Vec<f64>>,
    /// Number of the packet's first frame.
    packet_start: u64,
}

impl Decoder {
    /// Reads the header. An AIFF or FLAC file that does not say its length is read once to count.
    pub fn open(file: File, path: &Path) -> Result<Self> {
        let failed = |failure: Failure| Error::file(path, words(&failure));
        let stream = MediaSourceStream::new(Box::new(file), Default::default());
        let probe = symphonia::default::get_probe();
        let format = probe
            .probe(&Hint::new(), stream, Default::default(), Default::default())
            .map_err(failed)?;
        let track = format
            .default_track(TrackType::Audio)
            .ok_or_else(|| Error::file(path, "has no audio in it"))?;
        let params = track
            .codec_params
            .as_ref()
            .and_then(|params| params.audio())
            .ok_or_else(|| Error::file(path, "has audio of an unknown kind"))?;
        let decoder = symphonia::default::get_codecs()
            .make_audio_decoder(params, &AudioDecoderOptions::default())
            .map_err(failed)?;
        let (Some(rate_hz), Some(channels)) = (params.sample_rate, params.channels.as_ref()) else {
            return Err(Error::file(
                path,
                "does not say its sample rate or channels",
            ));
        };
        let channels = channels.count();
        if !crate::wav::RATES_HZ.contains(&rate_hz) || !(1..=64).contains(&channels) {
            return Err(Error::file(
                path,
                format!("has {channels} channels at {rate_hz} Hz, which cannot be read"),
            ));
        }
        // A float track names no depth of its own.
        let last = decoder.last_decoded();
        use symphonia::core::audio::GenericAudioBufferRef as Buffer;
        let (sample_format, bits) = match last {
            Buffer::F32(_) => (SampleFormat::Float, 32),
            Buffer::F64(_) => (SampleFormat::Float, 64),
            _ => (SampleFormat::Int, params.bits_per_sample.unwrap_or(0)),
        };
        let mut oddities = Vec::new();
        let track_id = track.id;
        let mut info = Info {
            rate_hz,
            channels,
            bit_depth: u16::try_from(bits).unwrap_or(0),
            sample_format,
            frames: 0,
            time_reference_samples: None,
            oddities: Vec::new(),
            truncated: None,
        };
        let stated = track.num_frames.filter(|frames| *frames > 0);
        let mut this = Self {
            format,
            decoder,
            track: track_id,
            path: path.to_owned(),
            info: info.clone(),
            position: 0,
            packet: Vec::new(),
            packet_start: 0,
        };
        info.frames = match stated {
            Some(frames) => frames,
            None => {
                oddities.push("does not say its length: counted".to_owned());
                this.count()?
            }
        };
        info.oddities = oddities;
        this.info = info;
        Ok(this)
    }

    /// Counts the frames of a file that does not say its length, and goes back to its start.
    fn count(&mut self) -> Result<u64> {
        let mut frames = 0;
        while let Some(packet) = self.format.next_packet().map_err(|e| self.broken(&e))? {
            if packet.track_id == self.track {
                frames += packet.dur.get();
            }
        }
        if frames > 0 {
            self.seek_format(0)?;
        }
        Ok(frames)
    }

    /// Decodes the packet that holds `self.position`.
    fn next_packet(&mut self) -> Result<()> {
        loop {
            let packet = match self.format.next_packet() {
                Ok(Some(packet)) if packet.track_id == self.track => packet,
                Ok(Some(_)) => continue,
                Ok(None) => return Err(self.early_end()),
                Err(Failure::IoError(error))
                    if error.kind() == std::io::ErrorKind::UnexpectedEof =>
                {
                    return Err(self.early_end());
                }
                Err(failure) => return Err(self.broken(&failure)),
            };
            let decoded = match self.decoder.decode(&packet) {
                Ok(decoded) => decoded,
                Err(failure) => return Err(self.broken(&failure)),
            };
            let start = u64::try_from(packet.pts.get()).unwrap_or(0);
            let frames = decoded.frames() as u64;
            if decoded.num_planes() != self.info.channels {
                return Err(Error::file(&self.path, self.at("changes its channels")));
            }
            if start > self.position {
                return Err(Error::file(&self.path, self.at("has damaged audio")));
            }
            if start.saturating_add(frames) <= self.position {
                continue; // lies before the frame that was sought
            }
            decoded.copy_to_vecs_planar(&mut self.packet);
            self.packet_start = start;
            return Ok(());
        }
    }

    fn seek_format(&mut self, frame: u64) -> Result<()> {
        let ts = Timestamp::try_from(frame).unwrap_or(Timestamp::MAX);
        let track_id = self.track;
        let to = SeekTo::Timestamp { ts, track_id };
        let seeked = self.format.seek(SeekMode::Accurate, to);
        seeked.map_err(|failure| self.broken(&failure))?;
        self.decoder.reset();
        self.packet.clear();
        Ok(())
    }

    fn at(&self, what: &str) -> String {
        let at_s = self.position as f64 / f64::from(self.info.rate_hz);
        format!("{what} at {at_s:.3} s")
    }

    fn early_end(&self) -> Error {
        let whole_s = self.info.frames as f64 / f64::from(self.info.rate_hz);
        let reason = self.at(&format!("promises {whole_s:.3} s and ends"));
        Error::file(&self.path, reason).hint("copy it again from where it came")
    }

    fn broken(&self, failure: &Failure) -> Error {
        let reason = format!("{}: {}", self.at("cannot be decoded"), words(failure));
        Error::file(&self.path, reason)
    }
}

impl AudioRead for Decoder {
    fn info(&self) -> &Info {
        &self.info
    }

    fn read(&mut self, block: &mut Block, frames: usize) -> Result<usize> {
        let left = self.info.frames.saturating_sub(self.position);
        let frames = usize::try_from(left).unwrap_or(usize::MAX).min(frames);
        let channels = block.vectors_mut();
        channels.resize_with(self.info.channels, Vec::new);
        for channel in channels.iter_mut() {
            channel.clear();
        }
        let mut done = 0;
        while done < frames {
            let held = self.packet.first().map_or(0, Vec::len);
            let offset = self.position.checked_sub(self.packet_start);
            let offset = offset.and_then(|offset| usize::try_from(offset).ok());
            let Some(offset) = offset.filter(|offset| *offset < held) else {
                self.next_packet()?;
                continue;
            };
            let count = (held - offset).min(frames - done);
            for (channel, samples) in channels.iter_mut().zip(&self.packet) {
                channel.extend_from_slice(&samples[offset..offset + count]);
            }
            done += count;
            self.position += count as u64;
        }
        Ok(frames)
    }

    fn seek(&mut self, frame: u64) -> Result<()> {
        let frame = frame.min(self.info.frames);
        if frame < self.info.frames && frame != self.position {
            self.seek_format(frame)?;
        }
        self.position = frame;
        Ok(())
    }
}

fn words(failure: &Failure) -> String {
    match failure {
        Failure::IoError(error) => crate::error::plain(error),
        other => other.to_string(),
    }
}
