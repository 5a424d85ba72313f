//! What the trade takes for granted about starters, shown on the shipped rigs by the prediction itself, with the numbers
//! printed; and where it does not hold, why. Orderings are common practice, no source; the figures are the project's own.

use crate::harness::Sheet;
use ramprig::hydraulics::plant::{Plant, ShaftDriver};
use ramprig::hydraulics::spec::{ElementKind, Place, ValveSpec};
use ramprig::prediction::loss::{SteadyRunning, emergency_stop, loss_of_supply};
use ramprig::prediction::{EventKind, PredictedEvent, Prediction, Segment, SuddenStop, predict};
use ramprig::rig::derived::{shut_off_head_m, top_speed_rad_s};
use ramprig::rig::model::{Quantity, Rig};
use ramprig::sequence::marks::Phase;
use ramprig::sequence::script::{Script, shipped};
use ramprig::signal::features;
use ramprig::signal::filter::LowPass;
use ramprig::starters::{StarterKind, duty_tables};
use std::sync::OnceLock;

/// Rates of rise are read over this long, as the comparison reads them, s.
const RATE_WINDOW_S: f64 = 0.01;
/// Two figures count as different beyond this share.
const TIE_SHARE: f64 = 0.05;
const BAR: f64 = 1e5;

fn rig(name: &str) -> Rig {
    let file = format!("{name}.toml");
    ramprig::rig::parse(ramprig::rig::shipped(name).unwrap(), &file).unwrap_or_else(|problems| panic!("{problems}"))
}

fn predicted(rig: &Rig, line_up: &str, starter: &str) -> Prediction {
    let index = rig.starter_index(starter).unwrap();
    let text = shipped("one-cycle").unwrap().replace("\"running\"", &format!("\"{line_up}\""));
    let script = Script::parse(&text, "one-cycle.toml", rig, index).unwrap();
    predict(rig, &script, index).unwrap()
}

/// Predictions of a rig through some of its starters, in parallel.
fn predictions(rig: &Rig, line_up: &str, starters: &[&'static str]) -> Vec<(&'static str, Prediction)> {
    std::thread::scope(|scope| {
        let run = |name: &'static str| scope.spawn(move || (name, predicted(rig, line_up, name)));
        let runs: Vec<_> = starters.iter().map(|name| run(name)).collect();
        runs.into_iter().map(|run| run.join().unwrap()).collect()
    })
}

/// The rising main through every starter that the tests look at; computed once.
fn rising_main() -> &'static (Rig, Vec<(&'static str, Prediction)>) {
    static ALL: OnceLock<(Rig, Vec<(&str, Prediction)>)> = OnceLock::new();
    ALL.get_or_init(|| {
        let rig = rig("rising-main");
        let names = ["contactor", "soft", "soft-torque", "drive", "drive-two-slopes", "drive-wrong-break"];
        let all = predictions(&rig, "running", &names);
        (rig, all)
    })
}

