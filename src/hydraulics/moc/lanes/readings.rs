//! Where the probes of a group are read, found once.

use super::group::Group;
use super::place::Lanes;
use super::sample::Probe;
use crate::hydraulics::spec::Place as At;

/// One probe in lanes.
#[repr(C, align(64))]
pub(super) struct Reading<const W: usize> {
    /// Weight of the liquid, N/m3.
    weight: Lanes<W>,
    source: Source,
    /// Elevation, m, where a pressure is asked for.
    gauge_m: Option<f64>,
}

enum Source {
    /// Place and node in it.
    Node(usize, usize),
    /// Pipe, point before, and share of the way to the next point.
    Pipe(usize, usize, f64),
    Speed,
    Current,
    Power,
    /// Read lane by lane.
    Other(Probe),
}

impl<const W: usize> Group<'_, W> {
    pub(super) fn reading(&self, probe: &Probe) -> Reading<W> {
        let (at, gauge) = match *probe {
            Probe::Head(at) => (Some(at), None),
            Probe::Gauge { place, elevation_m } => {
                let weight = |lane: usize| {
                    let liquid = &self.scenarios[lane].network.liquid;
                    liquid.density_kg_m3 * liquid.gravity_m_s2
                };
                (Some(place), Some((std::array::from_fn(weight), elevation_m)))
            }
            _ => (None, None),
        };
        let found = match (probe, at) {
            (Probe::Speed, _) => Some(Source::Speed),
            (Probe::Current, _) => Some(Source::Current),
            (Probe::Power, _) => Some(Source::Power),
            (_, Some(At::Node(node))) => self.places.iter().enumerate().find_map(|(index, place)| {
                place.nodes.iter().position(|at| at.node == node).map(|local| Source::Node(index, local))
            }),
            (_, Some(At::Pipe { element, share })) => {
                self.reaches.iter().position(|reach| reach.element == element).map(|index| {
                    let place = share.clamp(0.0, 1.0) * self.reaches[index].cells as f64;
                    let low = (place as usize).min(self.reaches[index].cells - 1);
                    Source::Pipe(index, low, place - low as f64)
                })
            }
            _ => None,
        };
        let (weight, elevation_m) = gauge.filter(|_| found.is_some()).unzip();
        let (source, weight) = (found.unwrap_or(Source::Other(*probe)), weight.unwrap_or([0.0; W]));
        Reading { weight, source, gauge_m: elevation_m }
    }

    /// The present values of a probe in all lanes.
    #[inline(always)]
    pub(super) fn read(&self, reading: &Reading<W>) -> Lanes<W> {
        let speed = &self.shaft.speed_rad_s;
        let mut values = match &reading.source {
            Source::Node(place, local) => self.places[*place].nodes[*local].head_m,
            Source::Pipe(reach, low, rest) => self.reaches[*reach].heads_m(*low, *rest),
            Source::Speed => *speed,
            Source::Current => self.drives.current_a(speed),
            Source::Power => self.drives.power_w(speed),
            Source::Other(probe) => std::array::from_fn(|lane| self.value(lane, probe)),
        };
        if let Some(elevation_m) = reading.gauge_m {
            for l in 0..W {
                values[l] = reading.weight[l] * (values[l] - elevation_m);
            }
        }
        values
    }
}
