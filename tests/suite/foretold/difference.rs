//! A channel that measures a pressure difference: across the throttle valve of the terrace bench, in place of the hose's end.

use super::{last_of_channel, predict, rig_of, sequence};
use crate::stand::bench::difference_rig_text;
use ramprig::rig::parse;

/// Both legs full up to one transmitter: the difference of the piezometric heads, wherever the transmitter hangs.
#[test]
fn law_a_difference_is_the_difference_of_its_sides_on_one_elevation() {
    let edits = [("line_up = \"running\"", "line_up = \"terrace\"")];
    let rig = rig_of(&difference_rig_text());
    let prediction = predict(&rig, &sequence("one-cycle", &edits), "contactor");
    let channel = |id: &str| &rig.channels[rig.channel_index(id).unwrap()];
    let weight_n_m3 = rig.network.liquid.density_kg_m3 * rig.network.liquid.gravity_m_s2;
    let (up, down) = (channel("p_valve_up"), channel("p_valve_down"));
    let apart_pa = weight_n_m3 * (up.diaphragm_elevation_m - down.diaphragm_elevation_m);
    for segment in 0..prediction.segments.len() {
        let of = |id| last_of_channel(&prediction, segment, id);
        let expected_pa = of("p_valve_up") - of("p_valve_down") + apart_pa;
        let got_pa = of("dp_valve");
        let error_pa = (got_pa - expected_pa).abs();
        println!(
            "segment {segment}: expected {expected_pa} Pa, got {got_pa} Pa, error {error_pa} Pa, tolerance 20 Pa (f32)"
        );
        assert!(error_pa < 20.0, "segment {segment}: expected {expected_pa} Pa, got {got_pa} Pa");
    }
    assert!(last_of_channel(&prediction, 0, "dp_valve") > 1000.0, "running water loses pressure at the valve");
}

#[test]
fn rejects_a_difference_without_two_sides_and_a_low_side_of_anything_else() {
    let text = difference_rig_text();
    let low = "low_node = \"hose_foot\"\n";
    for (was, is, said) in [
        (low, "", "a pressure difference without its low side"),
        (low, "low_node = \"riser_top\"\n", "on both sides"),
        (low, "low_node = \"nowhere\"\n", "nowhere"),
        (
            "node = \"hose_foot\"\ninput = 3",
            "node = \"hose_foot\"\nlow_node = \"riser_top\"\ninput = 3",
            "what is no difference",
        ),
        ("range = [\"-0.5 bar\", \"2 bar\"]", "range = [\"-0.5 barg\", \"2 barg\"]", "barg"),
    ] {
        assert!(text.contains(was), "{was:?}");
        let problems = parse(&text.replacen(was, is, 1), "rig.toml").unwrap_err().to_string();
        assert!(problems.contains(said), "{is:?}: {problems}");
    }
}
