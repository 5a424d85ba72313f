//! Pipes that the grid is too coarse for: which, and what that does to a wave.

use super::{Plant, ShaftDriver};
use crate::hydraulics::error::HydraulicsError;
pub use crate::hydraulics::moc::boundary::WaveInShortPipe;
use crate::hydraulics::moc::interior::lay_grid;
use crate::hydraulics::network::Network;
use crate::hydraulics::spec::{ElementKind, GridOptions, NetworkSpec};

/// A pipe taken as one rigid column with half its give at either end.
#[derive(Debug, Clone, PartialEq)]
pub struct ShortPipeNote {
    /// Its name.
    pub pipe: String,
    /// What a wave suffers in it.
    pub told: WaveInShortPipe,
}

impl ShortPipeNote {
    /// In words, with the numbers.
    ///
    /// ```
    /// use ramprig::hydraulics::plant::{ShortPipeNote, WaveInShortPipe};
    /// let told = WaveInShortPipe { travel_s: 0.25e-3, period_s: 0.02, late_s: 8e-6, lost_share: 4e-4, thrown_back_share: 6e-5 };
    /// let words = ShortPipeNote { pipe: "connector".into(), told }.in_words();
    /// assert!(words.contains("0.250 ms") && words.contains("0.008 ms later"), "{words}");
    /// ```
    #[must_use]
    pub fn in_words(&self) -> String {
        let WaveInShortPipe { travel_s, period_s, late_s, lost_share, thrown_back_share } = self.told;
        format!(
            "pipe `{}`: its travel time of {:.3} ms is too short for the time step; it is taken as one rigid column with half \
             its give at either end: a wave of {:.0} ms period passes it {:.3} ms later than it should and loses {:.3} % of \
             its height, {:.3} % is thrown back; slower waves less",
            self.pipe,
            1.0e3 * travel_s,
            1.0e3 * period_s,
            1.0e3 * late_s,
            100.0 * lost_share,
            100.0 * thrown_back_share
        )
    }
}

/// The pipes of a network that a plant on this grid would take as rigid columns.
///
/// # Errors
/// Whatever [`Network::new`] refuses; pipes that fit no common time step.
pub fn short_pipes(spec: &NetworkSpec, options: &GridOptions) -> Result<Vec<ShortPipeNote>, HydraulicsError> {
    let network = Network::new(spec)?;
    let grid = lay_grid(&network, options)?;
    let lumped = network.pipes().zip(&grid.cells).filter(|(_, cells)| **cells == 0);
    Ok(lumped.map(|((element, _), _)| note(spec, element, grid.dt_s)).collect())
}

impl<D: ShaftDriver> Plant<D> {
    /// Its pipes that are taken as rigid columns.
    #[must_use]
    pub fn short_pipes(&self) -> Vec<ShortPipeNote> {
        self.line.lumped.iter().map(|element| note(self.network.spec(), *element, self.line.dt_s)).collect()
    }
}

fn note(spec: &NetworkSpec, element: usize, dt_s: f64) -> ShortPipeNote {
    let travel_s = match &spec.elements[element].kind {
        ElementKind::Pipe(pipe) => pipe.length_m / pipe.wave_speed_m_s,
        _ => 0.0,
    };
    ShortPipeNote { pipe: spec.elements[element].name.clone(), told: WaveInShortPipe::of(travel_s, dt_s) }
}
