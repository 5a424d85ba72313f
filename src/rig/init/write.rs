//! The text of a first rig file.

use super::answers::{Answer, Figures, STARTERS};
use crate::hydraulics::pump_figures::rotor_inertia_kg_m2;
use crate::hydraulics::wave_speed::Material;
use crate::starters::StarterKind;
use std::fmt::Write;

/// Weight of water for choosing ratings, N/m3; rounded up.
const WEIGHT_N_M3: f64 = 9_810.0;
/// Shut-off head over rated head of a small centrifugal pump (common practice, no source).
const SHUT_OFF_OVER_RATED: f64 = 1.3;
/// Rated pressures to choose from, bar (EN 1333 PN steps).
const RATINGS_BAR: [f64; 8] = [6.0, 10.0, 16.0, 25.0, 40.0, 63.0, 100.0, 160.0];

/// What follows from the answers.
struct Choice {
    synchronous_rpm: f64,
    rated_rpm: f64,
    suction_m: f64,
    pump_m: f64,
    rating_bar: f64,
    trip_bar: f64,
    current_a: f64,
    voltage_v: f64,
    rotor_kg_m2: f64,
    comm: &'static str,
}

impl Choice {
    fn of(figures: &Figures) -> Self {
        let synchronous_rpm = 120.0 * figures.frequency.value / f64::from(figures.poles);
        let slip = if figures.motor_power.value < 10e3 { 0.04 } else { 0.02 };
        let shut_off_m = SHUT_OFF_OVER_RATED * figures.head.value / (1.0 - slip) / (1.0 - slip);
        // The pump stands below the suction level when suction is flooded: its casing feels that head too.
        let highest_m = shut_off_m.max(figures.static_head.value) - figures.suction_lift.value.min(0.0) + 3.0;
        let pressure_bar = 1.5 * highest_m * WEIGHT_N_M3 / 1e5;
        let rating_bar = RATINGS_BAR.into_iter().find(|rating| *rating >= pressure_bar).unwrap_or(250.0);
        let voltage_v = if figures.frequency.value > 55.0 { 460.0 } else { 400.0 };
        Self {
            synchronous_rpm,
            rated_rpm: synchronous_rpm * (1.0 - slip),
            suction_m: 0.0,
            pump_m: figures.suction_lift.value,
            rating_bar,
            trip_bar: 0.8 * rating_bar,
            current_a: figures.motor_power.value / (3.0_f64.sqrt() * voltage_v * 0.82 * 0.85),
            voltage_v,
            rotor_kg_m2: rotor_inertia_kg_m2(figures.motor_power.value, figures.poles),
            comm: "1 s",
        }
    }
}

/// The whole file.
pub(super) fn rig_file(figures: &Figures) -> String {
    let choice = Choice::of(figures);
    let mut text = String::new();
    head(&mut text, figures);
    levels(&mut text, figures, &choice);
    water_side(&mut text, figures, &choice);
    pump_and_motor(&mut text, figures, &choice);
    control(&mut text, figures, &choice);
    signals(&mut text, figures, &choice);
    guards(&mut text, figures, &choice);
    text
}

/// `# assumed` where nobody answered.
fn mark(answer: &Answer) -> &'static str {
    if answer.assumed { " # assumed" } else { "" }
}

/// Appends; writing to a String cannot fail.
macro_rules! put {
    ($text:expr, $($part:tt)*) => {
        { let _infallible = writeln!($text, $($part)*); }
    };
}

fn head(text: &mut String, figures: &Figures) {
    put!(
        text,
        "# Rig file made from a few answers. Lines marked `assumed` are guesses: replace them by what stands on"
    );
    put!(text, "# nameplates and drawings, nearest the pump first. Check it with: ramprig check FILE");
    put!(text, "\n[rig]\nid = \"{0}\"\nname = \"{0}\"\ninvented = false", figures.id);
    put!(text, "headline = \"p_discharge\"");
    put!(text, "stop_delay_budget = \"1200 ms\" # assumed: from a decision to stop to the starter's answer");
}

