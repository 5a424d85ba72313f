//! From checked entries to the model: names become indices. Runs only when no check found anything.

use super::check::Maps;
use super::compile_channels;
use super::file::{ConditionEntry, DeviceEntry, OtherPumpEntry, RigFile, StarterEntry, TriggerOnEntry};
use super::model::{
    Condition, Device, Duty, LineUp, Link, Permissive, PrimingTrip, PumpControlValve, Rig, Source, Starter, Transfer,
    Trip,
};
use super::observing::{Observing, Trigger, TriggerOn};
use super::reader::Text;
use super::register_map::{RegisterMap, Role};
use crate::hydraulics::spec::{
    ElementKind, ElementSpec, NetworkSpec, NodeSpec, Place, ShaftSpec, SplashSpec, Terminal,
};
use crate::starters::{MotorSpec, Mounting, Settings};
use sha2::{Digest, Sha256};

/// The model; `None` when a name does not resolve, which the checks rule out.
pub(super) fn compile(file: RigFile, maps: &Maps, text: &str) -> Option<Rig> {
    let names = Names::of(&file);
    let line_ups = line_ups(&file, &names)?;
    let shaft = shaft(&file);
    let mut network = network(&file, &names)?;
    set_shafts(&mut network, &file, &names, &shaft);
    if !file.identity.logger {
        set_line_up(&mut network, line_ups.first()?);
    }
    let transfer = match &file.transfer {
        None => None,
        Some(entry) => Some(Transfer {
            id: entry.id.text.clone(),
            link: names.link(&entry.link)?,
            unit: entry.unit?,
            map: map(maps, &entry.map)?,
            dead_time_s: entry.dead_time_s,
            warn_lead_s: entry.warn_lead_s,
        }),
    };
    let held = at_tanks(&file, &names, |tank| tank.held_area_m2)?;
    let falls = at_tanks(&file, &names, |tank| tank.into.as_ref().and_then(|into| names.node(into)))?;
    let channels = compile_channels::channels(&file, &names)?;
    let headline =
        channels.iter().position(|channel| Some(&channel.id.0) == file.identity.headline.as_ref().map(|h| &h.text))?;
    let mounting = Mounting { supply_dip: file.motor.spec.mounting.supply_dip, ..file.coupling.mounting };
    let order: Vec<&str> = channels.iter().map(|channel| channel.id.0.as_str()).collect();
    Some(Rig {
        ratings: file.elements.iter().map(|entry| entry.rating).collect::<Option<_>>()?,
        starters: file
            .starters
            .iter()
            .map(|entry| starter(entry, file.identity.station, &names, maps))
            .collect::<Option<_>>()?,
        control_valve: control_valve(&file),
        strokes: strokes(&file),
        permissives: permissives(&file, &order)?,
        trips: trips(&file, &order)?,
        observing: observing(&file, &order)?,
        id: file.identity.id.text,
        name: file.identity.name,
        about: file.identity.about,
        invented: file.identity.invented,
        liquid: file.liquid,
        temperature_c: file.temperature_c,
        motor: MotorSpec { mounting, ..file.motor.spec },
        motor_duty: file.motor.duty,
        motor_starts: file.motor.duty.starts,
        shaft,
        self_priming: file.pump.self_priming,
        held,
        falls,
        npsh_margin_m: file.pump.npsh_margin_m,
        network,
        line_ups,
        transfer,
        devices: file.devices.iter().map(|entry| device(entry, &names, maps)).collect::<Option<_>>()?,
        links: file.links.iter().map(link).collect(),
        source: Source {
            id: file.source.id.text,
            wire: file.source.wire,
            address: file.source.address.text,
            rate_hz: file.source.rate_hz,
            code: file.source.code,
            payload_type: file.source.payload_type,
            max_age_s: file.source.max_age_s,
        },
        channels,
        headline,
        warnings: file.warnings,
        stop_delay_budget_s: file.identity.stop_delay_budget_s,
        emergency_stop_proven: file.identity.emergency_stop_proven.clone(),
        remote_start: file.identity.remote_start,
        grace_s: file.identity.grace_s,
        line_up_valid_s: file.identity.line_up_valid_s,
        presence_check_s: Some(file.identity.presence_check_s).filter(|time_s| *time_s > 0.0),
        rest_speed_rad_s: file.identity.rest_speed_rad_s,
        rest_fallback_s: file.identity.rest_fallback_s,
        uncertainty: file.uncertainty,
        time_step_s: file.identity.time_step_s,
        unsteady_friction: file.identity.unsteady_friction,
        station: file.identity.station,
        logger: file.identity.logger,
        text: text.to_owned(),
        text_sha256: hex::encode(Sha256::digest(text.as_bytes())),
        assumptions: file.assumptions,
    })
}

