//! Pumps beside the commanded one: what they do, and their supply.
//!
//! Equations: those of the commanded pump ([`crate::hydraulics::pump`], [`crate::hydraulics::shaft`]), each on a shaft of its own;
//! a fed motor brings it to its speed and holds it.
//! Range: any number of them, in any quadrant once their supply is cut.
//! Accuracy: `agrees_with_the_combined_curve_of_two_equal_pumps`, `agrees_with_the_commanded_pump_when_both_trip`.
//! Source: as the commanded pump; how a fed motor reaches its speed is common practice, no source.

use super::{Boundary, ElementAt, Plant, ShaftDriver};
use crate::hydraulics::error::HydraulicsError;
use crate::hydraulics::moc::boundary::OtherPump;

/// A pump beside the commanded one at the present level.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct OtherPumpState {
    /// Shaft speed, rad/s, positive pumps.
    pub speed_rad_s: f64,
    /// Flow, m3/s, positive from suction to discharge.
    pub flow_m3_s: f64,
    /// Head gained, m.
    pub head_m: f64,
    /// Torque that the water takes from its shaft, N m.
    pub torque_n_m: f64,
    /// Its motor is fed.
    pub driven: bool,
}

impl<D: ShaftDriver> Plant<D> {
    /// A pump beside the commanded one; `None` for any other element.
    #[must_use]
    pub fn other_pump(&self, element: usize) -> Option<OtherPumpState> {
        let ElementAt::Link(cluster, link) = self.element_at.get(element)? else { return None };
        let link = &self.clusters[*cluster].nodal.links[*link];
        let Boundary::OtherPump(pump) = &link.boundary else { return None };
        Some(OtherPumpState {
            speed_rad_s: pump.speed_rad_s,
            flow_m3_s: link.flow_m3_s,
            head_m: pump.head_m,
            torque_n_m: pump.torque_n_m,
            driven: pump.running_rad_s.is_some(),
        })
    }

    /// Feed another pump's motor so that it comes to a speed, rad/s, and holds it; `None`: cut its supply. From the present
    /// level on.
    ///
    /// Range: its motor gives up to twice the pump's rated torque while it comes to speed.
    ///
    /// # Errors
    /// The element is no such pump; a speed that is not above 0.
    pub fn run_other_pump(&mut self, element: usize, running_rad_s: Option<f64>) -> Result<(), HydraulicsError> {
        let place =
            || self.network.spec().elements.get(element).map_or_else(String::new, |element| element.name.clone());
        if let Some(value) = running_rad_s.filter(|speed| !(*speed > 0.0 && speed.is_finite())) {
            let quantity = "speed it runs at";
            return Err(HydraulicsError::OutOfRange {
                place: place(),
                quantity,
                value,
                unit: "rad/s",
                allowed: "above 0",
            });
        }
        match self.other_pumps_mut().find(|(at, _)| *at == element) {
            Some((_, pump)) => {
                pump.running_rad_s = running_rad_s;
                Ok(())
            }
            None => Err(HydraulicsError::NotAnotherPump { element }),
        }
    }

    /// Cut the supply of every pump but the commanded one, which its driver cuts.
    pub fn cut_other_pumps(&mut self) {
        self.other_pumps_mut().for_each(|(_, pump)| pump.running_rad_s = None);
    }

    /// A pump beside the commanded one turns or is fed.
    #[must_use]
    pub fn other_pumps_turn(&self) -> bool {
        const STANDING_SHARE: f64 = 1.0e-4;
        let turns = |pump: &OtherPump| {
            pump.running_rad_s.is_some() || pump.speed_rad_s.abs() > STANDING_SHARE * pump.rated_speed_rad_s()
        };
        self.clusters.iter().flat_map(|cluster| &cluster.nodal.links).any(|link| match &link.boundary {
            Boundary::OtherPump(pump) => turns(pump),
            _ => false,
        })
    }

    fn other_pumps_mut(&mut self) -> impl Iterator<Item = (usize, &mut OtherPump)> {
        self.clusters.iter_mut().flat_map(|cluster| {
            cluster.elements.iter().zip(&mut cluster.nodal.links).filter_map(|(element, link)| {
                match &mut link.boundary {
                    Boundary::OtherPump(pump) => Some((*element, &mut **pump)),
                    _ => None,
                }
            })
        })
    }
}
