//! The sample wire: RTP packets (RFC 3550) with L24 payload (RFC 3190, all channels of a frame interleaved), each behind
//! a 16-bit length (RFC 4571). This is the sender's side only, and shares nothing with the receiver in `acquisition`.

/// Largest payload of a packet, bytes.
const PAYLOAD_MAX: usize = 1400;
/// Frames in a full packet, where the payload allows.
const FRAMES_MAX: usize = 48;
/// RTP header without extensions, bytes.
const HEADER: usize = 12;

/// Puts frames into packets and numbers them.
#[derive(Debug, Clone)]
pub struct Packetizer {
    payload_type: u8,
    channels: usize,
    ssrc: u32,
    sequence: u16,
    timestamp: u32,
    first: bool,
    pending: Vec<i32>,
}

/// Where a stream starts to count; random for each viewer (RFC 3550, sec. 5.1).
#[derive(Debug, Clone, Copy)]
pub struct StreamStart {
    /// Source identifier.
    pub ssrc: u32,
    /// First sequence number.
    pub sequence: u16,
    /// First timestamp.
    pub timestamp: u32,
}

impl Packetizer {
    /// A stream of frames of `channels` samples.
    pub fn new(payload_type: u8, channels: usize, start: StreamStart) -> Self {
        Self {
            payload_type: payload_type & 0x7F,
            channels: channels.max(1),
            ssrc: start.ssrc,
            sequence: start.sequence,
            timestamp: start.timestamp,
            first: true,
            pending: Vec::new(),
        }
    }

    /// Frames in a full packet.
    pub fn frames_per_packet(&self) -> usize {
        (PAYLOAD_MAX / (3 * self.channels)).clamp(1, FRAMES_MAX)
    }

    /// Add whole frames; every packet that they fill goes to `packets`, framed.
    pub fn push(&mut self, counts: &[i32], packets: &mut Vec<Vec<u8>>) {
        let full = self.frames_per_packet() * self.channels;
        for frame in counts.chunks_exact(self.channels) {
            self.pending.extend_from_slice(frame);
            if self.pending.len() >= full {
                packets.push(self.seal());
            }
        }
    }

    /// Leave out `frames` frames: whatever waits is sent as a short packet, then one sequence number and the frames'
    /// timestamps are passed over, as when a packet was lost.
    pub fn skip(&mut self, frames: u32, packets: &mut Vec<Vec<u8>>) {
        if !self.pending.is_empty() {
            packets.push(self.seal());
        }
        self.sequence = self.sequence.wrapping_add(1);
        self.timestamp = self.timestamp.wrapping_add(frames);
    }

    /// Pass over `frames` frames of which nothing is to be said, as a sender does in silence (RFC 3550 section 5.1): whatever
    /// waits is sent as a short packet, the timestamps go on, and no sequence number is left out.
    pub fn pass_over(&mut self, frames: u32, packets: &mut Vec<Vec<u8>>) {
        self.finish(packets);
        self.timestamp = self.timestamp.wrapping_add(frames);
    }

    /// Whatever waits, as a short packet: the stream ends here.
    pub fn finish(&mut self, packets: &mut Vec<Vec<u8>>) {
        if !self.pending.is_empty() {
            packets.push(self.seal());
        }
    }

    fn seal(&mut self) -> Vec<u8> {
        let length = HEADER + 3 * self.pending.len();
        let mut packet = Vec::with_capacity(2 + length);
        packet.extend_from_slice(&u16::try_from(length).unwrap_or(u16::MAX).to_be_bytes());
        packet.push(0x80);
        packet.push(self.payload_type | if self.first { 0x80 } else { 0 });
        packet.extend_from_slice(&self.sequence.to_be_bytes());
        packet.extend_from_slice(&self.timestamp.to_be_bytes());
        packet.extend_from_slice(&self.ssrc.to_be_bytes());
        for count in &self.pending {
            let [_, high, middle, low] = count.to_be_bytes();
            packet.extend_from_slice(&[high, middle, low]);
        }
        let frames = u32::try_from(self.pending.len() / self.channels).unwrap_or(0);
        self.pending.clear();
        self.first = false;
        self.sequence = self.sequence.wrapping_add(1);
        self.timestamp = self.timestamp.wrapping_add(frames);
        packet
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn packetizer(channels: usize) -> Packetizer {
        let start = StreamStart { ssrc: 0x0102_0304, sequence: 65535, timestamp: u32::MAX - 10 };
        Packetizer::new(98, channels, start)
    }

    #[test]
    fn published_rfc3550_header_and_rfc3190_samples_byte_by_byte() {
        let mut packets = Vec::new();
        let mut packetizer = packetizer(400);
        let mut frame = vec![0; 400];
        frame[0] = -1;
        frame[1] = 0x12_3456;
        frame[2] = -8_388_608;
        packetizer.push(&frame, &mut packets);
        let packet = &packets[0];
        // RFC 4571 length 12 + 1200; RFC 3550 sec. 5.1: V=2, M=1 on the first packet, PT 98.
        assert_eq!(packet[..14], [0x04, 0xBC, 0x80, 0xE2, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xF5, 1, 2, 3, 4]);
        // RFC 3190 sec. 4: 24-bit two's complement, network byte order.
        assert_eq!(packet[14..23], [0xFF, 0xFF, 0xFF, 0x12, 0x34, 0x56, 0x80, 0x00, 0x00]);
    }

    #[test]
    fn wraps_sequence_and_timestamp_and_keeps_payload_under_its_limit() {
        let mut packets = Vec::new();
        let mut packetizer = packetizer(8);
        packetizer.push(&vec![0; 8 * 100], &mut packets);
        assert_eq!(packets.len(), 2, "48 frames of 8 channels a packet, 4 wait");
        assert!(packets.iter().all(|packet| packet.len() == 2 + 12 + 48 * 24 && packet.len() - 14 <= PAYLOAD_MAX));
        assert_eq!(packets[1][4..6], [0, 0], "sequence 65535 is followed by 0");
        assert_eq!(packets[1][6..10], 37_u32.to_be_bytes(), "timestamp wraps");
        assert_eq!(packets[1][3] & 0x80, 0, "marker on the first packet only");
    }

    #[test]
    fn skips_frames_as_a_gap_in_both_numbers() {
        let mut packets = Vec::new();
        let mut packetizer = packetizer(8);
        packetizer.push(&vec![0; 8 * 10], &mut packets);
        packetizer.skip(100, &mut packets);
        packetizer.push(&vec![0; 8 * 48], &mut packets);
        let stamp = |packet: &[u8]| u32::from_be_bytes([packet[6], packet[7], packet[8], packet[9]]);
        assert_eq!(packets[0].len(), 2 + 12 + 10 * 24, "what waited is sent first");
        assert_eq!(stamp(&packets[1]).wrapping_sub(stamp(&packets[0])), 110);
        assert_eq!(packets[1][4..6], [0, 1], "65535, then 0 passed over, then 1");
    }
}
