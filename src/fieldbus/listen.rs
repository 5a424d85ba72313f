//! Listening to somebody else's Modbus RTU line: which requests and answers pass, and what registers they carry. Pure:
//! bytes with their arrival times in, what was heard out. Nothing here can send.
//!
//! An RTU frame does not say whether it asks or answers, and some lengths fit both. So a frame is cut by the lengths its
//! function code allows, proven by its check sum, and read as an answer only while a request of the same unit and function
//! is open; everything else that is whole is a request. An answer counts only if it fits the request before it (count,
//! address, echo) and came before the answer's time was up; otherwise it is stray. Bytes that begin no frame are passed
//! over one by one and counted; a silence longer than a frame can hold ends what is unfinished.
//!
//! Source: MODBUS Application Protocol V1.1b3, section 6 (lengths); MODBUS over Serial Line V1.02, section 2.5.1.

use super::rtu::{ADU_MAX_BYTES, crc16};
use crate::rig::register_map::Table;
use crate::rig::serial_line::{SETTLE_S, SerialLine};

/// An answer later than this after its request is stray, ns (masters give up within a second or so; common practice, no
/// source).
const ANSWER_WITHIN_NS: u64 = 2_000_000_000;
/// Shortest frame: unit, function, check sum.
const LEAST_BYTES: usize = 4;

/// One value seen on the line.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct HeardValue {
    /// Unit.
    pub unit: u8,
    /// Table.
    pub table: Table,
    /// Address.
    pub address: u16,
    /// Raw register, or a bit as 0 or 1.
    pub raw: u16,
    /// Arrival of the answer that carried it, ns of the wall clock.
    pub at_wall_ns: u64,
}

/// What passed so far.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Heard {
    /// Bytes.
    pub bytes: u64,
    /// Requests.
    pub requests: u64,
    /// Answers that fit their request.
    pub answers: u64,
    /// Answers that refused.
    pub exceptions: u64,
    /// Whole frames that fit nothing.
    pub strays: u64,
    /// Bytes that began no frame.
    pub garbage: u64,
}

/// A request that waits for its answer.
#[derive(Debug, Clone)]
struct Open {
    pdu: Vec<u8>,
    unit: u8,
    at_ns: u64,
}

/// Cuts and pairs what passes on one line.
#[derive(Debug, Clone)]
pub struct Listener {
    silence_ns: u64,
    bytes: Vec<u8>,
    last_ns: u64,
    open: Option<Open>,
    heard: Heard,
}

/// What the bytes at hand may be.
enum Cut {
    /// A whole frame of this length with a right check sum.
    Whole { length: usize, is_answer: bool },
    /// Too few bytes to say.
    More,
    /// No frame begins here.
    None,
}

impl Listener {
    /// For a line. A silence as long as the longest lump of an adapter and the line's own gap ends a frame.
    pub fn new(line: &SerialLine) -> Self {
        let silence_s = line.frame_gap_s().max(SETTLE_S);
        Self {
            silence_ns: (silence_s * 1e9) as u64,
            bytes: Vec::with_capacity(2 * ADU_MAX_BYTES),
            last_ns: 0,
            open: None,
            heard: Heard::default(),
        }
    }

    /// What passed so far.
    pub fn heard(&self) -> Heard {
        self.heard
    }

    /// Takes bytes that arrived at `now_ns`; `tell` gets every value that an answer carried or a write set.
    pub fn take(&mut self, bytes: &[u8], now_ns: u64, mut tell: impl FnMut(HeardValue)) {
        if now_ns.saturating_sub(self.last_ns) > self.silence_ns {
            self.heard.garbage += self.bytes.len() as u64;
            self.bytes.clear();
        }
        self.last_ns = now_ns;
        self.heard.bytes += bytes.len() as u64;
        self.bytes.extend(bytes);
        loop {
            match self.cut(now_ns) {
                Cut::Whole { length, is_answer } => {
                    let frame: Vec<u8> = self.bytes.drain(..length).collect();
                    self.frame(&frame, is_answer, now_ns, &mut tell);
                }
                Cut::None => {
                    self.bytes.drain(..1);
                    self.heard.garbage += 1;
                }
                Cut::More => return,
            }
        }
    }

    fn awaited(&self, now_ns: u64) -> Option<&Open> {
        self.open.as_ref().filter(|open| now_ns.saturating_sub(open.at_ns) <= ANSWER_WITHIN_NS)
    }

    fn cut(&self, now_ns: u64) -> Cut {
        let [unit, function, ..] = self.bytes[..] else { return Cut::More };
        let answers = self
            .awaited(now_ns)
            .is_some_and(|open| open.unit == unit && open.pdu.first().copied() == Some(function & 0x7F));
        let order = if answers { [true, false] } else { [false, true] };
        let mut waits = false;
        for is_answer in order {
            match frame_bytes(&self.bytes, is_answer) {
                Length::Known(length) if length > ADU_MAX_BYTES => {}
                Length::Known(length) if self.bytes.len() < length => waits = true,
                Length::Known(length) => {
                    if sum_fits(&self.bytes[..length]) {
                        return Cut::Whole { length, is_answer };
                    }
                }
                Length::Unknown => waits = true,
                Length::Never => {}
            }
        }
        if waits { Cut::More } else { Cut::None }
    }