pub(super) struct Names {
    nodes: Vec<String>,
    elements: Vec<String>,
    links: Vec<String>,
}

impl Names {
    fn of(file: &RigFile) -> Self {
        Self {
            nodes: file.elevations.iter().map(|(name, _)| name.text.clone()).collect(),
            elements: file.elements.iter().map(|entry| entry.id.text.clone()).collect(),
            links: file.links.iter().map(|entry| entry.id.text.clone()).collect(),
        }
    }
    pub(super) fn node(&self, name: &Text) -> Option<usize> {
        self.nodes.iter().position(|node| *node == name.text)
    }
    pub(super) fn element(&self, name: &Text) -> Option<usize> {
        self.elements.iter().position(|element| *element == name.text)
    }
    fn link(&self, name: &Text) -> Option<usize> {
        self.links.iter().position(|link| *link == name.text)
    }
}

fn map(maps: &Maps, name: &Text) -> Option<RegisterMap> {
    maps.get(&name.text)?.clone()
}

/// A starter of a station has no registers.
fn no_map() -> RegisterMap {
    RegisterMap {
        name: "none".to_owned(),
        about: "no wire".to_owned(),
        cia402: false,
        fields: std::collections::BTreeMap::new(),
        words: std::collections::BTreeMap::new(),
    }
}

fn network(file: &RigFile, names: &Names) -> Option<NetworkSpec> {
    let terminal =
        |name: &str| file.tanks.iter().find(|tank| tank.node.text == name).map_or(Terminal::None, |tank| tank.terminal);
    let nodes = file.elevations.iter().map(|(name, elevation_m)| NodeSpec {
        name: name.text.clone(),
        elevation_m: *elevation_m,
        terminal: terminal(&name.text),
    });
    let elements = file.elements.iter().map(|entry| {
        let (from, to) = (names.node(&entry.from)?, names.node(&entry.to)?);
        let mut kind = entry.kind.clone();
        if let ElementKind::Pump(pump) = &mut kind {
            pump.condition.splash = splash(file, names, pump.rated_flow_m3_s);
        }
        Some(ElementSpec { name: entry.id.text.clone(), from, to, kind })
    });
    Some(NetworkSpec { liquid: file.liquid, nodes: nodes.collect(), elements: elements.collect::<Option<_>>()? })
}

/// The return that splashes beside the suction inlet.
fn splash(file: &RigFile, names: &Names, rated_flow_m3_s: f64) -> Option<SplashSpec> {
    let (node, entry) = file.tanks.iter().find_map(|tank| Some((&tank.node, tank.splash.as_ref()?)))?;
    Some(SplashSpec {
        place: Place::Node(names.node(node)?),
        air_share: entry.air_share,
        full_flow_m3_s: entry.full_flow_m3_s.unwrap_or(rated_flow_m3_s),
        grows_s: entry.grows_s,
    })
}

fn control_valve(file: &RigFile) -> Option<PumpControlValve> {
    let mut controls = file.elements.iter().map(|entry| &entry.control).enumerate();
    controls.find_map(|(element, control)| control.clone().map(|spec| PumpControlValve { element, spec }))
}

/// Valves that take time, with their element.
fn strokes(file: &RigFile) -> Vec<(usize, crate::starters::control_valve::Stroke)> {
    let strokes = file.elements.iter().map(|entry| &entry.stroke).enumerate();
    strokes.filter_map(|(element, stroke)| Some((element, stroke.clone()?))).collect()
}

/// All that turns with the pump, at the pump's speed.
fn shaft(file: &RigFile) -> ShaftSpec {
    let turning_kg_m2 = file.motor.spec.inertia_kg_m2 + file.coupling.inertia_kg_m2;
    ShaftSpec {
        inertia_kg_m2: file.pump.inertia_kg_m2 + file.coupling.mounting.inertia_at_pump_kg_m2(turning_kg_m2),
        friction_n_m: file.pump.friction_n_m,
    }
}