fn levels(text: &mut String, figures: &Figures, choice: &Choice) {
    let (pump_m, suction_m) = (choice.pump_m, choice.suction_m);
    let top_m = figures.static_head.value;
    let low_m = suction_m.min(pump_m) - 0.5;
    put!(text, "\n[elevations] # heights above the suction level");
    put!(text, "suction_end = \"{low_m} m\" # assumed: half a metre under water");
    put!(text, "pump_inlet = \"{pump_m} m\"{}", mark(&figures.suction_lift));
    put!(text, "pump_outlet = \"{pump_m} m\"\nline_foot = \"{pump_m} m\"\nline_start = \"{pump_m} m\"");
    put!(text, "line_end = \"{} m\" # assumed: just under the delivery level", top_m - 0.2);
    put!(text, "\n[liquid]\nkind = \"water\"");
    put!(text, "temperature = \"{}\"{}", figures.temperature.text, mark(&figures.temperature));
    put!(text, "altitude = \"0 m\" # assumed: sea level");
    put!(
        text,
        "\n[[tank]]\nnode = \"suction_end\"\nlevel = \"{suction_m} m\"\nheld = true # assumed: the level stands still"
    );
    put!(text, "\n[[tank]]\nnode = \"line_end\"\nlevel = \"{top_m} m\"{}", mark(&figures.static_head));
    put!(text, "held = true # assumed: the level stands still");
}

fn water_side(text: &mut String, figures: &Figures, choice: &Choice) {
    let (bore, rating_bar) = (&figures.bore, choice.rating_bar);
    let suction_m = (choice.pump_m - choice.suction_m.min(choice.pump_m) + 0.5).abs() + 3.0;
    put!(text, "\n[[hose]]\nid = \"suction\"\nfrom = \"suction_end\"\nto = \"pump_inlet\"");
    put!(text, "length = \"{suction_m} m\" # assumed: the lift and three metres more");
    put!(text, "bore = \"{}\" # assumed: as the delivery line\nmaterial = \"suction-hose\" # assumed", bore.text);
    put!(text, "wall = \"{} mm\" # assumed\nminor_loss = 1.5 # assumed: strainer and bends", wall_mm(bore.value, 0.1));
    rating(text, rating_bar, -0.9);
    put!(text, "\n[[check_valve]]\nid = \"check\"\nfrom = \"pump_outlet\"\nto = \"line_foot\"");
    let kv = figures.flow.value * 3600.0 * 4.0;
    put!(
        text,
        "flow_coefficient = \"{kv:.3} Kv\" # assumed: 0.06 bar at rated flow\ncracking_head = \"0.1 m\" # assumed"
    );
    rating(text, rating_bar, -1.0);
    put!(text, "\n[[valve]]\nid = \"delivery\"\nfrom = \"line_foot\"\nto = \"line_start\"");
    put!(text, "flow_coefficient = \"{kv:.3} Kv\" # assumed: 0.06 bar at rated flow");
    rating(text, rating_bar, -1.0);
    delivery(text, figures, choice);
    put!(
        text,
        "\n[[line_up]]\nid = \"deliver\"\nopen = [\"delivery\"]\ntext = \"Delivery valve fully open, line full.\""
    );
}

fn delivery(text: &mut String, figures: &Figures, choice: &Choice) {
    let hose = matches!(figures.material, Material::SuctionHose | Material::LayFlatHose);
    let rise_m = (figures.static_head.value - 0.2 - choice.pump_m).abs();
    put!(
        text,
        "\n[[{}]]\nid = \"delivery-line\"\nfrom = \"line_start\"\nto = \"line_end\"",
        if hose { "hose" } else { "pipe" }
    );
    if figures.length.value >= rise_m {
        put!(text, "length = \"{}\"{}", figures.length.text, mark(&figures.length));
    } else {
        put!(
            text,
            "length = \"{} m\" # assumed: the answer {} is shorter than the rise",
            rise_m.ceil(),
            figures.length.text
        );
    }
    put!(text, "bore = \"{}\"{}\nmaterial = \"{}\"", figures.bore.text, mark(&figures.bore), figures.material.name());
    let share = if hose { 0.04 } else { 0.05 };
    put!(
        text,
        "wall = \"{} mm\" # assumed\nminor_loss = 2 # assumed: bends and exit",
        wall_mm(figures.bore.value, share)
    );
    rating(text, choice.rating_bar, if figures.material == Material::LayFlatHose { -0.05 } else { -1.0 });
}

fn wall_mm(bore_m: f64, share: f64) -> f64 {
    (bore_m * share * 1e4).round().max(5.0) / 10.0
}

fn rating(text: &mut String, max_bar: f64, min_bar: f64) {
    put!(
        text,
        "max_pressure = \"{max_bar} barg\" # assumed: look at the part\nmin_pressure = \"{min_bar} barg\" # assumed"
    );
}

