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

/// Frames read at once: at 10 kHz a twentieth of a second.
const AT_ONCE: usize = 512;
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
    let sent = frames.each(AT_ONCE, |frame, counts| {
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