    fn frame(&mut self, frame: &[u8], is_answer: bool, now_ns: u64, tell: &mut impl FnMut(HeardValue)) {
        let (unit, pdu) = (frame[0], &frame[1..frame.len() - 2]);
        if !is_answer {
            self.heard.requests += 1;
            // A broadcast (unit 0) has no answer.
            self.open = (unit != 0).then(|| Open { pdu: pdu.to_vec(), unit, at_ns: now_ns });
            return;
        }
        let open = self.open.take_if(|open| open.unit == unit && open.pdu.first() == Some(&(pdu[0] & 0x7F)));
        let Some(open) = open.filter(|open| now_ns.saturating_sub(open.at_ns) <= ANSWER_WITHIN_NS) else {
            self.heard.strays += 1;
            return;
        };
        if pdu[0] & 0x80 != 0 {
            self.heard.exceptions += 1;
        } else if values(&open.pdu, pdu, |table, address, raw| {
            tell(HeardValue { unit, table, address, raw, at_wall_ns: now_ns });
        }) {
            self.heard.answers += 1;
        } else {
            self.heard.strays += 1;
        }
    }
}

/// Length of a frame.
enum Length {
    Known(usize),
    /// More bytes are needed to say.
    Unknown,
    /// No such frame.
    Never,
}

/// Bytes of the frame that begins here, as request or answer.
fn frame_bytes(bytes: &[u8], is_answer: bool) -> Length {
    let function = bytes[1];
    let counted =
        |at: usize, rest: usize| bytes.get(at).map_or(Length::Unknown, |n| Length::Known(rest + usize::from(*n)));
    match (function, is_answer) {
        (1..=4, false) | (5 | 6, _) | (15 | 16, true) => Length::Known(8),
        (1..=4, true) => counted(2, 5),
        (15 | 16, false) => counted(6, 9),
        (0x81..=0xFF, true) => Length::Known(5),
        // Diagnostics (8) echo their request; identification and others have lengths of their own and are not followed.
        (8, _) => Length::Known(8),
        (7 | 11 | 12 | 17, false) => Length::Known(LEAST_BYTES),
        (7, true) => Length::Known(5),
        (11, true) => Length::Known(8),
        (12 | 17, true) => counted(2, 5),
        (22, _) => Length::Known(10),
        (23, false) => counted(10, 13),
        (23, true) => counted(2, 5),
        _ => Length::Never,
    }
}

fn sum_fits(frame: &[u8]) -> bool {
    let (body, sum) = frame.split_at(frame.len() - 2);
    crc16(body).to_le_bytes() == sum
}

/// Tells the values that an answer carries; false where it does not fit its request.
fn values(request: &[u8], answer: &[u8], mut tell: impl FnMut(Table, u16, u16)) -> bool {
    let word = |pdu: &[u8], at: usize| Some(u16::from_be_bytes([*pdu.get(at)?, *pdu.get(at + 1)?]));
    let (Some(first), Some(second)) = (word(request, 1), word(request, 3)) else { return true };
    let table = match request[0] {
        1 => Table::Coil,
        2 => Table::DiscreteInput,
        3 | 23 => Table::Holding,
        4 => Table::Input,
        5 | 6 => return single_write(request, answer, first, second, tell),
        15 | 16 => return block_write(request, answer, first, tell),
        _ => return true,
    };
    let data = &answer[2..];
    let is_bits = matches!(table, Table::Coil | Table::DiscreteInput);
    let count = usize::from(second);
    if data.len() != if is_bits { count.div_ceil(8) } else { 2 * count } {
        return false;
    }
    for k in 0..count {
        let raw = if is_bits { u16::from(data[k / 8] >> (k % 8) & 1) } else { word(data, 2 * k).unwrap_or(0) };
        tell(table, first.wrapping_add(k as u16), raw);
    }
    true
}

fn single_write(
    request: &[u8],
    answer: &[u8],
    address: u16,
    value: u16,
    mut tell: impl FnMut(Table, u16, u16),
) -> bool {
    if request != answer {
        return false;
    }
    match request[0] {
        5 => tell(Table::Coil, address, u16::from(value == 0xFF00)),
        _ => tell(Table::Holding, address, value),
    }
    true
}

fn block_write(request: &[u8], answer: &[u8], address: u16, mut tell: impl FnMut(Table, u16, u16)) -> bool {
    if request.get(..5) != answer.get(..5) {
        return false;
    }
    let (count, data) = (usize::from(u16::from_be_bytes([request[3], request[4]])), &request[6..]);
    for k in 0..count {
        let address = address.wrapping_add(k as u16);
        match request[0] {
            15 => {
                let Some(byte) = data.get(k / 8) else { return false };
                tell(Table::Coil, address, u16::from(byte >> (k % 8) & 1));
            }
            _ => {
                let Some([high, low]) = data.get(2 * k..2 * k + 2) else { return false };
                tell(Table::Holding, address, u16::from_be_bytes([*high, *low]));
            }
        }
    }
    true
}