fn pump_and_motor(text: &mut String, figures: &Figures, choice: &Choice) {
    put!(text, "\n[pump]\nfrom = \"pump_inlet\"\nto = \"pump_outlet\"");
    put!(text, "rated_speed = \"{} rpm\" # assumed", choice.rated_rpm);
    put!(text, "rated_flow = \"{}\"{}", figures.flow.text, mark(&figures.flow));
    put!(text, "rated_head = \"{}\"{}", figures.head.text, mark(&figures.head));
    put!(text, "rated_efficiency = 0.6 # assumed\nnpsh_required = \"3 m\" # assumed");
    put!(
        text,
        "curve = [ # assumed: a parabola through the rated point with {SHUT_OFF_OVER_RATED} times its head at no flow"
    );
    for share in [0.0, 0.5, 1.0, 1.3] {
        let head_m = figures.head.value * (SHUT_OFF_OVER_RATED - (SHUT_OFF_OVER_RATED - 1.0) * share * share);
        put!(text, "  [\"{:.6} m3/h\", \"{head_m:.4} m\"],", figures.flow.value * 3600.0 * share);
    }
    put!(text, "]\ninertia = \"{:.6} kg m2\" # assumed: half of the rotor's", choice.rotor_kg_m2 / 2.0);
    rating(text, choice.rating_bar, -0.9);
    put!(text, "\n[motor] # assumed but for power, poles and frequency: read the nameplate");
    put!(text, "rated_power = \"{}\"{}", figures.motor_power.text, mark(&figures.motor_power));
    put!(text, "voltage = \"{} V\"", choice.voltage_v);
    put!(text, "frequency = \"{}\"{}\npoles = {}", figures.frequency.text, mark(&figures.frequency), figures.poles);
    put!(text, "rated_speed = \"{} rpm\"\nfull_load_current = \"{:.4} A\"", choice.rated_rpm, choice.current_a);
    put!(text, "locked_rotor_current = 6.5\nlocked_rotor_torque = 2.2\npull_up_torque = 1.7\nbreakdown_torque = 2.8");
    put!(text, "power_factor = 0.82\nefficiency = 0.85");
    put!(text, "inertia = \"{:.6} kg m2\" # assumed: NEMA MG 1, 14.46", choice.rotor_kg_m2);
    put!(
        text,
        "starts_per_hour = 6\nrest = \"120 s\"\n\n[coupling]\ninertia = \"{:.6} kg m2\" # assumed",
        choice.rotor_kg_m2 / 10.0
    );
}

fn control(text: &mut String, figures: &Figures, choice: &Choice) {
    put!(text, "\n[[link]]\nid = \"bench\"\naddress = \"{}\"", figures.modbus);
    put!(
        text,
        "timeout = \"250 ms\"\npoll = \"50 ms\"\nheartbeat = \"200 ms\"\nsecond_stop_connection = true # assumed"
    );
    let shared = figures.starters.len() > 1;
    if shared {
        put!(text, "\n[transfer] # lets one starter on the motor at a time");
        put!(
            text,
            "id = \"bench-unit\"\nlink = \"bench\"\nunit = 10 # assumed\nmap = \"bench-unit\" # assumed\ndead_time = \"1 s\""
        );
    }
    for (i, kind) in figures.starters.iter().enumerate() {
        let id = STARTERS.iter().find(|(_, known)| known == kind).map_or("starter", |(name, _)| *name);
        put!(text, "\n[[starter]]\nid = \"{id}\"\nlink = \"bench\"\nunit = {} # assumed", i + 1);
        if shared {
            put!(text, "transfer_position = {}", i + 1);
        }
        put!(text, "{}", starter_lines(*kind));
        put!(
            text,
            "comm_timeout = \"{}\" # assumed\nstarts_per_hour = 6 # assumed\nrest = \"120 s\" # assumed",
            choice.comm
        );
    }
}

fn starter_lines(kind: StarterKind) -> &'static str {
    match kind {
        StarterKind::AcrossTheLine => {
            "kind = \"across-the-line\"\nmap = \"contactor-aux\" # assumed\nstop = \"contactor-off\""
        }
        StarterKind::SoftStarter => {
            "kind = \"soft-starter\"\nmap = \"soft-starter\" # assumed\nstop = \"ramp\"\n\
             settings = { ramp_up = \"5 s\", ramp_down = \"5 s\", initial_voltage = 0.4 } # assumed"
        }
        StarterKind::VariableSpeed => {
            "kind = \"variable-speed\"\nmap = \"drive-words\" # assumed\nstop = \"ramp\"\n\
             settings = { ramp_up = \"10 s\", ramp_down = \"10 s\", speed = 1.0 } # assumed"
        }
    }
}

