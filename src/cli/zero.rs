//! `zero`: hold a known level, keep what the channels say of it.

use super::args::ZeroArgs;
use super::exit::Exit;
use super::failure::Failure;
use super::output::Output;
use super::wires::{load_unzeroed, read_holds, state_dir, zeros_file};
use crate::acquisition;
use crate::clock::{RigClock, SystemClock, WallClock, utc_now_rfc3339};
use crate::daemon::owner::Ownership;
use crate::rig::model::{Channel, Quantity, Rig};
use crate::rig::zeros::{Held, HeldChannel, Hold, apply, drifts};
use crate::units::display::System;
use serde_json::json;
use std::io::Write;
use std::sync::Arc;
use std::time::Duration;

/// No frame for this long ends the hold.
const SILENCE: Duration = Duration::from_secs(5);
const BLOCKS_WAITING: usize = 4_096;

/// `zero`.
pub fn zero(args: &ZeroArgs, output: Output, units: System) -> Result<Exit, Failure> {
    let mut rig = load_unzeroed(&args.rig, &args.wires)?;
    let (held, known) = levels(args, &rig)?;
    if args.by.trim().is_empty() || !(0.5..=600.0).contains(&args.seconds) {
        return Err(Failure::configuration("--by needs a name, --seconds 0.5 to 600"));
    }
    let state = state_dir(args.wires.state_dir.as_deref());
    let _owned = Ownership::take(&state, &rig.id).map_err(Failure::refused)?;
    let traces = hold(&rig, args.seconds, output)?;
    let channels = rig.channels.iter().zip(&traces).zip(&known);
    let channels = channels.filter_map(|((channel, values), known)| {
        let known = (*known)?;
        HeldChannel::of(&channel.id.0, known, values)
    });
    let hold = Hold {
        at_utc: utc_now_rfc3339(),
        by: args.by.trim().to_owned(),
        hold_s: args.seconds,
        held,
        channels: channels.collect(),
    };
    if hold.channels.is_empty() {
        return Err(Failure::configuration("no sample came for these channels"));
    }
    let path = zeros_file(&state, &rig.id);
    let line = serde_json::to_string(&hold).map_err(Failure::internal)?;
    std::fs::OpenOptions::new()
        .create(true)
        .append(true)
        .open(&path)
        .and_then(|mut file| file.write_all(format!("{line}\n").as_bytes()).and_then(|()| file.sync_data()))
        .map_err(|e| Failure::configuration(format!("{}: {e}", path.display())))?;
    let holds = read_holds(&state, &rig.id)?;
    let words = apply(&mut rig, &holds, &utc_now_rfc3339());
    tell(&rig, &hold, &drifts(&holds), &words, output, units);
    output.object(&json!({ "hold": hold, "drift": drifts(&holds), "cautions": words })).map_err(Failure::internal)?;
    Ok(Exit::Done)
}

/// For each channel: outer `None`: not part of the hold; inner `None`: its level is not known (noise only).
type Known = Vec<Option<Option<f64>>>;

fn levels(args: &ZeroArgs, rig: &Rig) -> Result<(Held, Known), Failure> {
    if let Some(starter) = &args.energised {
        super::wires::starter_index(rig, Some(starter))?;
        return Ok((
            Held::Energised { starter: starter.clone() },
            rig.channels.iter().map(|channel| sampled(channel).then_some(None)).collect(),
        ));
    }
    if let Some(line_up) = &args.full_line {
        let index = rig
            .line_up_index(line_up)
            .ok_or_else(|| Failure::configuration(format!("--full-line {line_up}: no such line-up in the rig file")))?;
        let figures = crate::rig::derive(rig).line_ups.into_iter().nth(index);
        let duty = figures.and_then(|figures| figures.duty).ok_or_else(|| {
            Failure::configuration(format!("--full-line {line_up}: the static head of this line-up is not known"))
        })?;
        let known = rig.channels.iter().map(|channel| {
            sampled(channel).then_some(())?;
            let rest = duty.channels.iter().find(|rest| rest.id == channel.id.0)?;
            Some(Some(rest.resting_gauge_pa))
        });
        return Ok((Held::FullLine { line_up: line_up.clone() }, known.collect()));
    }
    for id in &args.vented {
        let channel = rig.channel_index(id).and_then(|index| rig.channels.get(index));
        if channel.is_none_or(|channel| channel.quantity != Quantity::GaugePressure || !sampled(channel)) {
            return Err(Failure::configuration(format!(
                "--vented {id}: no such sampled pressure channel in the rig file"
            )));
        }
    }
    let known = rig.channels.iter().map(|channel| args.vented.contains(&channel.id.0).then_some(Some(0.0)));
    Ok((Held::Vented, known.collect()))
}

/// Polled channels are read by their own modules, whose zero is theirs.
fn sampled(channel: &Channel) -> bool {
    channel.chain.polled.is_none()
}

/// Samples of every channel over the hold, SI.
fn hold(rig: &Rig, seconds: f64, output: Output) -> Result<Vec<Vec<f64>>, Failure> {
    let clock: Arc<dyn WallClock> = Arc::new(SystemClock);
    let sampling = acquisition::start(Arc::new(rig.clone()), clock, RigClock::default()).map_err(Failure::refused)?;
    let blocks = sampling.attach_recorder(BLOCKS_WAITING);
    output.note(&format!("holding for {seconds} s of rig time; keep the level"));
    let wanted = (seconds * rig.source.rate_hz).ceil() as usize;
    let mut traces: Vec<Vec<f64>> = vec![Vec::new(); rig.channels.len()];
    let mut frames = 0;
    while frames < wanted {
        let block = blocks
            .recv_timeout(SILENCE)
            .map_err(|_| Failure::configuration(format!("{}: no frame for 5 s", rig.source.address)))?;
        frames += block.frames();
        for (channel, values) in rig.channels.iter().zip(&mut traces) {
            let counts = block.counts.iter().skip(channel.input).step_by(block.channels.max(1));
            values.extend(counts.map(|&counts| channel.scaling.to_si(counts)));
        }
    }
    let _ = sampling.shutdown(SILENCE);
    Ok(traces)
}

fn tell(rig: &Rig, hold: &Hold, drifts: &[(String, f64)], words: &[String], output: Output, units: System) {
    for held in &hold.channels {
        let Some(channel) = rig.channels.iter().find(|channel| channel.id.0 == held.id) else { continue };
        let dimension = channel.quantity.dimension();
        let shown = |si: f64| units.plain(si, dimension);
        let mut line = format!("{}: noise {}", held.id, shown(held.noise));
        if let Some(offset) = held.offset() {
            line.push_str(&format!(", zero {}", shown(offset)));
        }
        if let Some((_, drift)) = drifts.iter().find(|(id, _)| *id == held.id) {
            line.push_str(&format!(", drift since the last one {}", shown(*drift)));
        }
        output.text(&line);
    }
    for word in words {
        output.note(&format!("CAUTION {word}"));
    }
}
