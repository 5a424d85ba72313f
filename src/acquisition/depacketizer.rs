//! From the bytes of one stream to blocks of frames with absolute indices: framing, parsing, unrolling of sequence
//! numbers and timestamps, gaps. No socket, no clock: bytes in, blocks out.
//!
//! The timestamp counts frames (RFC 3190: the clock is the sampling rate) and so decides where a packet's frames belong;
//! the sequence number tells why there is a hole. Packets that make no sense are refused, counted and named. Three
//! findings end the stream, because frame indices could not be trusted after them: another sender (SSRC), timestamps
//! that contradict the number of frames a packet holds, and a jump of more than ten seconds.

use super::decode;
use super::framing::Deframer;
use super::rtp::{Packet, RtpError, parse};
use crate::rig::model::SampleCode;
use crate::signal::Block;

/// A forward jump of the timestamps beyond this is no gap but another time axis, s of rig time.
pub const LONGEST_GAP_S: f64 = 10.0;

/// What the sender was told to send.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Format {
    /// Channels in a frame.
    pub channels: usize,
    /// Frames a second.
    pub rate_hz: f64,
    /// How a sample is written.
    pub code: SampleCode,
    /// RTP payload type.
    pub payload_type: u8,
}

impl Format {
    /// Bytes of a frame.
    pub fn frame_bytes(&self) -> usize {
        self.code.bytes() * self.channels
    }
}

/// Why one packet was not used. The stream goes on.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum Refusal {
    /// Not RTP.
    #[error(transparent)]
    Malformed(#[from] RtpError),
    /// Another payload type: RFC 3550 has receivers ignore what they do not know.
    #[error("payload type {found}, expected {expected}")]
    PayloadType {
        /// Found.
        found: u8,
        /// Expected.
        expected: u8,
    },
    /// The payload holds no whole number of frames.
    #[error("payload of {len} bytes is no whole number of frames of {channels} channels x {sample} bytes")]
    PartialFrame {
        /// Bytes.
        len: usize,
        /// Channels.
        channels: usize,
        /// Bytes of a sample.
        sample: usize,
    },
    /// Behind what was already taken: a repeat or a late packet.
    #[error("packet {sequence} is {frames} frames behind the stream")]
    Late {
        /// Its sequence number.
        sequence: u16,
        /// Frames behind.
        frames: u32,
    },
}

/// Why the stream cannot go on.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum StreamBroken {
    /// Another synchronisation source took over.
    #[error("the sender changed (SSRC {from:#010x} -> {to:#010x})")]
    SenderChanged {
        /// Before.
        from: u32,
        /// Now.
        to: u32,
    },
    /// Consecutive packets overlap in time.
    #[error(
        "packets hold {held} frames of {channels} channels but their timestamps advance by {advanced}: is the number of \
         channels right?"
    )]
    FrameCount {
        /// Frames in the packet before.
        held: u32,
        /// Timestamp advance.
        advanced: u32,
        /// Channels assumed.
        channels: usize,
    },
    /// The timestamps jumped too far.
    #[error("the timestamps jumped by {frames} frames, more than {longest} frames can be a gap")]
    Jump {
        /// Frames.
        frames: u32,
        /// Longest gap.
        longest: u32,
    },
}

