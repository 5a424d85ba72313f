//! Linear 24-bit samples (RFC 3190 section 4.1: two's complement, high byte first) to `i32`.

/// Bytes of a sample on the wire.
pub const SAMPLE_LEN: usize = 3;

/// Append the samples of `payload` to `counts`. Trailing bytes that are no whole sample are left out; the caller has
/// checked the length.
///
/// count = (b0 << 16 | b1 << 8 | b2), bit 23 extended to bits 24-31. Range: -8 388 608 ..= 8 388 607, exact.
pub fn append_l24(payload: &[u8], counts: &mut Vec<i32>) {
    // The three bytes go to the top of the word, so that the arithmetic shift brings the sign down with it.
    let (samples, _) = payload.as_chunks::<SAMPLE_LEN>();
    counts.extend(samples.iter().map(|sample| i32::from_be_bytes([sample[0], sample[1], sample[2], 0]) >> 8));
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn extends_the_sign_at_both_ends_of_the_range() {
        let wire = [0x7f, 0xff, 0xff, 0x80, 0, 0, 0xff, 0xff, 0xff, 0, 0, 0, 0, 0, 1];
        let mut counts = Vec::new();
        append_l24(&wire, &mut counts);
        assert_eq!(counts, [8_388_607, -8_388_608, -1, 0, 1]);
    }

    #[test]
    fn law_every_24_bit_count_survives_the_way_to_the_wire_and_back() {
        let all: Vec<i32> = (-8_388_608..=8_388_607).step_by(251).collect();
        let wire: Vec<u8> = all.iter().flat_map(|count| count.to_be_bytes()[1..].to_vec()).collect();
        let mut counts = Vec::new();
        append_l24(&wire, &mut counts);
        assert_eq!(counts, all);
    }
}
