//! The hash of a prediction: SHA-256 over canonical bytes, so that a prediction read back from any store can be proven to be
//! the one that was made.
//!
//! Canonical bytes: fields in the order of the types; texts as length (u64) and UTF-8; lists as length (u64) and items;
//! whole numbers as u64, `f64` and `f32` by their bits; everything little-endian. The hash itself is left out.

use super::{MadeWith, Prediction, Segment};
use crate::sequence::marks::Phase;
use sha2::{Digest, Sha256};

impl Prediction {
    /// SHA-256 of everything but [`Prediction::sha256`], hex.
    pub fn digest(&self) -> String {
        let mut hash = Canonical(Sha256::new());
        hash.list(&self.channels, |hash, id| hash.text(&id.0));
        hash.list(&self.segments, Canonical::segment);
        hash.made_with(&self.made_with);
        hash.list(&self.assumptions, |hash, text| hash.text(text));
        hex::encode(hash.0.finalize())
    }

    /// Does the stored hash fit the content?
    pub fn is_intact(&self) -> bool {
        self.sha256 == self.digest()
    }
}

struct Canonical(Sha256);

impl Canonical {
    fn whole(&mut self, number: u64) {
        self.0.update(number.to_le_bytes());
    }

    fn real(&mut self, number: f64) {
        self.0.update(number.to_bits().to_le_bytes());
    }

    fn text(&mut self, text: &str) {
        self.whole(text.len() as u64);
        self.0.update(text.as_bytes());
    }

    fn list<T>(&mut self, items: &[T], item: impl Fn(&mut Self, &T)) {
        self.whole(items.len() as u64);
        items.iter().for_each(|one| item(self, one));
    }

    fn series(&mut self, series: &[f32]) {
        self.whole(series.len() as u64);
        let bytes: Vec<u8> = series.iter().flat_map(|value| value.to_bits().to_le_bytes()).collect();
        self.0.update(&bytes);
    }

    fn segment(&mut self, segment: &Segment) {
        self.whole(u64::from(segment.cycle));
        self.whole(match segment.phase {
            Phase::Start => 0,
            Phase::Stop => 1,
        });
        self.real(segment.t0_s);
        self.real(segment.dt_s);
        self.list(&segment.series, |hash, series| hash.series(series));
        self.series(&segment.flow_m3_s);
    }

    fn made_with(&mut self, made: &MadeWith) {
        for text in [&made.version, &made.rig_sha256, &made.sequence_sha256, &made.starter, &made.solver] {
            self.text(text);
        }
        self.real(made.dt_s);
        self.whole(made.cells as u64);
        self.real(made.wave_speed_adjustment);
    }
}