/// A packet was not used: alone, or the stream with it.
#[derive(Debug, thiserror::Error)]
enum Unusable {
    #[error(transparent)]
    Refused(#[from] Refusal),
    #[error(transparent)]
    Broken(#[from] StreamBroken),
}

/// Counters of a stream since it was opened for the first time.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct StreamCounts {
    /// Packets taken.
    pub packets: u64,
    /// Packets refused, for any reason.
    pub refused: u64,
    /// Of these, late or repeated.
    pub late: u64,
    /// Of these, datagrams that came twice while their place was still open.
    pub repeated: u64,
    /// Datagrams put back in order.
    pub reordered: u64,
    /// Datagrams of another sender, not looked at.
    pub foreign: u64,
    /// Holes in the sequence numbers (packets lost on the way).
    pub packets_lost: u64,
    /// Frames delivered.
    pub frames: u64,
    /// Frames missing, holes in the timestamps.
    pub frames_missing: u64,
    /// Newest refusal.
    pub last_refusal: Option<Refusal>,
    /// Synchronisation source.
    pub ssrc: Option<u32>,
}

impl StreamCounts {
    /// The samples come out of a recording.
    pub fn is_replay(&self) -> bool {
        self.ssrc == Some(super::rtp::REPLAYED)
    }
}

/// Where the stream stands.
#[derive(Debug, Clone, Copy)]
struct Position {
    ssrc: u32,
    /// Sequence number expected next.
    sequence: u16,
    /// Timestamp expected next.
    timestamp: u32,
    /// Frames of the newest packet.
    held: u32,
}

/// The receiver of one stream.
#[derive(Debug)]
pub struct Depacketizer {
    format: Format,
    deframer: Deframer,
    position: Option<Position>,
    next_frame: u64,
    /// Missing frames to declare with the next block.
    gap: u64,
    counts: StreamCounts,
}

impl Depacketizer {
    /// A receiver that has seen nothing.
    pub fn new(format: Format) -> Self {
        Self {
            format,
            deframer: Deframer::new(),
            position: None,
            next_frame: 0,
            gap: 0,
            counts: StreamCounts::default(),
        }
    }

    /// Counters.
    pub fn counts(&self) -> &StreamCounts {
        &self.counts
    }

    /// Index that the next frame gets if nothing is missing.
    pub fn next_frame(&self) -> u64 {
        self.next_frame
    }

    /// Bytes held that are no whole packet yet.
    pub fn pending(&self) -> usize {
        self.deframer.pending()
    }

    /// Forget the connection and keep the frame index: the next stream continues `frames_missing` later.
    pub fn reconnect(&mut self, frames_missing: u64) {
        self.deframer = Deframer::new();
        self.position = None;
        self.skip(frames_missing);
    }

    /// Take bytes that arrived at `arrived_wall_ns`; append the blocks they complete, one a contiguous stretch.
    /// On an error the blocks before it are still valid.
    pub fn feed(&mut self, bytes: &[u8], arrived_wall_ns: u64, blocks: &mut Vec<Block>) -> Result<(), StreamBroken> {
        let mut deframer = std::mem::take(&mut self.deframer);
        deframer.feed(bytes);
        let mut fed = Ok(());
        let first_new = blocks.len();
        while fed.is_ok()
            && let Some(packet) = deframer.next_packet()
        {
            if !packet.is_empty() {
                fed = self.packet(packet, arrived_wall_ns, first_new, blocks);
            }
        }
        self.deframer = deframer;
        fed
    }

    /// Take one packet that came whole (a datagram). Blocks from `first_new` on may be continued.
    pub fn feed_packet(
        &mut self,
        bytes: &[u8],
        arrived_wall_ns: u64,
        first_new: usize,
        blocks: &mut Vec<Block>,
    ) -> Result<(), StreamBroken> {
        self.packet(bytes, arrived_wall_ns, first_new, blocks)
    }

    /// Counters, for what a source notices before a packet comes here.
    pub(super) fn counts_mut(&mut self) -> &mut StreamCounts {
        &mut self.counts
    }

    fn packet(
        &mut self,
        bytes: &[u8],
        arrived_wall_ns: u64,
        first_new: usize,
        blocks: &mut Vec<Block>,
    ) -> Result<(), StreamBroken> {
        match self.check(bytes).and_then(|packet| self.place(packet)) {
            Ok(payload) => self.append(payload, arrived_wall_ns, first_new, blocks),
            Err(Unusable::Refused(refusal)) => self.refuse(refusal),
            Err(Unusable::Broken(broken)) => return Err(broken),
        }
        Ok(())
    }

