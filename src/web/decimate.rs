//! The stream for one viewer: intervals as wide as a point on that viewer's screen, the smallest and the largest value of
//! each kept, and the binary frame that carries them.
//!
//! A frame, little endian: `u8` kind (1), `u8` flags (bit 0: throw away what came before), `u16` channels, `u32` number of the
//! frame, `u32` number of the first interval, `u32` intervals, `f64` width of an interval, s of rig time; then for each channel
//! and interval two `f32`: smallest and largest, SI (`NaN`: no samples). Interval `k` lies at `[k, k + 1)` times the width.

use crate::api::LivePiece;

/// Finest interval, s: that of the daemon's own view of the stream.
const FINEST_S: f64 = 0.005;
/// Bytes before the values.
pub(super) const HEAD_BYTES: usize = 24;
/// Kind of frame.
const KIND: u8 = 1;

type Span = (f32, f32);

/// Nothing seen yet.
const EMPTY: Span = (f32::INFINITY, f32::NEG_INFINITY);

/// Makes wide intervals of narrow ones.
#[derive(Debug)]
pub(super) struct Decimator {
    dt_s: f64,
    /// Number of the interval that is being filled; `None` before the first sample.
    at: Option<u64>,
    filling: Vec<Span>,
}

/// Finished intervals.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Wide {
    pub first: u64,
    pub dt_s: f64,
    /// For each channel its intervals.
    pub channels: Vec<Vec<Span>>,
}

impl Decimator {
    /// For a window of so many seconds on so many points.
    pub fn new(window_s: f64, width: u32) -> Self {
        let dt_s = (window_s / f64::from(width.max(1))).max(FINEST_S);
        Self { dt_s, at: None, filling: Vec::new() }
    }

    /// Take in a piece, give out what is finished.
    pub fn take(&mut self, piece: &LivePiece) -> Wide {
        let mut wide =
            Wide { first: self.at.unwrap_or(0), dt_s: self.dt_s, channels: vec![Vec::new(); piece.channels.len()] };
        self.filling.resize(piece.channels.len(), EMPTY);
        let intervals = piece.channels.iter().map(Vec::len).min().unwrap_or(0);
        for index in 0..intervals {
            let from_s = piece.t0_s + index as f64 * piece.dt_s;
            // A hair inside, so that an edge is not taken for the next interval.
            let first = ((from_s + 1e-9) / self.dt_s).floor().max(0.0) as u64;
            let last = ((from_s + piece.dt_s - 1e-9) / self.dt_s).floor().max(0.0) as u64;
            for place in first..=last.max(first) {
                self.move_to(place, &mut wide);
                for (held, channel) in self.filling.iter_mut().zip(&piece.channels) {
                    let (least, most) = channel[index];
                    if least > f32::MIN {
                        *held = (held.0.min(least), held.1.max(most));
                    }
                }
            }
        }
        wide
    }

    fn move_to(&mut self, place: u64, wide: &mut Wide) {
        let at = *self.at.get_or_insert_with(|| {
            wide.first = place;
            place
        });
        for _ in at..place {
            for (series, held) in wide.channels.iter_mut().zip(&mut self.filling) {
                series.push(if held.0 <= held.1 { *held } else { (f32::NAN, f32::NAN) });
                *held = EMPTY;
            }
        }
        self.at = Some(at.max(place));
    }
}

impl Wide {
    /// Intervals.
    pub fn len(&self) -> usize {
        self.channels.first().map_or(0, Vec::len)
    }

    /// As a frame.
    pub fn frame(&self, number: u32, afresh: bool) -> Vec<u8> {
        let mut bytes = Vec::with_capacity(HEAD_BYTES + 8 * self.channels.len() * self.len());
        bytes.extend([KIND, u8::from(afresh)]);
        bytes.extend(u16::try_from(self.channels.len()).unwrap_or(u16::MAX).to_le_bytes());
        bytes.extend(number.to_le_bytes());
        bytes.extend(u32::try_from(self.first).unwrap_or(u32::MAX).to_le_bytes());
        bytes.extend(u32::try_from(self.len()).unwrap_or(u32::MAX).to_le_bytes());
        bytes.extend(self.dt_s.to_le_bytes());
        for (least, most) in self.channels.iter().flatten() {
            bytes.extend(least.to_le_bytes());
            bytes.extend(most.to_le_bytes());
        }
        bytes
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn piece(t0_s: f64, values: &[f32]) -> LivePiece {
        LivePiece { t0_s, dt_s: 0.005, channels: vec![values.iter().map(|value| (*value, *value)).collect()] }
    }

    #[test]
    fn law_keeps_the_smallest_and_the_largest_of_a_long_stream_whatever_the_width() {
        let value = |index: usize| ((index * 7919) % 1009) as f32 - if index == 617 { 5000.0 } else { 0.0 };
        for width in [1, 10, 97, 400, 4800, 100_000] {
            let mut decimator = Decimator::new(24.0, width);
            let mut got: Vec<Span> = Vec::new();
            let mut next = None;
            for start in (0..2000).step_by(10) {
                let values: Vec<f32> = (start..start + 10).map(value).collect();
                let wide = decimator.take(&piece(start as f64 * 0.005, &values));
                if wide.len() > 0 {
                    assert_eq!(*next.get_or_insert(wide.first), wide.first, "a hole at width {width}");
                    next = Some(wide.first + wide.len() as u64);
                    got.extend(&wide.channels[0]);
                }
            }
            assert!(got.iter().all(|span| span.0 <= span.1), "width {width}");
            // The last interval is still open.
            let seen = (got.len() as f64 * decimator.dt_s / 0.005).round() as usize;
            if seen > 617 {
                let least = got.iter().map(|span| span.0).fold(f32::INFINITY, f32::min);
                assert!((least - value(617)).abs() < 1e-3, "width {width}: {least}");
            }
        }
    }

    #[test]
    fn shows_missing_samples_as_none_and_coarse_ones_without_holes() {
        let mut decimator = Decimator::new(10.0, 1000);
        let missing = decimator.take(&piece(0.0, &[1.0, 1.0, f32::MIN, f32::MIN, 2.0, 2.0, 3.0]));
        assert_eq!((missing.first, missing.len()), (0, 3));
        assert!(missing.channels[0][1].0.is_nan() && missing.channels[0][2] == (2.0, 2.0));
        let coarse = LivePiece { t0_s: 0.04, dt_s: 0.04, channels: vec![vec![(5.0, 6.0), (7.0, 8.0)]] };
        let wide = decimator.take(&coarse);
        assert_eq!(wide.first, 3);
        assert_eq!(
            wide.channels[0][1..],
            [(5.0, 6.0), (5.0, 6.0), (5.0, 6.0), (5.0, 6.0), (7.0, 8.0), (7.0, 8.0), (7.0, 8.0)]
        );
    }

    #[test]
    fn writes_a_frame_as_it_says() {
        let wide = Wide { first: 9, dt_s: 0.02, channels: vec![vec![(1.0, 2.0)], vec![(-1.0, f32::NAN)]] };
        let bytes = wide.frame(7, true);
        assert_eq!(bytes.len(), HEAD_BYTES + 16);
        assert_eq!((bytes[0], bytes[1], bytes[2], bytes[4], bytes[8], bytes[12]), (1, 1, 2, 7, 9, 1));
        assert_eq!(f64::from_le_bytes(bytes[16..24].try_into().unwrap()).to_bits(), 0.02_f64.to_bits());
        assert_eq!(f32::from_le_bytes(bytes[28..32].try_into().unwrap()).to_bits(), 2.0_f32.to_bits());
    }
}
