//! Channels of the model: from a sensor's own range and chain to gauge pressure and figures.

use super::chain::{Chain, LineFigures, Polled};
use super::compile::Names;
use super::file::{ChainEntry, ChannelEntry, Fill, ImpulseLineEntry, PlaceEntry, PolledEntry, RigFile};
use super::model::Channel;
use super::register_map::Role;
use crate::hydraulics::impulse_line::{ImpulseLine, gas_compliance_m3_pa};
use crate::hydraulics::spec::{LiquidSpec, Place};
use crate::hydraulics::wave_speed::{WaveLiquid, wave_speed_m_s};
use crate::signal::{ChannelId, Scaling};

/// Air at 20 degC and the standard atmosphere: density, kg/m3; speed of sound, m/s; kinematic viscosity, m2/s (from
/// memory).
const AIR: (f64, f64, f64) = (1.204, 343.2, 1.51e-5);

/// Channels in wire order.
pub(super) fn channels(file: &RigFile, names: &Names) -> Option<Vec<Channel>> {
    let mut entries: Vec<&ChannelEntry> = file.channels.iter().collect();
    // Polled ones behind the sampled ones, in the order of the file.
    entries.sort_by_key(|entry| (entry.polled.is_some(), entry.input));
    entries.into_iter().enumerate().map(|(place, entry)| channel(entry, place, file, names)).collect()
}

fn channel(entry: &ChannelEntry, place_in_frame: usize, file: &RigFile, names: &Names) -> Option<Channel> {
    let (place, elevation_m) = place(entry, file, names)?;
    let to_gauge_pa = entry.chain.reference.to_gauge_pa(file.liquid.atmosphere_pa);
    let range = (entry.range.0 + to_gauge_pa, entry.range.1 + to_gauge_pa);
    let scaling = scaling(range, entry.counts, entry.chain.calibration.fit);
    let polled = match &entry.polled {
        Some(polled) => Some(compiled_poll(polled, file)?),
        None => None,
    };
    let chain = Chain { polled, ..chain(entry, range, &file.liquid) };
    Some(Channel {
        id: ChannelId(entry.id.text.clone()),
        label: entry.label.clone(),
        quantity: entry.quantity?,
        place,
        low_place: match &entry.low_node {
            Some(low) => Some(Place::Node(names.node(low)?)),
            None => None,
        },
        diaphragm_elevation_m: entry.diaphragm_m.unwrap_or(elevation_m),
        scaling,
        range,
        bandwidth_hz: chain.bandwidth_hz(),
        filter_class: entry.filter_class,
        calibration_u: entry.calibration_u,
        input: if polled.is_some() { place_in_frame } else { entry.input? },
        chain,
    })
}

fn compiled_poll(entry: &PolledEntry, file: &RigFile) -> Option<Polled> {
    let device = file.devices.iter().position(|device| device.id.text == entry.device.text)?;
    let link = file.links.iter().find(|link| link.id.text == file.devices[device].link.text)?;
    let role = Role::from_name(&entry.field.text)?;
    Some(Polled { device, role, every_s: link.poll_s, max_age_s: entry.max_age_s })
}

/// Counts to SI: by range and counts, or by a calibration between the range's ends (a parabola's own bend is taken into
/// account where recordings are evaluated).
fn scaling(range: (f64, f64), counts: (f64, f64), fit: Option<[f64; 3]>) -> Scaling {
    let at = |[a, b, c]: [f64; 3], value: f64| a + value * (b + value * c);
    let counts = fit.map_or(counts, |fit| (at(fit, range.0), at(fit, range.1)));
    let scale = (range.1 - range.0) / (counts.1 - counts.0);
    Scaling { scale, offset: range.0 - scale * counts.0 }
}

fn place(entry: &ChannelEntry, file: &RigFile, names: &Names) -> Option<(Option<Place>, f64)> {
    let height_m = |node: usize| file.elevations.get(node).map(|(_, height_m)| *height_m);
    Some(match &entry.place {
        PlaceEntry::None => (None, 0.0),
        PlaceEntry::Node(name) => {
            let node = names.node(name)?;
            (Some(Place::Node(node)), height_m(node)?)
        }
        PlaceEntry::Pipe(name, share) => {
            let element = names.element(name)?;
            let (from, to) = (names.node(&file.elements[element].from)?, names.node(&file.elements[element].to)?);
            let between_m = height_m(from)? * (1.0 - share) + height_m(to)? * share;
            (Some(Place::Pipe { element, share: *share }), between_m)
        }
    })
}

fn chain(entry: &ChannelEntry, range: (f64, f64), liquid: &LiquidSpec) -> Chain {
    let ChainEntry { reference, damping_s, anti_alias, group_delay_s, coupling, wiring, .. } = entry.chain;
    Chain {
        reference,
        sensor_bandwidth_hz: entry.bandwidth_hz,
        damping_s,
        anti_alias,
        group_delay_s,
        coupling,
        wiring,
        mounting: entry.chain.mounting.clone(),
        line: entry.chain.line.map(|line| LineFigures::of(&impulse_line(&line, range.1 - range.0, liquid))),
        calibration: entry.chain.calibration.clone(),
        thrust_area_m2: entry.chain.thrust_area_m2,
        ..Chain::default()
    }
}

/// The line with what ends it: the diaphragm takes in its displacement over the range, trapped gas its own share. Gas
/// counts at the atmosphere's pressure, where it is softest.
fn impulse_line(entry: &ImpulseLineEntry, span_pa: f64, liquid: &LiquidSpec) -> ImpulseLine {
    let (density_kg_m3, wave_speed_m_s, viscosity_m2_s) = match entry.fill {
        Fill::Air => AIR,
        Fill::Liquid => {
            let wave = WaveLiquid { density_kg_m3: liquid.density_kg_m3, bulk_modulus_pa: liquid.bulk_modulus_pa };
            (liquid.density_kg_m3, wave_speed_m_s(&wave, entry.wall_per_pa), liquid.viscosity_m2_s)
        }
    };
    let gas = gas_compliance_m3_pa(entry.trapped_m3, liquid.atmosphere_pa);
    ImpulseLine {
        length_m: entry.length_m,
        bore_m: entry.bore_m,
        density_kg_m3,
        wave_speed_m_s,
        viscosity_m2_s,
        end_compliance_m3_pa: entry.displacement_m3 / span_pa + gas,
    }
}