    fn refuse(&mut self, refusal: Refusal) {
        self.counts.refused += 1;
        self.counts.late += u64::from(matches!(refusal, Refusal::Late { .. }));
        self.counts.last_refusal = Some(refusal);
    }

    fn check<'a>(&self, bytes: &'a [u8]) -> Result<Packet<'a>, Unusable> {
        let packet = parse(bytes).map_err(Refusal::from)?;
        let expected = self.format.payload_type;
        if packet.payload_type != expected {
            return Err(Refusal::PayloadType { found: packet.payload_type, expected }.into());
        }
        let (len, channels) = (packet.payload.len(), self.format.channels);
        if !len.is_multiple_of(self.format.frame_bytes()) {
            return Err(Refusal::PartialFrame { len, channels, sample: self.format.code.bytes() }.into());
        }
        Ok(packet)
    }

    /// Compare with what was expected, count what is missing, move on; gives the payload.
    fn place<'a>(&mut self, packet: Packet<'a>) -> Result<&'a [u8], Unusable> {
        if let Some(at) = self.position {
            self.follow(&packet, at)?;
        }
        let held = (packet.payload.len() / self.format.frame_bytes()) as u32;
        self.counts.packets += 1;
        self.counts.ssrc = Some(packet.ssrc);
        self.position = Some(Position {
            ssrc: packet.ssrc,
            sequence: packet.sequence.wrapping_add(1),
            timestamp: packet.timestamp.wrapping_add(held),
            held,
        });
        Ok(packet.payload)
    }

    fn follow(&mut self, packet: &Packet<'_>, at: Position) -> Result<(), Unusable> {
        if packet.ssrc != at.ssrc {
            return Err(StreamBroken::SenderChanged { from: at.ssrc, to: packet.ssrc }.into());
        }
        let ahead = packet.timestamp.wrapping_sub(at.timestamp).cast_signed();
        let frames = ahead.unsigned_abs();
        if ahead < 0 && packet.sequence == at.sequence {
            let advanced = at.held.saturating_sub(frames);
            return Err(StreamBroken::FrameCount { held: at.held, advanced, channels: self.format.channels }.into());
        }
        if ahead < 0 {
            return Err(Refusal::Late { sequence: packet.sequence, frames }.into());
        }
        self.gap_of(frames)?;
        let lost = packet.sequence.wrapping_sub(at.sequence).cast_signed();
        self.counts.packets_lost += u64::from(lost.max(0).unsigned_abs());
        Ok(())
    }

    fn gap_of(&mut self, frames: u32) -> Result<(), StreamBroken> {
        let longest = (LONGEST_GAP_S * self.format.rate_hz) as u32;
        if frames > longest {
            return Err(StreamBroken::Jump { frames, longest });
        }
        self.skip(u64::from(frames));
        Ok(())
    }

    fn skip(&mut self, frames: u64) {
        self.gap += frames;
        self.next_frame += frames;
        self.counts.frames_missing += frames;
    }

    /// Append to the newest block of this call when contiguous, else begin a block.
    fn append(&mut self, payload: &[u8], arrived_wall_ns: u64, first_new: usize, blocks: &mut Vec<Block>) {
        if payload.is_empty() {
            return;
        }
        if self.gap > 0 || blocks.len() == first_new {
            blocks.push(Block {
                first_frame: self.next_frame,
                missing_before: std::mem::take(&mut self.gap),
                channels: self.format.channels,
                counts: Vec::with_capacity(payload.len() / self.format.code.bytes()),
                arrived_wall_ns,
            });
        }
        if let Some(block) = blocks.last_mut() {
            decode::append(self.format.code, payload, &mut block.counts);
        }
        let frames = (payload.len() / self.format.frame_bytes()) as u64;
        self.next_frame += frames;
        self.counts.frames += frames;
    }
}