#[cfg(test)]
mod tests {
    use super::super::rtu::wrap;
    use super::*;
    use crate::rig::serial_line::Parity;

    const LINE: SerialLine =
        SerialLine { rate_baud: 19_200, parity: Parity::Even, stop_bits: 1, turn_around_s: 0.0, max_hold_s: 0.05 };
    const MS: u64 = 1_000_000;

    fn listen(pieces: &[(u64, Vec<u8>)]) -> (Listener, Vec<(u8, Table, u16, u16)>) {
        let (mut listener, mut told) = (Listener::new(&LINE), Vec::new());
        for (at_ms, bytes) in pieces {
            listener.take(bytes, at_ms * MS, |v| told.push((v.unit, v.table, v.address, v.raw)));
        }
        (listener, told)
    }

    fn read_two() -> (Vec<u8>, Vec<u8>) {
        (wrap(7, &[3, 0, 10, 0, 2]), wrap(7, &[3, 4, 0x12, 0x34, 0, 5]))
    }

    #[test]
    fn pairs_requests_with_their_answers_however_they_are_cut() {
        let (request, answer) = read_two();
        let all = [request, answer].concat();
        let expected = vec![(7, Table::Holding, 10, 0x1234), (7, Table::Holding, 11, 5)];
        for cut in 1..all.len() {
            let (listener, told) = listen(&[(1, all[..cut].to_vec()), (5, all[cut..].to_vec())]);
            assert_eq!(told, expected, "cut at {cut}");
            assert_eq!((listener.heard().requests, listener.heard().answers, listener.heard().garbage), (1, 1, 0));
        }
    }

    #[test]
    fn tells_an_answer_of_eight_bytes_from_a_request() {
        // Three bytes of coils: as long as a request.
        let request = wrap(9, &[1, 0, 0, 0, 20]);
        let answer = wrap(9, &[1, 3, 0b101, 0, 0b1000]);
        assert_eq!(request.len(), answer.len());
        let (listener, told) = listen(&[(1, request), (9, answer)]);
        assert_eq!(listener.heard().answers, 1);
        let on: Vec<u16> = told.iter().filter(|value| value.3 == 1).map(|value| value.2).collect();
        assert_eq!((told.len(), on), (20, vec![0, 2, 19]));
    }

    #[test]
    fn hears_writes_once_they_are_echoed() {
        let coil = wrap(3, &[5, 0, 4, 0xFF, 0]);
        let block = wrap(3, &[16, 0, 20, 0, 2, 4, 0, 1, 0, 2]);
        let echo = wrap(3, &[16, 0, 20, 0, 2]);
        let (_, told) = listen(&[(1, coil.clone()), (4, coil), (50, block.clone()), (60, echo)]);
        assert_eq!(told, vec![(3, Table::Coil, 4, 1), (3, Table::Holding, 20, 1), (3, Table::Holding, 21, 2)]);
        let (_, unanswered) = listen(&[(1, block)]);
        assert_eq!(unanswered, vec![], "a write nobody confirmed sets nothing");
    }

    #[test]
    fn believes_no_answer_that_fits_no_request() {
        let (request, answer) = read_two();
        let (listener, told) = listen(&[(1, answer.clone())]);
        assert_eq!((told.len(), listener.heard().answers), (0, 0), "nobody asked");
        let (_, late) = listen(&[(1, request.clone()), (5_000, answer.clone())]);
        assert_eq!(late, vec![], "five seconds late");
        let other = wrap(7, &[3, 0, 10, 0, 3]);
        let (listener, told) = listen(&[(1, other), (9, answer.clone())]);
        assert_eq!((told.len(), listener.heard().strays), (0, 1), "three registers were asked");
        let refused = wrap(7, &[0x83, 2]);
        let (listener, told) = listen(&[(1, request), (9, refused), (12, answer)]);
        assert_eq!((told.len(), listener.heard().exceptions), (0, 1));
    }

    #[test]
    fn recovers_after_noise_and_a_torn_frame() {
        let (request, answer) = read_two();
        let mut torn = answer.clone();
        torn.truncate(6);
        let noise = vec![0x00, 0xFF, 0x03, 0x80];
        let pieces = [(1, request.clone()), (5, torn), (100, noise), (200, request), (210, answer)];
        let (listener, told) = listen(&pieces);
        assert_eq!(told.len(), 2, "{:?}", listener.heard());
    }

    #[test]
    fn rejects_every_single_wrong_byte_of_an_answer() {
        let (request, answer) = read_two();
        for at in 0..answer.len() {
            for by in 1..=255_u8 {
                let mut wrong = answer.clone();
                wrong[at] ^= by;
                let (_, told) = listen(&[(1, request.clone()), (9, wrong)]);
                assert_eq!(told, vec![], "byte {at} changed by {by:#04x}");
            }
        }
    }
}
