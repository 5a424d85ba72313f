//! The hash of a prediction: SHA-256 over canonical bytes, so that a prediction read back from any store can be proven to be
//! the one that was made.
//!
//! Canonical bytes: fields in the order of the types; texts as length (u64) and UTF-8; lists as length (u64) and items;
//! whole numbers as u64, `f64` and `f32` by their bits; everything little-endian. An event's kind goes in as its word in JSON;
//! predictions with events from before it did (recording format 0) read, but no longer prove whole. The hash itself is left out.

use super::{Band, MadeWith, PredictedEvent, Prediction, Segment, Separation, SuddenStop};
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
        // Predictions made before there was such a thing keep their hash.
        if !self.beside.is_empty() {
            hash.text("beside");
            hash.list(&self.beside, |hash, name| hash.text(name));
            let all = self.segments.iter().flat_map(|segment| &segment.beside);
            all.for_each(|series| hash.series(series));
        }
        if !self.warnings.is_empty() {
            hash.text("warnings");
            hash.list(&self.warnings, |hash, text| hash.text(text));
        }
        if let Some(loss) = &self.loss_of_supply {
            hash.text("loss of supply");
            hash.loss(loss);
        }
        if let Some(stop) = &self.emergency_stop {
            hash.text("emergency stop");
            hash.real(stop.motor_off_after_s);
            hash.loss(stop);
        }
        if !self.events.is_empty() {
            hash.text("events");
            hash.events(&self.events);
        }
        if let Some(separation) = &self.separation {
            hash.text("separation");
            hash.separation(separation);
        }
        if !self.reach.is_empty() {
            hash.text("reach");
            hash.list(&self.reach, |hash, reach| {
                hash.whole(reach.node as u64);
                hash.text(&reach.name);
                hash.real(reach.low_pa);
                hash.real(reach.high_pa);
            });
        }
        if let Some(band) = &self.band {
            hash.text("band");
            hash.band(band);
        }
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
        self.phase(segment.phase);
        self.real(segment.t0_s);
        self.real(segment.dt_s);
        self.list(&segment.series, |hash, series| hash.series(series));
        self.series(&segment.flow_m3_s);
    }

    fn loss(&mut self, loss: &SuddenStop) {
        let numbers = [loss.from_speed_rad_s, loss.from_flow_m3_s, loss.reverse_flow_m3_s, loss.backspin_rad_s];
        numbers.iter().for_each(|number| self.real(*number));
        self.real(loss.followed_s);
        self.real(loss.flow_ends_after_s.unwrap_or(f64::NAN));
        self.list(&loss.channels, |hash, figures| {
            hash.text(&figures.id);
            let numbers =
                [figures.steady, figures.maximum, figures.maximum_at_s, figures.minimum, figures.minimum_at_s];
            numbers.iter().for_each(|number| hash.real(*number));
        });
        self.events(&loss.events);
        loss.with_it.iter().for_each(|pump| self.text(pump));
        if let Some(separation) = &loss.separation {
            self.separation(separation);
        }
    }

    fn separation(&mut self, separation: &Separation) {
        self.real(separation.largest_m3);
        self.real(separation.residual_m3);
        separation.peak_by_grid.into_iter().for_each(|share| self.real(share));
    }

    fn events(&mut self, events: &[PredictedEvent]) {
        self.list(events, |hash, event| {
            hash.whole(u64::from(event.cycle));
            hash.phase(event.phase);
            hash.real(event.after_mark_s);
            hash.text(&serde_json::to_string(&event.kind).unwrap_or_default());
            hash.text(&event.text);
        });
    }

    fn band(&mut self, band: &Band) {
        self.whole(u64::from(band.members));
        self.whole(u64::from(band.failed));
        self.whole(band.seed);
        // Bands made before there were lanes keep their hash.
        if let Some(in_lanes) = band.in_lanes {
            self.text("in lanes");
            self.whole(u64::from(in_lanes));
        }
        if let Some(way) = &band.way {
            self.text(way);
        }
        for (name, width) in band.uncertainty.listed() {
            self.text(name);
            self.real(width);
        }
        self.list(&band.segments, |hash, segment| {
            hash.list(&segment.lower, |hash, series| hash.series(series));
            hash.list(&segment.upper, |hash, series| hash.series(series));
        });
        self.list(&band.figures, |hash, figures| {
            hash.text(&figures.id);
            let ends = [figures.maximum, figures.minimum];
            ends.iter().for_each(|(low, high)| {
                hash.real(*low);
                hash.real(*high);
            });
        });
    }

    fn phase(&mut self, phase: Phase) {
        self.whole(match phase {
            Phase::Start => 0,
            Phase::Stop => 1,
        });
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
