//! Modbus RTU frames: check sums, frames out, answers taken apart byte by byte. No ports, no clock.
//!
//! An RTU frame carries no number that ties an answer to its request. What can be checked is checked here: sum, unit,
//! function, length as the request demands it. That an answer is not an old one is proven by the caller, which asks the
//! device's identity behind everything it wants to believe (see `line`).
//!
//! Frames are cut by the length that the request demands, not by silences: operating systems and adapters hand bytes
//! over in lumps, so a silence seen here is none on the wire. Bytes beyond the demanded length spoil the frame.
//!
//! Source: MODBUS over Serial Line Specification and Implementation Guide V1.02, sections 2.5.1 and 6.2.

use super::frame::{Answer, FrameError, Request};

/// Most bytes of an RTU ADU: unit, PDU, check sum.
pub const ADU_MAX_BYTES: usize = 256;
/// Bytes of an answer that refuses.
const EXCEPTION_BYTES: usize = 5;
/// Unit and check sum.
pub(super) const FRAME_BYTES: usize = 3;
/// Generator polynomial x^16 + x^15 + x^2 + 1, bits reversed.
const POLYNOMIAL: u16 = 0xA001;

/// Check sum of eight data bits each, by one table look-up a byte.
const CRC_OF_BYTE: [u16; 256] = {
    let mut table = [0; 256];
    let mut byte = 0;
    while byte < 256 {
        let mut crc = byte as u16;
        let mut bit = 0;
        while bit < 8 {
            crc = if crc & 1 == 1 { (crc >> 1) ^ POLYNOMIAL } else { crc >> 1 };
            bit += 1;
        }
        table[byte] = crc;
        byte += 1;
    }
    table
};

/// CRC-16 of the serial line specification (section 6.2.2): start 0xFFFF, polynomial 0xA001 reversed, low byte first on
/// the wire.
///
/// ```
/// // Published frame 02 07 with its check sum 41 12 (specification, appendix B).
/// assert_eq!(ramprig::fieldbus::rtu::crc16(&[0x02, 0x07]), 0x1241);
/// ```
pub fn crc16(bytes: &[u8]) -> u16 {
    bytes.iter().fold(0xFFFF, |crc, byte| (crc >> 8) ^ CRC_OF_BYTE[usize::from((crc as u8) ^ byte)])
}

/// Longitudinal redundancy check of the ASCII mode (section 6.2.1): two's complement of the sum of the bytes. ASCII
/// lines are not driven; the sum is here to read their captures.
pub fn lrc(bytes: &[u8]) -> u8 {
    bytes.iter().fold(0_u8, |sum, byte| sum.wrapping_add(*byte)).wrapping_neg()
}

/// A PDU as it goes on the wire to or from `unit`.
pub fn wrap(unit: u8, pdu: &[u8]) -> Vec<u8> {
    let mut adu = Vec::with_capacity(pdu.len() + FRAME_BYTES);
    adu.push(unit);
    adu.extend(pdu);
    let crc = crc16(&adu);
    adu.extend(crc.to_le_bytes());
    adu
}

/// Take a whole frame apart: unit and PDU.
///
/// # Errors
/// [`FrameError::Sum`] when the check sum is wrong, [`FrameError::Length`] when no frame has so few or so many bytes.
pub fn unwrap(adu: &[u8]) -> Result<(u8, &[u8]), FrameError> {
    let &[unit, ref pdu @ .., low, high] = adu else {
        return Err(FrameError::Length { found: u16::try_from(adu.len()).unwrap_or(u16::MAX) });
    };
    if pdu.is_empty() || adu.len() > ADU_MAX_BYTES {
        return Err(FrameError::Length { found: u16::try_from(adu.len()).unwrap_or(u16::MAX) });
    }
    let (found, sum) = (u16::from_le_bytes([low, high]), crc16(&adu[..adu.len() - 2]));
    if found == sum { Ok((unit, pdu)) } else { Err(FrameError::Sum { found, sum }) }
}

/// Gathers the bytes of one answer.
#[derive(Debug, Clone)]
pub struct Gathering {
    unit: u8,
    request: Request,
    bytes: Vec<u8>,
}

impl Gathering {
    /// Nothing received yet of the answer of `unit` to `request`.
    pub fn new(unit: u8, request: Request) -> Self {
        Self { unit, request, bytes: Vec::new() }
    }

    /// Take bytes; the answer once it is whole.
    ///
    /// # Errors
    /// As soon as the bytes cannot become the answer to this request, and for every way in which a whole frame is not it.
    pub fn take(&mut self, bytes: &[u8]) -> Result<Option<Answer>, FrameError> {
        self.bytes.extend(bytes);
        self.check_head()?;
        let demanded = self.demanded();
        if self.bytes.len() < demanded {
            return Ok(None);
        }
        let (_, pdu) = unwrap(&self.bytes[..demanded])?;
        if self.bytes.len() > demanded {
            let (function, found) = (self.request.function(), self.bytes.len() - FRAME_BYTES);
            return Err(FrameError::Size { function, found, expected: demanded - FRAME_BYTES });
        }
        self.request.check(pdu).map(Some)
    }

    fn check_head(&self) -> Result<(), FrameError> {
        let asked = self.request.function();
        match self.bytes[..] {
            [found, ..] if found != self.unit => Err(FrameError::Unit { found, asked: self.unit }),
            [_, found, ..] if found & 0x7F != asked => Err(FrameError::Function { found, asked }),
            _ => Ok(()),
        }
    }

    fn demanded(&self) -> usize {
        match self.bytes[..] {
            [_, function, ..] if function & 0x80 != 0 => EXCEPTION_BYTES,
            _ => self.request.answer_pdu_bytes() + FRAME_BYTES,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::rig::register_map::Table;

    fn read(count: u16) -> Request {
        Request::Read { table: Table::Holding, address: 10, count }
    }

    #[test]
    fn accepts_an_answer_however_it_is_cut() {
        let adu = wrap(7, &[3, 4, 0x12, 0x34, 0x56, 0x78]);
        for cut in 1..adu.len() {
            let mut gathering = Gathering::new(7, read(2));
            assert_eq!(gathering.take(&adu[..cut]), Ok(None), "cut at {cut}");
            assert_eq!(gathering.take(&adu[cut..]), Ok(Some(Answer::Values(vec![0x1234, 0x5678]))), "cut at {cut}");
        }
    }

    #[test]
    fn rejects_any_single_wrong_byte() {
        let adu = wrap(7, &[3, 4, 0x12, 0x34, 0x56, 0x78]);
        for at in 0..adu.len() {
            for by in 1..=255_u8 {
                let mut bytes = adu.clone();
                bytes[at] ^= by;
                let taken = Gathering::new(7, read(2)).take(&bytes);
                // A wrong byte that shortens the demanded length leaves bytes over; one that lengthens it waits for more.
                assert!(!matches!(taken, Ok(Some(_))), "byte {at} changed by {by:#04x}: {taken:?}");
            }
        }
    }

    #[test]
    fn rejects_bytes_beyond_the_frame() {
        let adu = wrap(7, &[3, 2, 0, 1]);
        let twice = [&adu[..], &adu[..]].concat();
        assert!(matches!(Gathering::new(7, read(1)).take(&twice), Err(FrameError::Size { .. })));
    }

    #[test]
    fn hands_on_a_refusal() {
        let refused = Gathering::new(7, read(1)).take(&wrap(7, &[0x83, 2]));
        assert_eq!(refused, Err(FrameError::Exception { code: 2 }));
    }
}
