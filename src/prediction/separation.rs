//! How much vapour a predicted run has, and how well its volume balance closes.

use crate::hydraulics::plant::{Plant, ShaftDriver};
use serde::{Deserialize, Serialize};

/// Vapour in one run.
///
/// Equation: residual = |water stored now - stored at the start + what left the network|, cavities counted as room without
/// water; 0 if no volume were made or lost. Its largest while there is vapour stands against the most vapour there was.
/// Where cavities close one after another the peaks between them depend on how grid and cavities fall together (one cavity a
/// grid point; WS93 chapter 8 says so of discrete cavities): a sudden stop in which water parts is therefore repeated on a
/// grid a seventh finer, and the difference is told.
/// Range: runs in which water parts. Accuracy: the aim is 1 % (`law_cavities_conserve_volume` holds half of that).
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
pub struct Separation {
    /// Most vapour in the whole network, m3.
    pub largest_m3: f64,
    /// Largest volume that the numbers had made or lost while there was vapour, m3.
    pub residual_m3: f64,
    /// By how much the highest reading of a channel changes at most when the run is repeated on another grid, share of its
    /// rise; `None`: it was not repeated.
    #[serde(default)]
    pub peak_by_grid: Option<f64>,
}

impl Separation {
    /// Take the present level.
    pub(super) fn follow<D: ShaftDriver>(&mut self, plant: &Plant<D>) {
        let vapour_m3 = plant.cavities_m3();
        if vapour_m3 > 0.0 {
            self.largest_m3 = self.largest_m3.max(vapour_m3);
            self.residual_m3 = self.residual_m3.max(plant.volume_error_m3().abs());
        }
    }

    /// Itself, where water parted at all.
    pub(super) fn met(self) -> Option<Self> {
        (self.largest_m3 > 0.0).then_some(self)
    }

    /// Residual as a share of the most vapour.
    #[must_use]
    pub fn residual_share(&self) -> f64 {
        self.residual_m3 / self.largest_m3
    }

    /// In a sentence.
    #[must_use]
    pub fn words(&self) -> String {
        let (litres, percent) = (1e3 * self.largest_m3, 100.0 * self.residual_share());
        let by_grid = self.peak_by_grid.map(|share| {
            format!(
                "; on another grid peaks change by up to {:.0} % of their rise, as cavities meet otherwise",
                100.0 * share
            )
        });
        let by_grid = by_grid.unwrap_or_default();
        format!("up to {litres:.3} l of vapour; the volume balance closes to {percent:.2} % of it{by_grid}")
    }
}
