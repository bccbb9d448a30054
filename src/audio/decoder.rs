//! FLAC and AIFF through symphonia, as a stream of blocks.
//!
//! Packets have to follow one another without a gap: where one is broken or missing, or the file
//! ends early, the whole file is an error that names the time. Samples of every depth come
//! left-justified in 32 bits, so that full scale is ±1.0 whatever the depth.

use std::fs::File;
use std::io::{ErrorKind, Seek};
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::{Path, PathBuf};

use symphonia::core::audio::GenericAudioBufferRef as Buffer;
use symphonia::core::codecs::audio::{AudioDecoder, AudioDecoderOptions};
use symphonia::core::errors::Error as Failure;
use symphonia::core::formats::probe::Hint;
use symphonia::core::formats::{FormatReader, SeekMode, SeekTo, TrackType};
use symphonia::core::io::{MediaSource, MediaSourceStream};
use symphonia::core::units::Timestamp;

use super::aiff::{Header, Padded};
use super::{AudioRead, Info, SampleFormat, Truncation};
use crate::block::Block;
use crate::error::{Error, Result};
use crate::wav::{MAX_CHANNELS, RATES_HZ};

/// A FLAC or AIFF file being read.
pub struct Decoder {
    file: File,
    /// Length with what is missing of an AIFF file.
    whole_bytes: Option<u64>,
    path: PathBuf,
    stream: Stream,
    info: Info,
    /// Next frame to give out.
    position: u64,
    /// Samples of the last packet, one vector a channel.
    packet: Vec<Vec<f64>>,
    /// Number of the packet's first frame.
    packet_start: u64,
}

/// The library's two halves.
struct Stream {
    format: Box<dyn FormatReader>,
    decoder: Box<dyn AudioDecoder>,
    track: u32,
}

type Outcome<T> = std::result::Result<T, Failure>;

impl Decoder {
    /// Reads the header; of an AIFF file, whose `header` was looked at before, as many frames as are
    /// there. A file that does not say its length is read once to count.
    pub fn open(file: File, path: &Path, header: Option<Header>) -> Result<Self> {
        let failed = |failure: Failure| Error::file(path, words(&failure));
        // A decoder makes room for every channel that a header names.
        if let Some(channels) = header.map(|header| header.channels)
            && !(1..=MAX_CHANNELS).contains(&channels)
        {
            let reason = format!("has {channels} channels, 1 to {MAX_CHANNELS} can be read");
            return Err(Error::file(path, reason));
        }
        let whole_bytes = header.map(|header| header.whole_bytes);
        let open = || guarded(|| Stream::open(&file, whole_bytes)).map_err(failed);
        let mut stream = open()?;
        let mut info = stream.info().map_err(|reason| Error::file(path, reason))?;
        if let Some(Header {
            promised,
            there: Some(there),
            ..
        }) = header
            && there < promised
        {
            let seconds = |frames: u64| frames as f64 / f64::from(info.rate_hz);
            info.truncated = Some(Truncation::Short {
                promised_s: seconds(promised),
                held_s: seconds(there),
            });
            info.frames = there;
            if there == 0 {
                return Err(
                    Error::file(path, "holds no samples").hint("copy it again from the recorder")
                );
            }
        }
        if info.frames == 0 {
            info.frames = guarded(|| stream.count()).map_err(failed)?;
            stream = open()?;
        }
        Ok(Self {
            stream,
            file,
            whole_bytes,
            path: path.to_owned(),
            info,
            position: 0,
            packet: Vec::new(),
            packet_start: 0,
        })
    }

    /// Decodes the packet that holds the next frame.
    fn next_packet(&mut self) -> Result<()> {
        let Self {
            stream,
            packet,
            info,
            position,
            ..
        } = self;
        let channels = info.channels;
        match guarded(|| stream.packet_with(*position, channels, packet)) {
            Ok(Some(start)) if start <= self.position => {
                self.packet_start = start;
                Ok(())
            }
            Ok(Some(_)) => Err(Error::file(&self.path, self.at("has damaged audio"))),
            Ok(None) => Err(self.early_end()),
            Err(Failure::IoError(error)) if error.kind() == ErrorKind::UnexpectedEof => {
                Err(self.early_end())
            }
            Err(failure) => {
                let reason = format!("{}: {}", self.at("cannot be decoded"), words(&failure));
                Err(Error::file(&self.path, reason))
            }
        }
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
            // Opened anew: the library's FLAC parser takes packets for damaged after some seeks
            // backwards, since it remembers the number of the last one.
            let sought = guarded(|| {
                let mut stream = Stream::open(&self.file, self.whole_bytes)?;
                stream.seek(frame)?;
                Ok(stream)
            });
            self.stream = sought.map_err(|failure| {
                let at_s = frame as f64 / f64::from(self.info.rate_hz);
                let reason = format!("cannot be decoded from {at_s:.3} s on: {}", words(&failure));
                Error::file(&self.path, reason)
            })?;
            self.packet.clear();
        }
        self.position = frame;
        Ok(())
    }
}