/// Pumps that are like the commanded one have its motor and coupling, too.
fn set_shafts(network: &mut NetworkSpec, file: &RigFile, names: &Names, shaft: &ShaftSpec) {
    for entry in file.other_pumps.iter().filter(|entry| entry.like_commanded) {
        let element = names.element(&entry.id).and_then(|element| network.elements.get_mut(element));
        if let Some(ElementSpec { kind: ElementKind::OtherPump(other), .. }) = element {
            other.shaft = *shaft;
        }
    }
}

/// Sets the valves of a network as a line-up says, and which pumps beside the commanded one run.
pub(super) fn set_line_up(network: &mut NetworkSpec, line_up: &LineUp) {
    for (element, running_rad_s) in &line_up.other_pumps {
        if let Some(ElementSpec { kind: ElementKind::OtherPump(other), .. }) = network.elements.get_mut(*element) {
            other.running_rad_s = *running_rad_s;
        }
    }
    for (element, opening) in &line_up.valves {
        if let Some(ElementSpec { kind: ElementKind::Valve(valve), .. }) = network.elements.get_mut(*element) {
            valve.opening = *opening;
        }
    }
}

/// Sets the levels of tanks as a line-up says; what a network's own level differs from the rig's stays beside it.
pub(super) fn set_levels(network: &mut NetworkSpec, nominal: &NetworkSpec, line_up: &LineUp, held: &[(usize, f64)]) {
    for (node, stated_m) in &line_up.levels {
        let Some(Terminal::Tank { level_m: nominal_m, .. }) = nominal.nodes.get(*node).map(|node| node.terminal) else {
            continue;
        };
        if let Some(Terminal::Tank { level_m, area_m2, overflow_m }) =
            network.nodes.get_mut(*node).map(|node| &mut node.terminal)
        {
            *level_m = (stated_m + (*level_m - nominal_m)).min(*overflow_m);
            *area_m2 = held.iter().find(|(tank, _)| tank == node).map_or(*area_m2, |(_, known_m2)| *known_m2);
        }
    }
}

/// (node, value) of every tank or outlet entry that has one.
fn at_tanks<T>(
    file: &RigFile,
    names: &Names,
    value: impl Fn(&super::file::TankEntry) -> Option<T>,
) -> Option<Vec<(usize, T)>> {
    let of = |tank: &super::file::TankEntry| value(tank).map(|value| Some((names.node(&tank.node)?, value)));
    file.tanks.iter().filter_map(of).collect()
}

fn line_ups(file: &RigFile, names: &Names) -> Option<Vec<LineUp>> {
    let line_up = |entry: &super::file::LineUpEntry| {
        let pump = |other: &OtherPumpEntry| {
            let runs = entry.running.iter().any(|name| name.text == other.id.text);
            Some((names.element(&other.id)?, runs.then_some(other.speed_rad_s)))
        };
        let valve = |(name, opening): &(Text, f64)| Some((names.element(name)?, *opening));
        Some(LineUp {
            id: entry.id.text.clone(),
            valves: entry.valves.iter().map(valve).collect::<Option<_>>()?,
            text: entry.text.clone(),
            lines: entry.lines,
            levels: entry.levels.iter().map(|(name, m)| Some((names.node(name)?, *m))).collect::<Option<_>>()?,
            other_pumps: file.other_pumps.iter().map(pump).collect::<Option<_>>()?,
        })
    };
    file.line_ups.iter().map(line_up).collect()
}

fn link(entry: &super::file::LinkEntry) -> Link {
    Link {
        id: entry.id.text.clone(),
        address: entry.address.text.clone(),
        serial: entry.serial,
        timeout_s: entry.timeout_s,
        second_stop_connection: entry.second_stop_connection,
        poll_s: entry.poll_s,
        heartbeat_s: entry.heartbeat_s,
        reads_allowed: entry.reads_allowed,
        connection_limit: entry.connection_limit,
        connections_used: entry.connections_used,
    }
}

fn device(entry: &DeviceEntry, names: &Names, maps: &Maps) -> Option<Device> {
    Some(Device {
        id: entry.id.text.clone(),
        link: names.link(&entry.link)?,
        unit: entry.unit?,
        map: map(maps, &entry.map)?,
        kind: entry.kind,
    })
}

