//! Packets over a byte stream (RFC 4571): each packet follows its length as a 16-bit number, high byte first.
//!
//! The receiver takes bytes in whatever pieces the socket hands out and gives back whole packets. It never needs to
//! search for a boundary: a stream that lost a byte is broken for good and shows as packets that make no sense.

/// Largest packet that the prefix can announce, bytes.
pub const MAX_PACKET_LEN: usize = 65_535;

/// Bytes that came in and were not yet taken as packets.
#[derive(Debug, Default)]
pub struct Deframer {
    buffer: Vec<u8>,
    taken: usize,
}

impl Deframer {
    /// An empty receiver.
    pub fn new() -> Self {
        Self::default()
    }

    /// Add bytes as they arrived.
    pub fn feed(&mut self, bytes: &[u8]) {
        self.buffer.drain(..self.taken);
        self.taken = 0;
        self.buffer.extend_from_slice(bytes);
    }

    /// The next whole packet without its prefix, or `None` when more bytes are needed. May be empty: a length of zero
    /// is allowed and carries nothing.
    pub fn next_packet(&mut self) -> Option<&[u8]> {
        let (prefix, rest) = self.buffer[self.taken..].split_first_chunk::<2>()?;
        let len = usize::from(u16::from_be_bytes(*prefix));
        if rest.len() < len {
            return None;
        }
        let start = self.taken + 2;
        self.taken = start + len;
        Some(&self.buffer[start..self.taken])
    }

    /// Bytes held that are no whole packet yet.
    pub fn pending(&self) -> usize {
        self.buffer.len() - self.taken
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn gives_packets_whole_however_the_bytes_trickle() {
        let wire = [0, 3, 1, 2, 3, 0, 0, 0, 1, 9];
        let mut deframer = Deframer::new();
        let mut packets = Vec::new();
        for byte in wire {
            deframer.feed(&[byte]);
            while let Some(packet) = deframer.next_packet() {
                packets.push(packet.to_vec());
            }
        }
        assert_eq!(packets, vec![vec![1, 2, 3], vec![], vec![9]]);
        assert_eq!(deframer.pending(), 0);
    }

    #[test]
    fn holds_no_more_than_one_packet_and_what_was_fed_last() {
        let mut deframer = Deframer::new();
        let mut most = 0;
        for _ in 0..1000 {
            deframer.feed(&[0, 2, 1, 1, 0]);
            while deframer.next_packet().is_some() {}
            deframer.feed(&[1, 5]);
            while deframer.next_packet().is_some() {}
            most = most.max(deframer.buffer.len());
        }
        assert!(most <= 10, "buffer grew to {most} bytes");
    }
}
