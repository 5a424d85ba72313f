//! Datagrams back in the order of their RTP sequence numbers (RFC 3550 section 5.1), with a bounded wait. No socket, no
//! clock: times come with the datagrams.
//!
//! A datagram that comes early is held until those before it have come, until [`WINDOW`] are held, or until the oldest
//! held one has waited [`HOLD_NS`]; then what is missing counts as lost, and whatever of it still comes is late. A jump
//! of the numbers by more than [`LEAP`] is no disorder: such a datagram passes at once, and so does one of another
//! synchronisation source; the receiver behind decides what that means.

use std::collections::BTreeMap;

/// Datagrams held at most.
pub const WINDOW: usize = 64;
/// Longest wait for a datagram, ns of wall time.
pub const HOLD_NS: u64 = 20_000_000;
/// Numbers further ahead than this are another sequence.
pub const LEAP: u16 = 4 * WINDOW as u16;
/// Bytes of the fixed RTP header.
const HEADER: usize = 12;

/// A datagram and when it came.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Held {
    /// The packet.
    pub bytes: Vec<u8>,
    /// Arrival, wall ns.
    pub arrived_ns: u64,
}

/// The waiting room.
#[derive(Debug, Default)]
pub struct Reorder {
    /// Number that is due, and of whom.
    due: Option<(u16, u32)>,
    /// Held, by their distance from the number that was due when the room was last empty.
    held: BTreeMap<u16, Held>,
    origin: u16,
    /// Datagrams that came before one that was due.
    pub reordered: u64,
    /// Datagrams that were already held.
    pub repeated: u64,
}

impl Reorder {
    /// Forget everything: a new stream begins.
    pub fn restart(&mut self) {
        self.due = None;
        self.held.clear();
    }

    /// A datagram came; those that are now in order go to `out`.
    pub fn take(&mut self, bytes: &[u8], arrived_ns: u64, out: &mut Vec<Held>) {
        let held = || Held { bytes: bytes.to_vec(), arrived_ns };
        let (Some(number), Some(sender)) = (sequence(bytes), source(bytes)) else {
            out.push(held());
            return;
        };
        let Some((due, of)) = self.due else {
            self.due = Some((number.wrapping_add(1), sender));
            out.push(held());
            return;
        };
        let ahead = number.wrapping_sub(due);
        let behind = ahead > u16::MAX / 2;
        if sender != of || (!behind && ahead > LEAP) {
            self.release_all(out);
            self.due = Some((number.wrapping_add(1), sender));
            out.push(held());
        } else if ahead == 0 {
            self.due = Some((due.wrapping_add(1), of));
            out.push(held());
            self.release_in_order(out);
        } else if behind {
            out.push(held());
        } else {
            self.hold(number, due, held(), out);
        }
    }

    fn hold(&mut self, number: u16, due: u16, held: Held, out: &mut Vec<Held>) {
        if self.held.is_empty() {
            self.origin = due;
        }
        let place = number.wrapping_sub(self.origin);
        if self.held.contains_key(&place) {
            self.repeated += 1;
            return;
        }
        self.held.insert(place, held);
        if self.held.len() >= WINDOW {
            self.skip(out);
        }
    }

    /// What has waited too long at `now_ns` goes on without those before it.
    pub fn expire(&mut self, now_ns: u64, out: &mut Vec<Held>) {
        let oldest = |held: &BTreeMap<u16, Held>| held.values().map(|held| held.arrived_ns).min();
        while oldest(&self.held).is_some_and(|arrived_ns| now_ns.saturating_sub(arrived_ns) >= HOLD_NS) {
            self.skip(out);
        }
    }

    /// Give up waiting for what is before the first held one.
    fn skip(&mut self, out: &mut Vec<Held>) {
        if let (Some((place, _)), Some((_, of))) = (self.held.first_key_value(), self.due) {
            self.due = Some((self.origin.wrapping_add(*place), of));
            self.release_in_order(out);
        }
    }

    fn release_in_order(&mut self, out: &mut Vec<Held>) {
        while let (Some((place, _)), Some((due, of))) = (self.held.first_key_value(), self.due)
            && self.origin.wrapping_add(*place) == due
        {
            out.extend(self.held.pop_first().map(|(_, held)| held));
            self.due = Some((due.wrapping_add(1), of));
            self.reordered += 1;
        }
    }

    fn release_all(&mut self, out: &mut Vec<Held>) {
        out.extend(std::mem::take(&mut self.held).into_values());
    }
}

fn sequence(bytes: &[u8]) -> Option<u16> {
    let pair = bytes.get(..HEADER)?.get(2..4)?;
    Some(u16::from_be_bytes([pair[0], pair[1]]))
}

fn source(bytes: &[u8]) -> Option<u32> {
    let word = bytes.get(8..HEADER)?;
    Some(u32::from_be_bytes([word[0], word[1], word[2], word[3]]))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn packet(number: u16, sender: u32) -> Vec<u8> {
        let mut bytes = vec![0x80, 96];
        bytes.extend(number.to_be_bytes());
        bytes.extend([0; 4]);
        bytes.extend(sender.to_be_bytes());
        bytes
    }

    /// Numbers in the order in which they come out; each is one millisecond after the last.
    fn passed(reorder: &mut Reorder, numbers: &[u16]) -> Vec<u16> {
        let mut out = Vec::new();
        for (k, number) in numbers.iter().enumerate() {
            reorder.take(&packet(*number, 1), k as u64 * 1_000_000, &mut out);
        }
        out.iter().map(|held| sequence(&held.bytes).unwrap()).collect()
    }

    #[test]
    fn puts_datagrams_back_in_order_across_the_wrap() {
        let mut reorder = Reorder::default();
        let got = passed(&mut reorder, &[65_533, 65_535, 65_534, 1, 0, 3, 2]);
        assert_eq!(got, [65_533, 65_534, 65_535, 0, 1, 2, 3]);
        assert_eq!((reorder.reordered, reorder.repeated), (3, 0));
    }

    #[test]
    fn drops_one_that_is_held_already_and_passes_a_late_one_on() {
        let mut reorder = Reorder::default();
        assert_eq!(passed(&mut reorder, &[5, 7, 7, 6, 6]), [5, 6, 7, 6]);
        assert_eq!(reorder.repeated, 1);
    }

    #[test]
    fn gives_up_after_the_longest_wait_and_when_the_room_is_full() {
        let mut reorder = Reorder::default();
        let mut out = Vec::new();
        reorder.take(&packet(1, 1), 0, &mut out);
        reorder.take(&packet(3, 1), 10, &mut out);
        reorder.expire(HOLD_NS + 9, &mut out);
        assert_eq!(out.len(), 1, "still waiting");
        reorder.expire(HOLD_NS + 10, &mut out);
        assert_eq!(out.len(), 2);
        let numbers: Vec<u16> = (5..5 + WINDOW as u16).collect();
        assert_eq!(passed(&mut reorder, &numbers), numbers);
    }

    #[test]
    fn passes_another_sender_and_a_leap_at_once_after_what_was_held() {
        let mut reorder = Reorder::default();
        assert_eq!(passed(&mut reorder, &[5, 7, 5000, 5001]), [5, 7, 5000, 5001]);
        let mut out = Vec::new();
        reorder.take(&packet(40_000, 2), 0, &mut out);
        assert_eq!(out.len(), 1);
    }
}