fn starter(entry: &StarterEntry, station: bool, names: &Names, maps: &Maps) -> Option<Starter> {
    let (least, most) = entry.allowed.map_or((entry.settings, entry.settings), |span| (span.least, span.most));
    let map = if station { no_map() } else { map(maps, &entry.map)? };
    let panel = entry.panel.resolved(|name| names.node(name))?;
    // Where a register takes it, the set point of the panel is written like any other setting.
    let written = panel.set_point.filter(|_| map.field(Role::SetPoint).is_some());
    let settings = Settings { set_point: written.map(|own| own.set_point), ..entry.settings };
    Some(Starter {
        id: entry.id.text.clone(),
        kind: entry.kind?,
        link: if station { 0 } else { names.link(&entry.link)? },
        unit: entry.unit?,
        map,
        settings,
        panel,
        settings_min: least,
        settings_max: most,
        duty: Duty { ..entry.duty },
        transfer_position: entry.transfer_position,
        comm_timeout_s: entry.comm_timeout_s,
        stop: entry.stop,
    })
}

fn permissives(file: &RigFile, order: &[&str]) -> Option<Vec<Permissive>> {
    let permissive = |entry: &super::file::PermissiveEntry| {
        let condition = match entry.condition.as_ref()? {
            ConditionEntry::Channel(name, low, high) => {
                let channel = order.iter().position(|id| *id == name.text)?;
                Condition::ChannelBetween { channel, low: *low, high: *high }
            }
            ConditionEntry::Field(role, value) => Condition::FieldIs { role: role.text.clone(), value: *value },
        };
        Some(Permissive { id: entry.id.text.clone(), text: entry.text.clone(), condition })
    };
    file.permissives.iter().map(permissive).collect()
}

fn observing(file: &RigFile, order: &[&str]) -> Option<Observing> {
    let channel = |name: &Text| order.iter().position(|id| *id == name.text);
    let devices: Vec<&Text> = file.watched().into_iter().map(|(id, _)| id).collect();
    let trigger = |entry: &super::file::TriggerEntry| {
        let on = match entry.on.as_ref()? {
            TriggerOnEntry::Level(name, above, below) => {
                TriggerOn::Level { channel: channel(name)?, above: *above, below: *below }
            }
            TriggerOnEntry::Slope(name, change, within_s) => {
                TriggerOn::Slope { channel: channel(name)?, change: *change, within_s: *within_s }
            }
            TriggerOnEntry::Field(device, field, becomes) => TriggerOn::Field {
                device: devices.iter().position(|id| id.text == device.text)?,
                role: Role::from_name(&field.text)?,
                becomes: *becomes,
            },
        };
        Some(Trigger { id: entry.id.text.clone(), on })
    };
    let observe = &file.observe;
    let level_channel = match &observe.level_channel {
        None => None,
        Some(name) => Some(channel(name)?),
    };
    Some(Observing {
        pre_s: observe.pre_s,
        post_s: observe.post_s,
        longest_s: observe.longest_s,
        envelope_s: observe.envelope_s,
        disk_quota_bytes: observe.disk_quota_bytes,
        level_channel,
        level_bands_m: observe.level_bands_m.clone(),
        events_wanted: observe.events_wanted,
        triggers: observe.triggers.iter().map(trigger).collect::<Option<_>>()?,
    })
}

fn trips(file: &RigFile, order: &[&str]) -> Option<Vec<Trip>> {
    let trip = |entry: &super::file::TripEntry| {
        let channel = match &entry.channel {
            None => None,
            Some(name) => Some(order.iter().position(|id| *id == name.text)?),
        };
        Some(Trip {
            id: entry.id.text.clone(),
            cause: entry.cause?,
            channel,
            above: entry.above,
            below: entry.below,
            debounce_s: entry.debounce_s,
            blanking_s: entry.blanking_s,
            stop: entry.stop,
            deadline_s: entry.deadline_s,
            later_s: entry.later_s,
            priming: match &entry.priming {
                None => None,
                Some((within_s, tries, named)) => {
                    let number = |name: &Text| file.line_ups.iter().position(|line_up| line_up.id.text == name.text);
                    let line_ups = match named {
                        Some(names) => names.iter().map(number).collect::<Option<_>>()?,
                        None => (0..file.line_ups.len()).collect(),
                    };
                    Some(PrimingTrip { within_s: *within_s, tries: *tries, line_ups })
                }
            },
        })
    };
    file.trips.iter().map(trip).collect()
}