fn of<'a>(all: &'a [(&'static str, Prediction)], name: &str) -> &'a Prediction {
    &all.iter().find(|(known, _)| *known == name).unwrap().1
}

fn phase(prediction: &Prediction, phase: Phase) -> &Segment {
    prediction.segments.iter().find(|segment| segment.phase == phase).unwrap()
}

/// A channel from the mark on, SI.
fn channel(rig: &Rig, prediction: &Prediction, of_phase: Phase, id: &str) -> (Vec<f64>, f64) {
    let segment = phase(prediction, of_phase);
    let before = (-segment.t0_s / segment.dt_s).round().max(0.0) as usize;
    let series = &segment.series[rig.channel_index(id).unwrap()];
    (series.iter().skip(before).map(|value| f64::from(*value)).collect(), segment.dt_s)
}

fn largest(rig: &Rig, prediction: &Prediction, of_phase: Phase, id: &str) -> f64 {
    features::maximum(&channel(rig, prediction, of_phase, id).0).unwrap().value
}

fn least(rig: &Rig, prediction: &Prediction, of_phase: Phase, id: &str) -> f64 {
    features::minimum(&channel(rig, prediction, of_phase, id).0).unwrap().value
}

/// Peak rate of rise of the headline channel in the start, on its own filter class, Pa/s.
fn peak_rate(rig: &Rig, prediction: &Prediction) -> f64 {
    let headline = &rig.channels[rig.headline];
    let (values, dt_s) = channel(rig, prediction, Phase::Start, &headline.id.0);
    let filtered = LowPass::channel_class(headline.filter_class, dt_s).unwrap().phaseless(&values);
    features::peak_slope(&filtered, dt_s, (0.5 * RATE_WINDOW_S / dt_s).round().max(1.0) as usize).unwrap().value
}

/// Peak rates of rise of the headline channel through some starters, Pa/s, shown.
fn peak_rates(rig: &Rig, line_up: &str, starters: &[&'static str]) -> Vec<(&'static str, f64)> {
    let all = predictions(rig, line_up, starters);
    let rates: Vec<(&str, f64)> = all.iter().map(|(name, made)| (*name, peak_rate(rig, made))).collect();
    println!("{}: peak rate of rise at {}, bar/s:", rig.id, rig.channels[rig.headline].id.0);
    rates.iter().for_each(|(name, rate)| println!("  {name:12} {:8.3}", rate / BAR));
    rates
}

/// Each kind of starter is gentler than the one before it by more than what counts as a tie.
fn assert_the_rate_falls(rig: &str, rates: &[(&str, f64)]) {
    let rate = |name: &str| rates.iter().find(|(known, _)| *known == name).unwrap().1;
    for (harsher, gentler) in [("contactor", "soft"), ("soft", "drive")] {
        let (more, less) = (rate(harsher), rate(gentler));
        assert!(more > (1.0 + TIE_SHARE) * less, "{rig}: {harsher} {more} Pa/s, {gentler} {less} Pa/s: a tie or worse");
    }
}

#[test]
fn law_the_rate_of_rise_falls_on_the_terrace_bench_too() {
    let rig = rig("terrace-bench");
    assert_the_rate_falls("terrace-bench", &peak_rates(&rig, "terrace", &["contactor", "soft", "drive"]));
}

#[test]
fn law_the_rate_of_rise_falls_from_across_the_line_to_soft_starter_to_drive_at_usual_settings() {
    let rig = rig("coil-loop");
    let mut rates = peak_rates(&rig, "running", &["contactor", "star-delta", "soft", "hasty-drive", "drive"]);
    assert_the_rate_falls("coil-loop", &rates);
    let rate = |name: &str| rates.iter().find(|(known, _)| *known == name).unwrap().1;
    // The counter-example: what counts is the setting, not the device.
    assert!(rate("hasty-drive") > (1.0 + TIE_SHARE) * rate("soft"), "a ramp of 0.3 s is harsher than one of 8 s");
    assert!(rate("contactor") > (1.0 + TIE_SHARE) * rate("star-delta"), "a third of the torque rises slower");
    rates.retain(|(name, _)| ["contactor", "soft", "drive"].contains(name));
    rates.sort_by(|a, b| b.1.total_cmp(&a.1));
    let word = |name: &str| match rig.starters[rig.starter_index(name).unwrap()].kind {
        StarterKind::AcrossTheLine => "across-the-line".to_owned(),
        StarterKind::SoftStarter => "soft-starter".to_owned(),
        StarterKind::VariableSpeed => "variable-speed".to_owned(),
    };
    let order: Vec<String> = rates.iter().map(|(name, _)| word(name)).collect();
    let mut sheet = Sheet::open("13_common_practice", "trade-order");
    let case = sheet.case("starter-order");
    sheet.check(&case, "order_largest_first", order, "prediction::predict");
    sheet.finish(&[
        ("soft-starter-range", "shown beside the starters"),
        ("drive-range", "shown beside the starters"),
        ("workable-suction-lift", "shown beside priming"),
        ("stop-backflow", "shown in this file by its own test"),
    ]);
}

#[test]
fn law_shut_off_head_caps_all_three_at_the_pump_of_a_tall_main_and_the_high_point_tells_them_apart() {
    let (rig, all) = rising_main();
    let liquid = &rig.liquid;
    let weight = liquid.density_kg_m3 * liquid.gravity_m_s2;
    let cap_pa = weight * (2.0 + shut_off_head_m(&rig.network, top_speed_rad_s(rig)));
    let start = |name: &str, id: &str| largest(rig, of(all, name), Phase::Start, id);
    let names = ["contactor", "soft", "drive"];
    println!("largest in the start, bar (suction level + shut-off head at top speed: {:.3} bar):", cap_pa / BAR);
    for name in names {
        println!(
            "  {name:10} pump {:.3}, high point {:.3}",
            start(name, "p_pump") / BAR,
            start(name, "p_high_point") / BAR
        );
    }
    let at_pump: Vec<f64> = names.iter().map(|name| start(name, "p_pump")).collect();
    assert!(at_pump.iter().all(|pa| *pa <= cap_pa), "above shut-off head: {at_pump:?}, cap {cap_pa} Pa");
    let spread = at_pump.iter().fold(0.0_f64, |a, b| a.max(*b)) / at_pump.iter().fold(f64::INFINITY, |a, b| a.min(*b));
    assert!(spread < 1.0 + TIE_SHARE, "at the pump they tie within 5 %, got a ratio of {spread}");
    let (line, soft, drive) =
        (start("contactor", "p_high_point"), start("soft", "p_high_point"), start("drive", "p_high_point"));
    assert!(line > (1.0 + TIE_SHARE) * soft && soft > 1.25 * drive, "high point: {line}, {soft}, {drive} Pa");
}

#[test]
fn law_on_the_rising_main_forward_flow_ends_while_the_motor_still_turns() {
    let (rig, all) = rising_main();
    for name in ["soft-torque", "drive"] {
        let made = of(all, name);
        let ended = made.events.iter().find(|e| e.phase == Phase::Stop && e.kind == EventKind::ForwardFlowEnded);
        let ended = ended.unwrap_or_else(|| panic!("{name}: forward flow never ended"));
        println!("{name}: {:.2} s after the stop, {}", ended.after_mark_s, ended.text);
        let ramp_s = rig.starters[rig.starter_index(name).unwrap()].settings.ramp_down_s.unwrap();
        assert!(ended.text.contains("the motor still drives"), "{name}: {}", ended.text);
        assert!(ended.after_mark_s < 0.9 * ramp_s, "{name}: after {} s of a ramp of {ramp_s} s", ended.after_mark_s);
    }
    // By voltage the torque holds until it collapses: the flow is on until the ramp is over, then the rotor coasts.
    let ended = |e: &&PredictedEvent| e.phase == Phase::Stop && e.kind == EventKind::ForwardFlowEnded;
    let by_voltage = of(all, "soft").events.iter().find(ended).unwrap();
    println!("soft: {:.2} s after the stop, {}", by_voltage.after_mark_s, by_voltage.text);
    assert!(by_voltage.after_mark_s > 0.9 * 20.0, "{}", by_voltage.text);
}

/// The last look of a ramp at nothing, s.
const STOP_TOLERANCE_S: f64 = 0.15;

/// The rising main with another time for its drive's straight ramp down.
fn rig_with_single_slope_of(time: &str) -> Rig {
    let text = ramprig::rig::shipped("rising-main").unwrap();
    let drive = text.find("id = \"drive\"\n").unwrap();
    let ramp = "ramp_down = \"20 s\"";
    let at = drive + text[drive..].find(ramp).unwrap();
    let text = format!("{}ramp_down = \"{time}\"{}", &text[..at], &text[at + ramp.len()..]);
    ramprig::rig::parse(&text, "rising-main.toml").unwrap_or_else(|problems| panic!("{problems}"))
}

/// Time from the stop until the starter draws no current any more, s.
fn output_off_s(prediction: &Prediction) -> f64 {
    let current = prediction.beside.iter().position(|name| name == "line_current_a").unwrap();
    let stop = phase(prediction, Phase::Stop);
    let last = stop.beside[current].iter().rposition(|current_a| *current_a > 0.0).unwrap();
    stop.t0_s + last as f64 * stop.dt_s
}

#[test]
fn law_a_two_slope_stop_beats_a_single_slope_with_a_good_break_and_is_worse_with_a_bad_one() {
    let (rig, all) = rising_main();
    let trough = |name: &str| least(rig, of(all, name), Phase::Stop, "p_high_point");
    let names = ["drive", "drive-two-slopes", "drive-wrong-break"];
    println!("stop of 20 s: lowest at the high point, highest at the foot, bar:");
    for name in names {
        let foot = largest(rig, of(all, name), Phase::Stop, "p_discharge");
        println!("  {name:18} {:7.3} {:7.3}", trough(name) / BAR, foot / BAR);
    }
    // All three are set to 20 s. Without braking the quick slopes stretch, so each is held against a single slope that leaves the
    // water no less (for the good break: more) time.
    let took_s = names.map(|name| output_off_s(of(all, name)));
    let longer = rig_with_single_slope_of("24 s");
    let longer_stop = predicted(&longer, "running", "drive");
    let longer_s = output_off_s(&longer_stop);
    println!("output off after {took_s:?} s; a single slope of 24 s after {longer_s} s");
    let [single_s, good_s, bad_s] = took_s;
    assert!((single_s - 20.0).abs() < STOP_TOLERANCE_S, "expected 20 s, got {single_s} s");
    assert!(good_s < longer_s, "the good break takes {good_s} s, the longer single slope {longer_s} s");
    assert!(bad_s > single_s, "the bad break takes {bad_s} s, the single slope {single_s} s");
    let longer_pa = least(&longer, &longer_stop, Phase::Stop, "p_high_point");
    println!("  drive, 24 s        {:7.3}", longer_pa / BAR);
    let [single, good, bad] = names.map(trough);
    assert!(good > single + 0.2 * BAR, "well chosen: {good} Pa, single slope {single} Pa");
    assert!(good > longer_pa + 0.2 * BAR, "well chosen: {good} Pa, single slope that takes longer {longer_pa} Pa");
    assert!(bad < single - 0.2 * BAR, "badly chosen: {bad} Pa, single slope {single} Pa");
}

#[test]
fn law_loss_of_supply_is_what_opening_the_contactor_does() {
    /// Of the change from steady to the extreme: the contactor's 15 ms and what the start left swinging.
    const AGREEMENT: f64 = 0.05;
    let rig = rig("coil-loop");
    let made = predicted(&rig, "running", "contactor");
    let loss = made.loss_of_supply.as_ref().unwrap();
    for id in ["p_discharge", "p_coil_mid"] {
        let figures = loss.channels.iter().find(|figures| figures.id == id).unwrap();
        let stopped = least(&rig, &made, Phase::Stop, id);
        let fall = figures.steady - figures.minimum;
        let error = (figures.minimum - stopped).abs() / fall;
        println!("{id}: loss of supply {:.4} bar, contactor {:.4} bar", figures.minimum / BAR, stopped / BAR);
        assert!(error < AGREEMENT, "{id}: expected {stopped}, got {}, error {error} of the fall", figures.minimum);
    }
    assert!(made.is_intact());
    let mut changed = made.clone();
    changed.loss_of_supply.as_mut().unwrap().channels[0].maximum += 1.0;
    assert!(!changed.is_intact(), "the hash must cover loss of supply");
    let mut changed = made;
    changed.events[0].after_mark_s += 1e-9;
    assert!(!changed.is_intact(), "the hash must cover events");
}

#[test]
fn law_a_drives_own_controller_brings_the_pressure_to_its_set_point() {
    /// Gauge, Pa: what a tick of 100 ms and the coil's waves leave after 20 s.
    const HELD_PA: f64 = 2e3;
    let rig = rig("coil-loop");
    let made = predicted(&rig, "running", "held-pressure");
    let (values, dt_s) = channel(&rig, &made, Phase::Start, "p_discharge");
    let tail = &values[values.len() - (2.0 / dt_s) as usize..];
    let mean = tail.iter().sum::<f64>() / tail.len() as f64;
    println!("held {:.4} bar, set point 1.5 bar", mean / BAR);
    assert!((mean - 1.5 * BAR).abs() < HELD_PA, "expected 150000 Pa, got {mean} Pa, tolerance {HELD_PA} Pa");
}

/// A very stiff drive whose speed falls in a straight line.
struct FallingSpeed {
    speed_rad_s: f64,
    rate_rad_s2: f64,
}

impl ShaftDriver for FallingSpeed {
    fn torque_n_m(&self, speed_rad_s: f64) -> (f64, f64) {
        (1e5 * (self.speed_rad_s - speed_rad_s), -1e5)
    }

    fn advance(&mut self, dt_s: f64, _speed_rad_s: f64) {
        self.speed_rad_s = (self.speed_rad_s - self.rate_rad_s2 * dt_s).max(0.0);
    }

    fn current_a(&self, _speed_rad_s: f64) -> f64 {
        0.0
    }

    fn power_w(&self, _speed_rad_s: f64) -> f64 {
        0.0
    }
}

/// Largest pressure at the foot after the stop, Pa, and whether flow turned back.
fn stop_without_check_valve(rig: &Rig, ramp_s: f64) -> (f64, bool) {
    let (network, shaft, _) = rig.plant_parts(0);
    let speed_rad_s = 155.0;
    let driver = FallingSpeed { speed_rad_s, rate_rad_s2: speed_rad_s / ramp_s };
    let mut plant = Plant::started_at(&network, &shaft, driver, &rig.grid(), speed_rad_s).unwrap();
    let foot = network.nodes.iter().position(|node| node.name == "main_foot").unwrap();
    let (mut most, mut reversed) = (f64::NEG_INFINITY, false);
    while plant.time_s() < ramp_s + 20.0 {
        plant.advance().unwrap();
        most = most.max(plant.gauge_pa(Place::Node(foot), 0.0));
        reversed |= plant.pump_flow_m3_s() < -1e-3;
    }
    (most, reversed)
}

#[test]
fn law_without_a_check_valve_flow_turns_back_and_a_faster_stop_gives_the_larger_surge() {
    let mut rig = rig("rising-main");
    let check = rig.network.elements.iter_mut().find(|element| element.name == "check").unwrap();
    check.kind = ElementKind::Valve(ValveSpec { kv_open_m3_h: 700.0, curve: Vec::new(), opening: 1.0 });
    let (fast, fast_back) = stop_without_check_valve(&rig, 2.0);
    let (slow, slow_back) = stop_without_check_valve(&rig, 30.0);
    println!("no check valve, largest at the foot: stop in 2 s {:.3} bar, in 30 s {:.3} bar", fast / BAR, slow / BAR);
    let mut sheet = Sheet::open("13_common_practice", "trade-backflow");
    let case = sheet.case("stop-backflow");
    sheet.check(&case, "flow_reverses_after_stop", fast_back && slow_back, "hydraulics::plant::Plant");
    sheet.check(&case, "faster_stop_gives_larger_surge", fast > slow, "hydraulics::plant::Plant");
    let running = SteadyRunning {
        line_up: 0,
        speed_rad_s: 155.0,
        starter: 0,
        current_a: 0.0,
        flow_m3_s: f64::NAN, // only told beside the steady flow, which is what the stop begins with
        prime_share: 1.0,
    };
    let loss = loss_of_supply(&rig, running, &rig.grid()).unwrap();
    println!("loss of supply: {:.4} m3/s back, backspin {:.1} rad/s", loss.reverse_flow_m3_s, loss.backspin_rad_s);
    assert!(loss.reverse_flow_m3_s > 1e-3 && loss.backspin_rad_s > 10.0);
    sheet.finish(&[
        ("soft-starter-range", "shown beside the starters"),
        ("drive-range", "shown beside the starters"),
        ("workable-suction-lift", "shown beside priming"),
        ("starter-order", "shown in this file by its own test"),
    ]);
}

fn line_current(rig: &Rig) -> usize {
    rig.channels.iter().position(|channel| channel.quantity == Quantity::LineCurrent).unwrap()
}

/// What ran before a sudden stop that was told, in the rig's first line-up.
pub fn running_before(rig: &Rig, starter: usize, told: &SuddenStop) -> SteadyRunning {
    SteadyRunning {
        line_up: 0,
        speed_rad_s: told.from_speed_rad_s,
        starter,
        current_a: told.channels[line_current(rig)].steady,
        flow_m3_s: told.from_flow_m3_s,
        prime_share: 1.0,
    }
}

/// What the levels' way in 15 ms may make of a figure, share of its span (seen: 1.7e-4).
const RELEASE_TOLERANCE: f64 = 1.0e-3;
/// The same on the suction side of a check valve, whose closing then falls otherwise between two steps (seen: 2.7e-3).
const CLOSING_TOLERANCE: f64 = 5.0e-3;

#[test]
fn agrees_with_the_loss_of_supply_by_a_contactors_release_later() {
    for (name, line_up) in [("terrace-bench", "terrace"), ("coil-loop", "running")] {
        let rig = rig(name);
        let starter = rig.starter_index("contactor").unwrap();
        let told = predicted(&rig, line_up, "contactor").emergency_stop.unwrap();
        let current = line_current(&rig);
        let running = running_before(&rig, starter, &told);
        let followed = emergency_stop(&rig, running, &rig.grid()).unwrap();
        assert!(told.motor_off_after_s > 0.01, "{name}: a contactor takes its time");
        // The current that is followed is gone once the contactor has released, as the one that is told is.
        let gone_s = [&told, &followed].map(|stop| stop.channels[current].minimum_at_s);
        let apart_s = (gone_s[0] - gone_s[1]).abs();
        assert!(
            gone_s[1] >= told.motor_off_after_s && apart_s < 2.0 * rig.grid().dt_max_s,
            "{name}: no current after {gone_s:?} s, released after {} s",
            told.motor_off_after_s
        );
        for (told, followed) in told.channels.iter().zip(&followed.channels) {
            let span = (followed.maximum - followed.minimum).max(1e-3 * followed.maximum.abs());
            let off = (told.maximum - followed.maximum).abs().max((told.minimum - followed.minimum).abs()) / span;
            println!("{name} {}: off by {off:.1e} of {span:.3e}; {told:?} {followed:?}", told.id);
            let allowed = if told.id == "p_suction" { CLOSING_TOLERANCE } else { RELEASE_TOLERANCE };
            assert!(off < allowed, "{name} {}: off by {off:.1e} of its span, {allowed:.0e} allowed", told.id);
        }
        let ends = [&told, &followed].map(|stop| stop.flow_ends_after_s);
        let apart = ends[0].zip(ends[1]).map_or(0.0, |(told, followed)| (told - followed).abs());
        assert!(ends[0].is_some() == ends[1].is_some() && apart < 2e-3, "{name}: flow ends after {ends:?} s");
        let happened = |stop: &SuddenStop| stop.events.iter().map(|event| event.text.clone()).collect::<Vec<_>>();
        assert_eq!(happened(&told), happened(&followed), "{name}");
    }
}

#[test]
fn accepts_the_declared_duty_of_every_shipped_motor() {
    for name in ["coil-loop", "rising-main"] {
        let rig = rig(name);
        let rating = rig.motor_starts.unwrap();
        let declared = f64::from(rig.motor_duty.starts_per_hour);
        let lasting = rating.lasting_starts_per_hour();
        let table = duty_tables::allowed_starts(rig.motor.rated_power_w, rig.motor.poles).unwrap().per_hour;
        println!(
            "{name}: {declared} starts an hour declared, {lasting:.1} lasting; {table} by NEMA MG 10-2001, table 2-3"
        );
        assert!(declared <= lasting, "{name}: {declared} an hour declared, the motor lasts {lasting}");
        let told =
            ramprig::rig::derive(&rig).notices.iter().any(|line| line.contains("NEMA MG 10-2001 table 2-3 allows"));
        assert_eq!(told, declared > table, "{name}: {declared} an hour declared, NEMA MG 10-2001 table 2-3: {table}");
    }
}
