//! A serial bus (Modbus RTU): how the port is driven, and how long things take on its wire. Pure arithmetic.
//!
//! Source: MODBUS over Serial Line Specification and Implementation Guide V1.02, sections 2.5.1 and 2.5.1.1 (frame,
//! silent intervals of 1.5 and 3.5 characters, fixed at 0.750 ms and 1.750 ms above 19 200 bit/s).

use serde::Serialize;

/// Fixed silence inside a frame above [`FIXED_ABOVE_BAUD`], s.
const FIXED_T1_5_S: f64 = 0.75e-3;
/// Fixed silence between frames above [`FIXED_ABOVE_BAUD`], s.
const FIXED_T3_5_S: f64 = 1.75e-3;
/// Above this rate the silences no longer follow the rate, bit/s.
const FIXED_ABOVE_BAUD: u32 = 19_200;
/// Bytes of a read request: unit, function, address, count, CRC.
const READ_REQUEST_BYTES: usize = 8;
/// Bytes of an answer to a read besides the data: unit, function, byte count, CRC.
const READ_ANSWER_FRAME_BYTES: usize = 5;
/// Bytes of the longest write we send: four registers (function 16).
const LONGEST_WRITE_BYTES: usize = 17;
/// After doubt the line must have been silent for at least this long before it is used again, s. Adapters on USB hand
/// bytes over in lumps up to 16 ms apart (common practice, no source).
pub const SETTLE_S: f64 = 20e-3;

/// Parity bit.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Parity {
    /// None.
    None,
    /// Even.
    Even,
    /// Odd.
    Odd,
}

/// How a serial port is driven. Eight data bits, as RTU demands.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct SerialLine {
    /// Bits a second.
    pub rate_baud: u32,
    /// Parity.
    pub parity: Parity,
    /// Stop bits, 1 or 2.
    pub stop_bits: u8,
    /// The line rests at least this long between an answer and the next request, s; never less than 3.5 characters.
    pub turn_around_s: f64,
    /// No answered transaction may hold the line longer, s of wall time.
    pub max_hold_s: f64,
}

impl SerialLine {
    /// Bits of a character: start, eight data, parity if any, stop.
    pub fn bits_a_character(&self) -> u32 {
        1 + 8 + u32::from(self.parity != Parity::None) + u32::from(self.stop_bits)
    }

    /// Time of one character, s: bits / rate.
    pub fn character_s(&self) -> f64 {
        f64::from(self.bits_a_character()) / f64::from(self.rate_baud)
    }

    /// Longest silence inside a frame (t1.5), s.
    pub fn inside_gap_s(&self) -> f64 {
        if self.rate_baud > FIXED_ABOVE_BAUD { FIXED_T1_5_S } else { 1.5 * self.character_s() }
    }

    /// Least silence between frames (t3.5), s.
    pub fn frame_gap_s(&self) -> f64 {
        if self.rate_baud > FIXED_ABOVE_BAUD { FIXED_T3_5_S } else { 3.5 * self.character_s() }
    }

    /// Rest of the line before a request, s: 3.5 characters or the turn-around time, whichever is longer.
    pub fn rest_s(&self) -> f64 {
        self.frame_gap_s().max(self.turn_around_s)
    }

    /// Silence demanded after doubt, s.
    pub fn settle_s(&self) -> f64 {
        self.rest_s().max(SETTLE_S)
    }

    /// Time of `bytes` on the wire, s.
    pub fn bytes_s(&self, bytes: usize) -> f64 {
        bytes as f64 * self.character_s()
    }

    /// How long a read of `data_bytes` holds the line, s: request, silence that ends it, answer, rest. The device's own
    /// thinking is not in it; the time-out bounds that.
    pub fn read_hold_s(&self, data_bytes: usize) -> f64 {
        self.bytes_s(READ_REQUEST_BYTES + READ_ANSWER_FRAME_BYTES + data_bytes) + self.frame_gap_s() + self.rest_s()
    }

    /// Most bytes of data that one read may ask for, so that it holds the line no longer than `max_hold_s`; 0: not even
    /// one register fits.
    pub fn most_data_bytes(&self) -> usize {
        let spare_s = self.max_hold_s - self.read_hold_s(0);
        if spare_s <= 0.0 {
            return 0;
        }
        // Rounding must not lose the byte that fits exactly.
        ((spare_s / self.character_s() + 1e-9) as usize).min(250) & !1
    }

    /// Longest time from the decision to stop until the starter has answered, s of wall time: whatever holds the line
    /// (a transaction of `max_hold_s`, or one that a dead neighbour never answers and the silence demanded after it),
    /// then the stop itself and its time-out.
    pub fn worst_stop_delay_s(&self, timeout_s: f64) -> f64 {
        let dead_s = self.bytes_s(LONGEST_WRITE_BYTES) + timeout_s + self.settle_s();
        self.max_hold_s.max(dead_s) + self.rest_s() + self.bytes_s(READ_REQUEST_BYTES) + timeout_s
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn line(rate_baud: u32) -> SerialLine {
        SerialLine { rate_baud, parity: Parity::Even, stop_bits: 1, turn_around_s: 0.0, max_hold_s: 0.05 }
    }

    #[test]
    fn law_no_read_holds_the_line_longer_than_allowed() {
        for rate_baud in [2400, 4800, 9600, 19_200, 38_400, 115_200, 1_000_000] {
            let line = line(rate_baud);
            let bytes = line.most_data_bytes();
            if bytes == 0 {
                assert!(line.read_hold_s(2) > line.max_hold_s, "{rate_baud} bit/s: one register would fit");
                continue;
            }
            assert!(line.read_hold_s(bytes) <= line.max_hold_s + 1e-12, "{rate_baud} bit/s: {bytes} bytes do not fit");
            assert!(bytes == 250 || line.read_hold_s(bytes + 2) > line.max_hold_s, "{rate_baud} bit/s: one more fits");
        }
    }

    #[test]
    fn law_a_slower_line_never_stops_sooner() {
        let delays: Vec<f64> = [1200, 9600, 19_200, 115_200].map(|rate| line(rate).worst_stop_delay_s(0.25)).to_vec();
        assert!(delays.windows(2).all(|pair| pair[0] >= pair[1]), "{delays:?} s");
        assert!(delays[3] >= 0.5, "a dead neighbour and the stop itself cost a time-out each: {} s", delays[3]);
    }
}
