//! What a rig file is refused for because its protection would be none.

use ramprig::rig::{self, register_map::Role};

fn problems(change: impl FnOnce(String) -> String) -> String {
    let text = change(rig::shipped("terrace-bench").unwrap().to_owned());
    rig::parse(&text, "t.toml").map_or_else(|problems| problems.to_string(), |_| String::new())
}

fn replaced(from: &str, to: &str) -> String {
    problems(|text| {
        assert!(text.contains(from), "no {from:?}");
        text.replacen(from, to, 1)
    })
}

#[test]
fn rejects_limits_that_their_channel_can_never_show() {
    for limit in ["10 barg", "12 barg"] {
        let said = replaced("above = \"3.5 barg\"", &format!("above = \"{limit}\""));
        assert!(said.contains("where channel p_discharge shows"), "{limit}: {said}");
    }
    let below = "above = \"3.5 barg\"\nbelow = \"-1 barg\"";
    assert!(replaced("above = \"3.5 barg\"", below).contains("a limit within what the channel can show"));
    let ac = "label = \"pump discharge, line side of the check valve\"\ncoupling = \"ac\"\nac_corner = \"0.5 Hz\"";
    let said = replaced("label = \"pump discharge, line side of the check valve\"", ac);
    assert!(said.contains("AC-coupled and forgets a steady value"), "{said}");
    assert_eq!(replaced("above = \"3.5 barg\"", "above = \"3.6 barg\""), "");
}

/// RMS or as it swings: nobody may guess, since the mean of an alternating current is zero whatever flows.
#[test]
fn rejects_a_line_current_that_does_not_say_what_its_wire_carries() {
    let said = replaced("quantity = \"line-current-rms\"", "quantity = \"line-current\"");
    assert!(said.contains("line-current-rms") && said.contains("line-current-waveform"), "{said}");
    let swings = "quantity = \"line-current-waveform\"";
    assert_eq!(replaced("quantity = \"line-current-rms\"", swings), "");
    let said = problems(|text| {
        let trip = "[[trip]]\nid = \"no-load\"\ncause = \"limit\"\nchannel = \"i_line\"\nbelow = \"2 A\"\nstop = \"coast\"\n\
                    deadline = \"3 s\"\n\n[[trip]]";
        text.replacen("quantity = \"line-current-rms\"", swings, 1).replacen("[[trip]]", trip, 1)
    });
    assert!(said.contains("passes zero twice a cycle"), "{said}");
}

#[test]
fn rejects_a_starter_on_whose_map_a_cut_would_be_a_ramp() {
    let text = rig::shipped("terrace-bench").unwrap();
    for map in ["soft-starter", "contactor-aux"] {
        let folder = tempfile::tempdir().unwrap();
        let shipped = rig::maps::shipped_map(map).unwrap();
        let without: String =
            shipped.lines().filter(|line| !line.starts_with("cut = ")).map(|l| format!("{l}\n")).collect();
        std::fs::create_dir(folder.path().join("maps")).unwrap();
        std::fs::write(folder.path().join("maps").join(format!("{map}.toml")), without).unwrap();
        let path = folder.path().join("rig.toml");
        std::fs::write(&path, text).unwrap();
        let said = rig::load(&path).map_or_else(|problems| problems.to_string(), |_| String::new());
        let refused = said.contains(&format!("no field for {}", Role::Cut.name()));
        assert_eq!(refused, map == "soft-starter", "{map}: opening a contactor is its cut; {said}");
    }
}

#[test]
fn rejects_more_connections_than_the_device_serves() {
    let second = "second_stop_connection = true";
    assert!(
        replaced(second, "second_stop_connection = true\nconnection_limit = 1").contains("a connection limit of 1")
    );
    assert_eq!(replaced(second, "second_stop_connection = true\nconnection_limit = 2"), "");
}

#[test]
fn counts_a_dead_connection_and_dead_neighbours_into_the_stop_delay() {
    use ramprig::rig::derived::worst_stop_delay_s;
    // The answer that never comes, a new connection, the answer on it; before them whatever the device is at work on.
    for (second, neighbours, expected) in
        [(true, false, 3.0), (true, true, 4.0), (false, false, 4.0), (false, true, 4.0)]
    {
        let got = worst_stop_delay_s(1.0, second, neighbours, None);
        assert!((got - expected).abs() < 1e-12, "{second} {neighbours}: expected {expected} time-outs, got {got}");
    }
    let said = replaced("stop_delay_budget = \"1200 ms\"", "stop_delay_budget = \"900 ms\"");
    assert!(said.contains("a worst stop delay of 1000 ms"), "{said}");
}
