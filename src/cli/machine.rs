//! `check --machine`: is this computer fit for this rig? Measured, not guessed: how late a thread wakes, how long the disk
//! takes to make a flush durable, how long each link takes to answer. Links are read only.

use super::args::Wires;
use super::exit::Exit;
use super::failure::Failure;
use super::output::Output;
use super::wires::load_with;
use crate::clock::{SystemClock, WallClock, realtime};
use crate::fieldbus;
use crate::recording;
use crate::rig::derived::link_stop_delay_s;
use crate::rig::model::Rig;
use serde::Serialize;
use std::path::Path;
use std::sync::Arc;
use std::time::Duration;

/// Wakes measured, one a millisecond.
const WAKES: usize = 2_000;
const WAKE_EVERY: Duration = Duration::from_millis(1);
/// Flushes measured.
const FLUSHES: usize = 40;
/// A recording loses at most 0.3 s: a flush every 0.2 s that takes no longer than this.
const FLUSH_MOST_MS: f64 = 100.0;
/// A device must answer within this share of its link's time-out, or busy moments will look like lost links.
const ROUND_TRIP_SHARE: f64 = 0.5;
/// A wake must come within this share of `max_age`, or busy moments will look like a lost stream.
const WAKE_SHARE: f64 = 0.5;
/// Threads that wake one after the other between a sample and the stop's bytes.
const WAKES_IN_A_ROW: f64 = 2.0;
const LINK_UP: Duration = Duration::from_secs(5);
const LINK_LISTENED: Duration = Duration::from_secs(3);

/// One thing measured and what it must keep to.
#[derive(Debug, Clone, Serialize)]
struct Finding {
    what: String,
    /// `None`: not measured.
    value_ms: Option<f64>,
    most_ms: f64,
    fit: bool,
    text: String,
}

fn measured(what: &str, value_ms: f64, most_ms: f64, about: &str) -> Finding {
    let fit = value_ms <= most_ms;
    let word = if fit { "fit" } else { "NOT FIT" };
    let text = format!("{what}: {value_ms:.3} ms, at most {most_ms:.1} ms: {word} ({about})");
    Finding { what: what.to_owned(), value_ms: Some(value_ms), most_ms, fit, text }
}

fn unknown(what: &str, most_ms: f64, why: &str) -> Finding {
    let text = format!("{what}: NOT MEASURED: {why}");
    Finding { what: what.to_owned(), value_ms: None, most_ms, fit: false, text }
}

fn percentile_ms(sorted_ns: &[u64], share: f64) -> f64 {
    let rank = (share * sorted_ns.len() as f64).ceil().max(1.0) as usize;
    sorted_ns.get(rank - 1).map_or(f64::NAN, |ns| *ns as f64 / 1e6)
}

/// What a wake may take: half the age at which samples count as lost, and what the stop budget leaves beside the links.
fn wake_most_ms(rig: &Rig) -> f64 {
    let links_s = (0..rig.links.len()).map(|index| link_stop_delay_s(rig, index)).fold(0.0, f64::max);
    let left_s = (rig.stop_delay_budget_s - links_s) / WAKES_IN_A_ROW;
    1e3 * left_s.min(WAKE_SHARE * rig.source.max_age_s)
}

fn wakes(rig: &Rig, output: Output) -> (bool, Finding) {
    output.note("measuring how late a thread wakes");
    let fixed = realtime::wake_lateness_ns(&SystemClock, WAKES, WAKE_EVERY, true);
    let about = match &fixed {
        Some(_) => "p99.9 with real-time priority, which this computer permits".to_owned(),
        None => {
            "p99.9 with ordinary priority: real-time priority is not permitted here, so a busy program beside this one \
                 delays a stop; try: LimitRTPRIO or CAP_SYS_NICE"
                .to_owned()
        }
    };
    let permitted = fixed.is_some();
    let late = fixed.or_else(|| realtime::wake_lateness_ns(&SystemClock, WAKES, WAKE_EVERY, false)).unwrap_or_default();
    let worst_ms = percentile_ms(&late, 1.0);
    let about = format!("{about}; worst of {WAKES}: {worst_ms:.3} ms");
    (permitted, measured("wake lateness", percentile_ms(&late, 0.999), wake_most_ms(rig), &about))
}

fn disk(rig: &Rig, folder: &Path, output: Output) -> Finding {
    output.note(&format!("measuring the disk under {}", folder.display()));
    let channels = rig.channels.len();
    let bytes = (rig.source.rate_hz * channels as f64 * 4.0 * 1e-9 * recording::FLUSH_EVERY_NS as f64) as usize;
    match recording::flush_times_ns(folder, bytes, FLUSHES, &SystemClock) {
        Ok(times) => {
            let about =
                format!("worst of {FLUSHES} flushes of {bytes} bytes; median {:.3} ms", percentile_ms(&times, 0.5));
            measured("disk flush", percentile_ms(&times, 1.0), FLUSH_MOST_MS, &about)
        }
        Err(error) => unknown("disk flush", FLUSH_MOST_MS, &error.to_string()),
    }
}

fn links(rig: &Rig, output: Output) -> Vec<Finding> {
    if rig.links.is_empty() {
        return Vec::new();
    }
    output.note("reading every link");
    let fieldbus = fieldbus::open(rig, Arc::new(SystemClock));
    let up = fieldbus.wait_up(LINK_UP);
    let until_ns = SystemClock.now_ns() + LINK_LISTENED.as_nanos() as u64;
    while up.is_ok() && SystemClock.now_ns() < until_ns {
        crate::clock::sleep_wall(Duration::from_millis(50));
    }
    let statistics = fieldbus.statistics();
    let found = |(link, figures): (&crate::rig::model::Link, &crate::sequence::ports::LinkStatistics)| {
        let (what, most_ms) = (format!("round trip of link {}", link.id), 1e3 * ROUND_TRIP_SHARE * link.timeout_s);
        match (&up, figures.latency_p99_ms) {
            (Ok(()), Some(p99_ms)) => {
                let about = format!("p99 of {} answers, {} time-outs", figures.answered, figures.timeouts);
                let finding = measured(&what, p99_ms, most_ms, &about);
                Finding { fit: finding.fit && figures.timeouts == 0, ..finding }
            }
            (Err(error), _) => unknown(&what, most_ms, &error.to_string()),
            (Ok(()), None) => unknown(&what, most_ms, "nothing is polled there"),
        }
    };
    let findings = rig.links.iter().zip(&statistics).map(found).collect();
    drop(fieldbus);
    findings
}

/// Measure and judge.
pub fn check(rig: &Path, wires: &Wires, folder: &Path, output: Output) -> Result<Exit, Failure> {
    let rig = load_with(rig, wires)?;
    let (permitted, wake) = wakes(&rig, output);
    let mut findings = vec![wake, disk(&rig, folder, output)];
    findings.extend(links(&rig, output));
    let fit = findings.iter().all(|finding| finding.fit);
    for finding in &findings {
        output.text(&finding.text);
    }
    if !permitted {
        output.note("WARNING no real-time priority: the figures hold for this moment only, not for a busy one");
    }
    output.text(match fit {
        true => "this computer is fit for this rig, as it was just now",
        false => "this computer is NOT shown fit for this rig",
    });
    let object = serde_json::json!({"fit": fit, "real_time_priority": permitted, "findings": findings});
    output.object(&object).map_err(Failure::internal)?;
    Ok(if fit { Exit::Done } else { Exit::Differs })
}
