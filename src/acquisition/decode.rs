//! Samples as the wire writes them, to `i32`: 16 and 24 bits high byte first (RFC 3551 section 4.5.11, RFC 3190 section
//! 4.1), and the low-byte-first forms of bare frames.

use crate::rig::model::SampleCode;

/// Append the samples of `payload` to `counts`. Trailing bytes that are no whole sample are left out; the caller has
/// checked the length. Exact over the whole range of the code.
pub fn append(code: SampleCode, payload: &[u8], counts: &mut Vec<i32>) {
    match code {
        SampleCode::L16 => {
            counts.extend(payload.as_chunks::<2>().0.iter().map(|b| i32::from(i16::from_be_bytes(*b))));
        }
        SampleCode::S16Le => {
            counts.extend(payload.as_chunks::<2>().0.iter().map(|b| i32::from(i16::from_le_bytes(*b))));
        }
        // The three bytes go to the top of the word, so that the arithmetic shift brings the sign down with it.
        SampleCode::L24 => {
            counts.extend(payload.as_chunks::<3>().0.iter().map(|b| i32::from_be_bytes([b[0], b[1], b[2], 0]) >> 8));
        }
        SampleCode::S24Le => {
            counts.extend(payload.as_chunks::<3>().0.iter().map(|b| i32::from_le_bytes([0, b[0], b[1], b[2]]) >> 8));
        }
        SampleCode::S32Le => counts.extend(payload.as_chunks::<4>().0.iter().map(|b| i32::from_le_bytes(*b))),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn decoded(code: SampleCode, wire: &[u8]) -> Vec<i32> {
        let mut counts = Vec::new();
        append(code, wire, &mut counts);
        counts
    }

    #[test]
    fn extends_the_sign_at_both_ends_of_the_range() {
        let wire = [0x7f, 0xff, 0xff, 0x80, 0, 0, 0xff, 0xff, 0xff, 0, 0, 0, 0, 0, 1];
        assert_eq!(decoded(SampleCode::L24, &wire), [8_388_607, -8_388_608, -1, 0, 1]);
        assert_eq!(decoded(SampleCode::L16, &[0x7f, 0xff, 0x80, 0, 0xff, 0xff, 0, 1]), [32_767, -32_768, -1, 1]);
        assert_eq!(decoded(SampleCode::S16Le, &[0xff, 0x7f, 0, 0x80, 1, 0]), [32_767, -32_768, 1]);
        assert_eq!(decoded(SampleCode::S24Le, &[0xff, 0xff, 0x7f, 0, 0, 0x80, 1, 0, 0]), [8_388_607, -8_388_608, 1]);
        assert_eq!(decoded(SampleCode::S32Le, &[0xff, 0xff, 0xff, 0x7f, 0, 0, 0, 0x80]), [i32::MAX, i32::MIN]);
    }

    #[test]
    fn law_every_count_survives_the_way_to_the_wire_and_back() {
        for code in [SampleCode::L16, SampleCode::L24, SampleCode::S16Le, SampleCode::S24Le, SampleCode::S32Le] {
            let (least, most) = code.counts();
            let step = (i64::from(most) - i64::from(least)) / 66_000 + 1;
            let all: Vec<i32> = (i64::from(least)..=i64::from(most)).step_by(step as usize).map(|n| n as i32).collect();
            let bytes = code.bytes();
            let written = |count: &i32| match code.is_rtp() {
                true => count.to_be_bytes()[4 - bytes..].to_vec(),
                false => count.to_le_bytes()[..bytes].to_vec(),
            };
            assert_eq!(decoded(code, &all.iter().flat_map(written).collect::<Vec<u8>>()), all, "{code:?}");
        }
    }
}
