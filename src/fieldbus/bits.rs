//! Command registers of which single bits are commands of their own: a write changes one bit and leaves the others.
//!
//! Where the map says `mask_write` the device changes the bit itself (FC 22), and nothing can come between. Elsewhere the
//! register is read and written back. Two threads of one link may do that at once (orders on one connection, stops on the
//! other), so that bits of our own never come out of the reading: they are as last wanted, whoever of us wanted it, and a
//! stop stays a stop in whatever is written after it. Bits that the map does not name are written back as read. A stop
//! does not wait for a reading where one is known.

use std::collections::BTreeMap;
use std::sync::{Mutex, PoisonError};

/// Registers as last wanted, by address.
#[derive(Debug, Default)]
pub(super) struct BitImages(Mutex<BTreeMap<u16, u16>>);

/// One bit of a register.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct BitWrite {
    pub(super) address: u16,
    pub(super) bit: u8,
    pub(super) on: bool,
    /// Bits of the register that this map commands.
    pub(super) ours: u16,
}

impl BitWrite {
    pub(super) fn mask(self) -> u16 {
        1 << self.bit
    }

    fn applied(self, register: u16) -> u16 {
        if self.on { register | self.mask() } else { register & !self.mask() }
    }
}

impl BitImages {
    /// The register to write after it was read as `read`.
    pub(super) fn after_reading(&self, write: BitWrite, read: u16) -> u16 {
        let mut images = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        let known = images.get(&write.address).copied().unwrap_or(read);
        let next = write.applied((read & !write.ours) | (known & write.ours));
        images.insert(write.address, next);
        next
    }

    /// The register to write by what is known of it; `None`: it was never read.
    pub(super) fn at_once(&self, write: BitWrite) -> Option<u16> {
        let mut images = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        let image = images.get_mut(&write.address)?;
        *image = write.applied(*image);
        Some(*image)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Run is bit 0, cut is bit 1; the others are somebody else's.
    fn write(bit: u8, on: bool) -> BitWrite {
        BitWrite { address: 7, bit, on, ours: 0b11 }
    }

    #[test]
    fn leaves_bits_that_are_not_ours_as_they_were_read() {
        let images = BitImages::default();
        assert_eq!(images.at_once(write(0, false)), None, "never read");
        assert_eq!(images.after_reading(write(0, true), 0x8000), 0x8001);
        assert_eq!(images.after_reading(write(1, true), 0x4001), 0x4003, "theirs as now read");
        assert_eq!(images.at_once(write(0, false)), Some(0x4002));
    }

    #[test]
    fn keeps_a_stop_that_came_between_reading_and_writing() {
        let images = BitImages::default();
        images.after_reading(write(0, true), 0);
        let read_before_the_stop = 0b01;
        assert_eq!(images.at_once(write(0, false)), Some(0b00), "the stop, on the other connection");
        assert_eq!(images.after_reading(write(1, true), read_before_the_stop), 0b10, "run does not come back");
    }
}
