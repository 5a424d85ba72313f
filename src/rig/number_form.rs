//! How registers become a number: width, sign, order of words and bytes. Pure.
//!
//! The standard says only that a register goes over the wire high byte first; how wider numbers are laid into registers
//! is each maker's own, so the map says it.

use serde::{Deserialize, Serialize};

/// What kind of number.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, Default)]
#[serde(rename_all = "kebab-case")]
pub enum NumberForm {
    /// 16 bits, unsigned; a single bit in a table of bits.
    #[default]
    U16,
    /// 16 bits, two's complement.
    I16,
    /// 32 bits, unsigned.
    U32,
    /// 32 bits, two's complement.
    I32,
    /// 64 bits, unsigned.
    U64,
    /// 64 bits, two's complement.
    I64,
    /// IEEE 754 binary32.
    F32,
}

/// In which order the bytes of a wide number lie; a byte's letter is its weight, A the highest.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, Default)]
#[serde(rename_all = "kebab-case")]
pub enum WordOrder {
    /// ABCD: highest word first.
    #[default]
    HighFirst,
    /// CDAB: lowest word first.
    LowFirst,
    /// BADC: highest word first, the bytes of each word swapped.
    HighFirstSwapped,
    /// DCBA: lowest word first, the bytes of each word swapped.
    LowFirstSwapped,
}

impl NumberForm {
    /// Registers that it takes.
    pub fn registers(self) -> u16 {
        match self {
            Self::U16 | Self::I16 => 1,
            Self::U32 | Self::I32 | Self::F32 => 2,
            Self::U64 | Self::I64 => 4,
        }
    }

    /// The number that a bit pattern means. 64-bit integers beyond 2^53 are rounded to the nearest number an f64 has.
    pub fn number(self, raw: u64) -> f64 {
        match self {
            Self::U16 => f64::from(raw as u16),
            Self::I16 => f64::from((raw as u16).cast_signed()),
            Self::U32 => f64::from(raw as u32),
            Self::I32 => f64::from((raw as u32).cast_signed()),
            Self::U64 => raw as f64,
            Self::I64 => raw.cast_signed() as f64,
            Self::F32 => f64::from(f32::from_bits(raw as u32)),
        }
    }

    /// The bit pattern nearest to a number; `None` when it has none: not finite, or out of range.
    pub fn pattern(self, number: f64) -> Option<u64> {
        if let Self::F32 = self {
            let narrow = number as f32;
            return narrow.is_finite().then(|| u64::from(narrow.to_bits()));
        }
        let whole = number.round();
        // The upper ends of 64 bits have no f64 of their own: the next one above is out.
        let (least, beyond) = match self {
            Self::U16 => (0.0, 65_536.0),
            Self::I16 => (-32_768.0, 32_768.0),
            Self::U32 => (0.0, 4_294_967_296.0),
            Self::I32 => (-2_147_483_648.0, 2_147_483_648.0),
            Self::U64 => (0.0, 18_446_744_073_709_551_616.0),
            Self::I64 | Self::F32 => (-9_223_372_036_854_775_808.0, 9_223_372_036_854_775_808.0),
        };
        if !(whole >= least && whole < beyond) {
            return None;
        }
        Some(match self {
            Self::U16 | Self::U32 | Self::U64 => whole as u64,
            Self::I16 => u64::from((whole as i16).cast_unsigned()),
            Self::I32 => u64::from((whole as i32).cast_unsigned()),
            Self::I64 | Self::F32 => (whole as i64).cast_unsigned(),
        })
    }
}

impl WordOrder {
    fn low_first(self) -> bool {
        matches!(self, Self::LowFirst | Self::LowFirstSwapped)
    }

    fn swapped(self) -> bool {
        matches!(self, Self::HighFirstSwapped | Self::LowFirstSwapped)
    }

    /// The bit pattern in registers as they came, at most four.
    ///
    /// ```
    /// use ramprig::rig::number_form::WordOrder;
    /// assert_eq!(WordOrder::LowFirst.gather(&[0x5678, 0x1234]), 0x1234_5678);
    /// ```
    pub fn gather(self, registers: &[u16]) -> u64 {
        let put = |pattern: u64, register: &u16| {
            let word = if self.swapped() { register.swap_bytes() } else { *register };
            (pattern << 16) | u64::from(word)
        };
        if self.low_first() { registers.iter().rev().fold(0, put) } else { registers.iter().fold(0, put) }
    }

    /// The registers, as they go on the wire, of a bit pattern of `count` words.
    pub fn spread(self, pattern: u64, count: u16) -> Vec<u16> {
        let word = |place: u16| {
            let word = (pattern >> (16 * u32::from(place))) as u16;
            if self.swapped() { word.swap_bytes() } else { word }
        };
        if self.low_first() { (0..count).map(word).collect() } else { (0..count).rev().map(word).collect() }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const FORMS: [NumberForm; 7] = [
        NumberForm::U16,
        NumberForm::I16,
        NumberForm::U32,
        NumberForm::I32,
        NumberForm::U64,
        NumberForm::I64,
        NumberForm::F32,
    ];
    const ORDERS: [WordOrder; 4] =
        [WordOrder::HighFirst, WordOrder::LowFirst, WordOrder::HighFirstSwapped, WordOrder::LowFirstSwapped];

    #[test]
    fn law_what_is_spread_is_gathered_again() {
        for order in ORDERS {
            for count in [1, 2, 4] {
                let pattern = 0x0123_4567_89AB_CDEF_u64 & (u64::MAX >> (64 - 16 * u32::from(count)));
                assert_eq!(order.gather(&order.spread(pattern, count)), pattern, "{order:?}, {count} words");
            }
        }
    }

    #[test]
    fn law_a_number_that_has_a_pattern_comes_back() {
        for form in FORMS {
            for number in [0.0, 1.0, -1.0, 32_767.0, -32_768.0, 65_535.0, 2_147_483_647.0, 4_294_967_295.0, 1e15] {
                if let Some(pattern) = form.pattern(number) {
                    let back = form.number(pattern);
                    let exact = form != NumberForm::F32 || f64::from(number as f32) == number;
                    assert!(!exact || back == number, "{form:?}: expected {number}, got {back}");
                }
            }
        }
    }

    #[test]
    fn rejects_numbers_that_do_not_fit() {
        for (form, number) in [
            (NumberForm::U16, -1.0),
            (NumberForm::U16, 65_536.0),
            (NumberForm::I16, 32_768.0),
            (NumberForm::U32, 4_294_967_296.0),
            (NumberForm::I32, -2_147_483_649.0),
            (NumberForm::U64, 18_446_744_073_709_551_616.0),
            (NumberForm::I64, 9_223_372_036_854_775_808.0),
            (NumberForm::F32, 1e39),
            (NumberForm::F32, f64::NAN),
            (NumberForm::I32, f64::NAN),
        ] {
            assert_eq!(form.pattern(number), None, "{form:?} of {number}");
        }
    }
}
