//! RTP packets (RFC 3550 section 5.1), parsed from bytes without touching a socket.
//!
//! Nothing in a packet is believed before it is checked against the packet's own length; a wrong field is an error with
//! the value found, never a panic.

/// Synchronisation source of `ramprig replay` ("RPLY"): what it sends happened before, and no run is commanded on it.
pub const REPLAYED: u32 = 0x5250_4C59;
/// Fixed header, bytes.
pub const HEADER_LEN: usize = 12;

/// A parsed packet; the payload borrows the input.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Packet<'a> {
    /// Marker bit.
    pub marker: bool,
    /// Payload type, 7 bits.
    pub payload_type: u8,
    /// Sequence number, wraps at 2^16.
    pub sequence: u16,
    /// Timestamp in sample periods, wraps at 2^32.
    pub timestamp: u32,
    /// Synchronisation source.
    pub ssrc: u32,
    /// Payload without header, contributing sources, extension and padding.
    pub payload: &'a [u8],
}

/// Why bytes are no RTP packet.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum RtpError {
    /// Shorter than the fixed header.
    #[error("packet of {len} bytes is shorter than the 12-byte RTP header")]
    TooShort {
        /// Bytes.
        len: usize,
    },
    /// Not version 2.
    #[error("RTP version {found}, expected 2")]
    Version {
        /// Found.
        found: u8,
    },
    /// The list of contributing sources runs past the end.
    #[error("{count} contributing sources do not fit in a packet of {len} bytes")]
    ContributingSources {
        /// Count in the header.
        count: usize,
        /// Bytes.
        len: usize,
    },
    /// The header extension runs past the end.
    #[error("header extension ends at byte {end} of a packet of {len} bytes")]
    Extension {
        /// Where it would end.
        end: usize,
        /// Bytes.
        len: usize,
    },
    /// The padding count is 0 or more than there is.
    #[error("padding of {padding} bytes in a payload of {available} bytes")]
    Padding {
        /// Count in the last byte.
        padding: usize,
        /// Bytes after the headers.
        available: usize,
    },
}

/// Parse one packet.
pub fn parse(bytes: &[u8]) -> Result<Packet<'_>, RtpError> {
    let len = bytes.len();
    let header: &[u8; HEADER_LEN] = bytes.first_chunk().ok_or(RtpError::TooShort { len })?;
    let version = header[0] >> 6;
    if version != 2 {
        return Err(RtpError::Version { found: version });
    }
    let body = after_headers(bytes, header[0])?;
    let payload = if header[0] & 0x20 == 0 { body } else { without_padding(body)? };
    Ok(Packet {
        marker: header[1] & 0x80 != 0,
        payload_type: header[1] & 0x7f,
        sequence: u16::from_be_bytes([header[2], header[3]]),
        timestamp: u32::from_be_bytes([header[4], header[5], header[6], header[7]]),
        ssrc: u32::from_be_bytes([header[8], header[9], header[10], header[11]]),
        payload,
    })
}

/// What follows the fixed header, the contributing sources and the extension.
fn after_headers(bytes: &[u8], first: u8) -> Result<&[u8], RtpError> {
    let len = bytes.len();
    let count = usize::from(first & 0x0f);
    let sources_end = HEADER_LEN + 4 * count;
    let rest = bytes.get(sources_end..).ok_or(RtpError::ContributingSources { count, len })?;
    if first & 0x10 == 0 {
        return Ok(rest);
    }
    let extension: &[u8; 4] = rest.first_chunk().ok_or(RtpError::Extension { end: sources_end + 4, len })?;
    let words = usize::from(u16::from_be_bytes([extension[2], extension[3]]));
    let end = 4 + 4 * words;
    rest.get(end..).ok_or(RtpError::Extension { end: sources_end + end, len })
}

/// The body less its padding; the last byte holds the count, itself included (so 0 is wrong).
fn without_padding(body: &[u8]) -> Result<&[u8], RtpError> {
    let available = body.len();
    let padding = usize::from(*body.last().ok_or(RtpError::Padding { padding: 0, available })?);
    if padding == 0 || padding > available {
        return Err(RtpError::Padding { padding, available });
    }
    Ok(&body[..available - padding])
}

#[cfg(test)]
mod tests {
    use super::*;

    fn packet(first: u8, tail: &[u8]) -> Vec<u8> {
        let mut bytes = vec![first, 0x80 | 96, 0x12, 0x34, 0, 0, 0, 7, 0xde, 0xad, 0xbe, 0xef];
        bytes.extend_from_slice(tail);
        bytes
    }

    #[test]
    fn reads_every_field_of_the_fixed_header() {
        let bytes = packet(0x80, &[1, 2, 3]);
        let got = parse(&bytes).unwrap();
        let want = Packet {
            marker: true,
            payload_type: 96,
            sequence: 0x1234,
            timestamp: 7,
            ssrc: 0xdead_beef,
            payload: &[1, 2, 3],
        };
        assert_eq!(got, want);
    }

    #[test]
    fn skips_contributing_sources_extension_and_padding() {
        let bytes = packet(
            0x80 | 0x20 | 0x10 | 2,
            &[
                1, 1, 1, 1, 2, 2, 2, 2, // two contributing sources
                0xbe, 0xde, 0, 1, 9, 9, 9, 9, // extension of one word
                5, 6, 7, 0, 0, 3, // three bytes of payload, three of padding
            ],
        );
        assert_eq!(parse(&bytes).unwrap().payload, &[5, 6, 7]);
    }

    #[test]
    fn rejects_every_wrong_field_with_the_value_found() {
        assert_eq!(parse(&[0x80; 11]), Err(RtpError::TooShort { len: 11 }));
        assert_eq!(parse(&packet(0x40, &[])), Err(RtpError::Version { found: 1 }));
        assert_eq!(parse(&packet(0x83, &[0; 8])), Err(RtpError::ContributingSources { count: 3, len: 20 }));
        assert_eq!(parse(&packet(0x90, &[0, 0, 0])), Err(RtpError::Extension { end: 16, len: 15 }));
        assert_eq!(parse(&packet(0x90, &[0, 0, 0, 2, 1, 1, 1, 1])), Err(RtpError::Extension { end: 24, len: 20 }));
        assert_eq!(parse(&packet(0xa0, &[])), Err(RtpError::Padding { padding: 0, available: 0 }));
        assert_eq!(parse(&packet(0xa0, &[1, 0])), Err(RtpError::Padding { padding: 0, available: 2 }));
        assert_eq!(parse(&packet(0xa0, &[1, 4])), Err(RtpError::Padding { padding: 4, available: 2 }));
    }
}
