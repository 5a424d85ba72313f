//! Samples as the wire writes them, to `i32`: 16 and 24 bits high byte first (RFC 3551 section 4.5.11, RFC 3190 section
//! 4.1), and the low-byte-first forms of bare frames; and the question whether any sample of a block is outside its
//! channel's bounds. Eight samples at a time where the processor can (`wide`), one at a time elsewhere; both give the
//! same numbers.

#[cfg(target_arch = "x86_64")]
mod wide;

use crate::rig::model::SampleCode;

/// Append the samples of `payload` to `counts`. Trailing bytes that are no whole sample are left out; the caller has
/// checked the length. Exact over the whole range of the code.
pub fn append(code: SampleCode, payload: &[u8], counts: &mut Vec<i32>) {
    #[cfg(target_arch = "x86_64")]
    let payload = &payload[wide::append(code, payload, counts)..];
    append_singly(code, payload, counts);
}

/// Bounds of the channels of a frame: counts above `over` or below `under` are worth a closer look.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Bounds {
    channels: usize,
    /// Repeated until whole vectors fit; where one vector does not hold all, on to [`LONG`], so that few loops are begun.
    over: Vec<i32>,
    under: Vec<i32>,
}

impl Bounds {
    /// No bounds yet for frames of `channels`.
    pub fn open(channels: usize) -> Self {
        let fits = (1..=LANES).map(|times| times * channels).find(|places| places.is_multiple_of(LANES));
        let fits = fits.unwrap_or(channels * LANES);
        let places = if fits > LANES { fits * LONG.div_ceil(fits) } else { fits };
        Self { channels, over: vec![i32::MAX; places], under: vec![i32::MIN; places] }
    }

    /// Narrow the bounds of the channel at `position`.
    pub fn narrow(&mut self, position: usize, over: Option<i32>, under: Option<i32>) {
        for place in (position..self.over.len()).step_by(self.channels.max(1)) {
            self.over[place] = over.map_or(self.over[place], |most| most.min(self.over[place]));
            self.under[place] = under.map_or(self.under[place], |least| least.max(self.under[place]));
        }
    }

    /// True when every sample of these frames of `channels` is within the bounds. Frames of another width are not.
    pub fn hold(&self, counts: &[i32], channels: usize) -> bool {
        if channels != self.channels || channels == 0 {
            return false;
        }
        #[cfg(target_arch = "x86_64")]
        if let Some(within) = wide::within(counts, &self.over, &self.under) {
            return within;
        }
        within_singly(counts, &self.over, &self.under)
    }
}

/// Samples that are looked at together at most.
const LANES: usize = 8;
/// Bounds in a row where a vector does not hold those of all channels.
const LONG: usize = 512;

#[inline(always)]
fn within_singly(counts: &[i32], over: &[i32], under: &[i32]) -> bool {
    counts.chunks(over.len()).all(|part| {
        let outside = |((count, over), under): ((&i32, &i32), &i32)| (count > over) | (count < under);
        !part.iter().zip(over).zip(under).map(outside).fold(false, |any, one| any | one)
    })
}

fn append_singly(code: SampleCode, payload: &[u8], counts: &mut Vec<i32>) {
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

    /// Both ways, for every length about the width of a vector.
    #[test]
    fn agrees_with_itself_one_sample_at_a_time() {
        let wire: Vec<u8> = (0..400_u32).map(|k| (k.wrapping_mul(2_654_435_761) >> 13) as u8).collect();
        for code in [SampleCode::L16, SampleCode::L24, SampleCode::S16Le, SampleCode::S24Le, SampleCode::S32Le] {
            for len in 0..wire.len() {
                let mut singly = vec![7];
                append_singly(code, &wire[..len], &mut singly);
                let mut got = vec![7];
                append(code, &wire[..len], &mut got);
                assert_eq!(got, singly, "{code:?}, {len} bytes");
            }
        }
    }

    #[test]
    fn finds_the_one_sample_outside_wherever_it_stands() {
        for channels in [1, 2, 3, 6, 8, 64] {
            let mut bounds = Bounds::open(channels);
            let position = channels / 2;
            bounds.narrow(position, Some(100), Some(-50));
            bounds.narrow(position, Some(200), None);
            let calm: Vec<i32> =
                (0..channels * 13).map(|k| if k % channels == position { 100 } else { i32::MAX }).collect();
            assert!(bounds.hold(&calm, channels), "{channels} channels");
            assert!(!bounds.hold(&calm, channels + 1), "another width");
            for frame in 0..13 {
                for wrong in [101, -51] {
                    let mut one = calm.clone();
                    one[frame * channels + position] = wrong;
                    assert!(!bounds.hold(&one, channels), "{channels} channels, frame {frame}, {wrong}");
                    assert!(!within_singly(&one, &bounds.over, &bounds.under));
                }
            }
        }
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