impl Stream {
    /// From the start of the file.
    fn open(file: &File, whole_bytes: Option<u64>) -> Outcome<Self> {
        let mut file = file.try_clone()?;
        file.rewind()?;
        let source: Box<dyn MediaSource> = match whole_bytes {
            Some(bytes) => Box::new(Padded::new(file, bytes)),
            None => Box::new(file),
        };
        let stream = MediaSourceStream::new(source, Default::default());
        let probe = symphonia::default::get_probe();
        let format = probe.probe(&Hint::new(), stream, Default::default(), Default::default())?;
        let track = format
            .default_track(TrackType::Audio)
            .ok_or(Failure::Unsupported("no audio"))?;
        let params = track
            .codec_params
            .as_ref()
            .and_then(|params| params.audio());
        let params = params.ok_or(Failure::Unsupported("audio of an unknown kind"))?;
        let codecs = symphonia::default::get_codecs();
        let decoder = codecs.make_audio_decoder(params, &AudioDecoderOptions::default())?;
        Ok(Self {
            track: track.id,
            format,
            decoder,
        })
    }

    /// What the header says; 0 frames where it does not say.
    fn info(&self) -> std::result::Result<Info, String> {
        let params = self.decoder.codec_params();
        let (Some(rate_hz), Some(channels)) = (params.sample_rate, params.channels.as_ref()) else {
            return Err("does not say its sample rate or channels".to_owned());
        };
        let channels = channels.count();
        if !RATES_HZ.contains(&rate_hz) || !(1..=usize::from(MAX_CHANNELS)).contains(&channels) {
            return Err(format!(
                "has {channels} channels at {rate_hz} Hz, 1 to {MAX_CHANNELS} channels at {} to {} \
                 Hz can be read",
                RATES_HZ.start(),
                RATES_HZ.end()
            ));
        }
        // Floats state no depth of their own.
        let (sample_format, bits) = match self.decoder.last_decoded() {
            Buffer::F32(_) => (SampleFormat::Float, 32),
            Buffer::F64(_) => (SampleFormat::Float, 64),
            _ => (SampleFormat::Int, params.bits_per_sample.unwrap_or(0)),
        };
        let track = self
            .format
            .tracks()
            .iter()
            .find(|track| track.id == self.track);
        Ok(Info {
            rate_hz,
            channels,
            bit_depth: u16::try_from(bits).unwrap_or(0),
            sample_format,
            frames: track.and_then(|track| track.num_frames).unwrap_or(0),
            time_reference_samples: None,
            inside: Default::default(),
            oddities: Vec::new(),
            truncated: None,
        })
    }

    /// Frames from here to the end, without decoding.
    fn count(&mut self) -> Outcome<u64> {
        let mut frames = 0u64;
        while let Some(packet) = self.format.next_packet()? {
            if packet.track_id == self.track {
                frames = frames.saturating_add(packet.dur.get());
            }
        }
        Ok(frames)
    }

    /// Decodes into `samples` the next packet that does not end before `frame`, and gives the
    /// number of its first frame; `None` at the end.
    fn packet_with(
        &mut self,
        frame: u64,
        channels: usize,
        samples: &mut Vec<Vec<f64>>,
    ) -> Outcome<Option<u64>> {
        while let Some(packet) = self.format.next_packet()? {
            if packet.track_id != self.track {
                continue;
            }
            let decoded = self.decoder.decode(&packet)?;
            let start = u64::try_from(packet.pts.get()).unwrap_or(0);
            if decoded.num_planes() != channels {
                return Err(Failure::Unsupported("another number of channels"));
            }
            if start.saturating_add(decoded.frames() as u64) > frame {
                decoded.copy_to_vecs_planar(samples);
                return Ok(Some(start));
            }
        }
        Ok(None)
    }

    fn seek(&mut self, frame: u64) -> Outcome<()> {
        let ts = Timestamp::try_from(frame).unwrap_or(Timestamp::MAX);
        let track_id = self.track;
        let to = SeekTo::Timestamp { ts, track_id };
        self.format.seek(SeekMode::Accurate, to).map(|_| ())
    }
}

impl MediaSource for Padded<File> {
    fn is_seekable(&self) -> bool {
        true
    }

    fn byte_len(&self) -> Option<u64> {
        Some(self.whole_bytes())
    }
}

/// The library panics on some damaged headers where overflow is checked. A stream that did is not
/// used again.
fn guarded<T>(work: impl FnOnce() -> Outcome<T>) -> Outcome<T> {
    catch_unwind(AssertUnwindSafe(work)).unwrap_or(Err(Failure::DecodeError(
        "damaged beyond what the decoder expects",
    )))
}

fn words(failure: &Failure) -> String {
    match failure {
        Failure::IoError(error) => crate::error::plain(error),
        other => other.to_string(),
    }
}
