//! `replay`: a recording's samples as if they came live, as RTP packets behind their length on standard output. A rig whose
//! source is this command sees them as it would see any sampling program; only the source number tells, so that no run is
//! commanded on them.

use super::args::ReplayArgs;
use super::exit::Exit;
use super::failure::Failure;
use super::output::Output;
use crate::acquisition::rtp::REPLAYED;
use crate::clock::{SystemClock, WallClock, sleep_wall};
use crate::recording::{RecordedFrames, RecordingError};
use crate::virtual_rig::rtp::{Packetizer, StreamStart};
use std::io::Write;
use std::time::Duration;

/// Most frames read at once.
const AT_ONCE: usize = 512;
/// Rig time that is sent at once, s: a stream counts as lost after 50 ms without a frame, unless its rig says otherwise.
const LUMP_S: f64 = 0.01;
/// Samples of 24 bits.
const LIMIT: i32 = 1 << 23;

/// Why it ends early.
enum Ended {
    Recording(RecordingError),
    /// The reader went away: nothing to complain of.
    NobodyReads,
    TooWide(i32),
}

impl From<RecordingError> for Ended {
    fn from(error: RecordingError) -> Self {
        Self::Recording(error)
    }
}

/// Write all of it.
pub fn replay(args: &ReplayArgs, output: Output) -> Result<Exit, Failure> {
    let frames = RecordedFrames::open(&args.file).map_err(Failure::refused)?;
    let start = StreamStart { ssrc: REPLAYED, sequence: 0, timestamp: 0 };
    let mut packetizer = Packetizer::new(args.payload_type, frames.width(), start);
    let (rate_hz, begun_ns) = (frames.rate_hz(), SystemClock.now_ns());
    let (mut first, mut next) = (None, None);
    let mut sink = output.bytes();
    let sent = frames.each(at_once(rate_hz), |frame, counts| {
        let from = *first.get_or_insert(frame);
        if let Some(wide) = counts.iter().find(|count| !(-LIMIT..LIMIT).contains(*count)) {
            return Err(Ended::TooWide(*wide));
        }
        let mut packets = Vec::new();
        let gap = frame - *next.get_or_insert(frame);
        if gap > 0 {
            packetizer.skip(u32::try_from(gap).unwrap_or(u32::MAX), &mut packets);
        }
        packetizer.push(counts, &mut packets);
        let end = frame + (counts.len() / frames.width()) as u64;
        next = Some(end);
        if !args.fast {
            let due_ns = begun_ns + ((end - from) as f64 / rate_hz * 1e9) as u64;
            sleep_wall(Duration::from_nanos(due_ns.saturating_sub(SystemClock.now_ns())));
        }
        let written = packets.iter().try_for_each(|packet| sink.write_all(packet));
        written.and_then(|()| sink.flush()).map_err(|_| Ended::NobodyReads)
    });
    let mut last = Vec::new();
    packetizer.finish(&mut last);
    let sent =
        sent.and_then(|()| last.iter().try_for_each(|packet| sink.write_all(packet)).map_err(|_| Ended::NobodyReads));
    match sent.and_then(|()| sink.flush().map_err(|_| Ended::NobodyReads)) {
        Ok(()) | Err(Ended::NobodyReads) => Ok(Exit::Done),
        Err(Ended::Recording(error)) => Err(Failure::refused(error)),
        Err(Ended::TooWide(count)) => Err(Failure::configuration(format!(
            "{}: holds the count {count}, more than the 24 bits of a sample on this wire",
            args.file.display()
        ))),
    }
}

fn at_once(rate_hz: f64) -> usize {
    ((LUMP_S * rate_hz) as usize).clamp(1, AT_ONCE)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::rig::file::PAYLOAD_TYPE;
    use clap::Parser;

    #[test]
    fn law_lumps_come_well_within_the_time_after_which_a_stream_counts_as_lost() {
        for rate_hz in [50.0, 1_000.0, 10_000.0, 51_200.0] {
            let every_s = at_once(rate_hz) as f64 / rate_hz;
            assert!(every_s <= 0.02, "{rate_hz} Hz: a lump every {every_s} s");
        }
        assert_eq!(at_once(1.0e6), AT_ONCE);
    }

    #[test]
    fn speaks_of_the_payload_type_that_a_rig_file_takes_where_it_says_none() {
        let arguments = crate::cli::args::Arguments::try_parse_from(["ramprig", "replay", "x.h5"]).unwrap();
        let crate::cli::args::Verb::Replay(args) = arguments.verb else { panic!("another verb") };
        assert_eq!(args.payload_type, PAYLOAD_TYPE);
    }
}