fn signals(text: &mut String, figures: &Figures, choice: &Choice) {
    put!(text, "\n[source] # RTP L24 over TCP, RFC 4571\nid = \"samples\"\naddress = \"{}\"", figures.samples);
    put!(text, "rate = \"10 kHz\" # assumed\npayload_type = 97 # assumed\nmax_age = \"500 ms\"");
    let top_bar = choice.rating_bar;
    for (input, (id, label, place)) in [
        ("p_suction", "suction", "node = \"pump_inlet\""),
        ("p_discharge", "pump discharge, line side of the check valve", "node = \"line_foot\""),
        ("p_line_mid", "middle of the delivery line", "pipe = \"delivery-line\"\nshare = 0.5"),
    ]
    .into_iter()
    .enumerate()
    {
        put!(
            text,
            "\n[[channel]]\nid = \"{id}\"\nlabel = \"{label}\"\nquantity = \"gauge-pressure\"\n{place}\ninput = {input}"
        );
        put!(text, "range = [\"-1 barg\", \"{top_bar} barg\"] # assumed\nbandwidth = \"2 kHz\" # assumed");
        put!(text, "filter_class = 180\ncalibration_uncertainty = \"{} mbar\" # assumed", top_bar);
    }
    put!(text, "\n[[channel]]\nid = \"i_line\"\nlabel = \"line current\"\nquantity = \"line-current-rms\"\ninput = 3");
    put!(
        text,
        "range = [\"0 A\", \"{:.0} A\"] # assumed\nbandwidth = \"1 kHz\" # assumed",
        (choice.current_a * 10.0).ceil()
    );
    put!(text, "filter_class = 0\ncalibration_uncertainty = \"{:.3} A\" # assumed", choice.current_a * 0.02);
    put!(text, "\n[[channel]]\nid = \"n_shaft\"\nlabel = \"shaft speed\"\nquantity = \"shaft-speed\"\ninput = 4");
    let top_rpm = choice.synchronous_rpm * 1.3;
    put!(text, "range = [\"-{top_rpm} rpm\", \"{top_rpm} rpm\"] # assumed\nbandwidth = \"1 kHz\" # assumed");
    put!(text, "filter_class = 0\ncalibration_uncertainty = \"1 rpm\" # assumed");
}

fn guards(text: &mut String, figures: &Figures, choice: &Choice) {
    let lift_bar = -choice.pump_m * WEIGHT_N_M3 / 1e5;
    put!(
        text,
        "\n[[permissive]]\nid = \"suction-primed\"\ntext = \"suction pressure says that the suction side is full\""
    );
    put!(
        text,
        "channel = \"p_suction\"\nbetween = [\"{:.3} barg\", \"{:.3} barg\"] # assumed",
        lift_bar - 0.15,
        lift_bar + 0.15
    );
    if figures.starters.len() > 1 {
        for (id, field, sentence) in [
            ("emergency-stop", "emergency_stop_ok", "the hardwired emergency-stop circuit is closed"),
            ("remote", "remote", "the selector stands at remote"),
        ] {
            put!(text, "\n[[permissive]]\nid = \"{id}\"\ntext = \"{sentence}\"\nfield = \"{field}\"\nis = 1");
        }
    }
    put!(text, "\n[[trip]]\nid = \"discharge-high\"\ncause = \"limit\"\nchannel = \"p_discharge\"");
    put!(text, "above = \"{:.3} barg\" # assumed: 80 % of the rating", choice.trip_bar);
    put!(text, "debounce = \"5 ms\"\nstop = \"ramp\" # a fast stop can make the worse surge\ndeadline = \"15 s\"");
    put!(text, "\n[[trip]]\nid = \"stream-lost\"\ncause = \"stream-lost\"\nstop = \"ramp\"\ndeadline = \"15 s\"");
    put!(text, "\n[[trip]]\nid = \"link-lost\"\ncause = \"link-lost\"\nstop = \"coast\"\ndeadline = \"2 s\"");
    put!(
        text,
        "\n[[warning]]\ntext = \"The pump starts by remote command. Keep clear of coupling, line and line end.\""
    );
    put!(text, "\n[[warning]]");
    put!(text, "text = \"The hardwired emergency stop is the real one: know where it is before every start.\"");
}
