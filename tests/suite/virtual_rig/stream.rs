//! A viewer of the sample stream with a parser of its own: RFC 4571 framing, RFC 3550 header, RFC 3190 samples.

use std::io::Read;
use std::net::{SocketAddr, TcpStream};

#[derive(Debug, Clone)]
pub struct Packet {
    pub version: u8,
    pub marker: bool,
    pub payload_type: u8,
    pub sequence: u16,
    pub timestamp: u32,
    pub ssrc: u32,
    pub payload: usize,
    pub samples: Vec<i32>,
    pub channels: usize,
}

impl Packet {
    pub fn frames(&self) -> std::slice::ChunksExact<'_, i32> {
        self.samples.chunks_exact(self.channels)
    }
}

pub struct View {
    stream: TcpStream,
    channels: usize,
}

impl View {
    pub fn of(address: SocketAddr, channels: usize) -> Self {
        let stream = TcpStream::connect(address).unwrap();
        stream.set_read_timeout(Some(super::stand::DEADLINE)).unwrap();
        Self { stream, channels }
    }

    pub fn next(&mut self) -> std::io::Result<Packet> {
        self.next_with_bytes().map(|(_, packet)| packet)
    }

    /// The packet as it came, too, without its length before it.
    pub fn next_with_bytes(&mut self) -> std::io::Result<(Vec<u8>, Packet)> {
        let mut length = [0; 2];
        self.stream.read_exact(&mut length)?;
        let mut bytes = vec![0; usize::from(u16::from_be_bytes(length))];
        self.stream.read_exact(&mut bytes)?;
        let word = |at: usize| u32::from_be_bytes([bytes[at], bytes[at + 1], bytes[at + 2], bytes[at + 3]]);
        let sample = |three: &[u8]| {
            let magnitude = i32::from(three[0]) << 16 | i32::from(three[1]) << 8 | i32::from(three[2]);
            if three[0] & 0x80 == 0 { magnitude } else { magnitude - (1 << 24) }
        };
        let packet = Packet {
            version: bytes[0] >> 6,
            marker: bytes[1] & 0x80 != 0,
            payload_type: bytes[1] & 0x7F,
            sequence: u16::from_be_bytes([bytes[2], bytes[3]]),
            timestamp: word(4),
            ssrc: word(8),
            payload: bytes.len() - 12,
            samples: bytes[12..].chunks_exact(3).map(sample).collect(),
            channels: self.channels,
        };
        Ok((bytes, packet))
    }
}
