//! Quantities and rig files under generated input.

use proptest::prelude::*;
use ramprig::rig;
use ramprig::units::{self, Dimension, Quantity, Reference, Want, display::System};

/// Relative; one rounding by the factor, one by the offset of temperatures.
const ROUND_TRIP: f64 = 4e-15;

fn dimension() -> impl Strategy<Value = Dimension> {
    prop::sample::select(Dimension::ALL.to_vec())
}

proptest! {
    #[test]
    fn never_panics_on_any_text(text in "\\PC{0,40}") {
        let _outcome = units::parse(&text);
    }

    #[test]
    fn never_panics_on_texts_like_quantities(text in "[+-]?[0-9.,eE+-]{0,12} ?[a-zA-Z0-9/()%^°³²µ ]{0,8}") {
        if let Ok(quantity) = units::parse(&text) {
            prop_assert!(quantity.si.is_finite(), "{text:?} gave {}", quantity.si);
        }
    }

    #[test]
    fn law_a_written_quantity_reads_back_the_same(
        si in prop::num::f64::NORMAL | prop::num::f64::ZERO | prop::num::f64::SUBNORMAL,
        dimension in dimension(),
        gauge in any::<bool>(),
    ) {
        let reference = match (dimension, gauge) {
            (Dimension::Pressure, true) => Reference::Gauge,
            (Dimension::Pressure, false) => Reference::Absolute,
            _ => Reference::Unsaid,
        };
        let quantity = Quantity { si, dimension, reference };
        prop_assert_eq!(units::parse(&quantity.to_string()), Ok(quantity), "{}", quantity);
    }

    #[test]
    fn law_every_unit_converts_there_and_back(number in -1e9..1e9_f64, dimension in dimension()) {
        for name in units::units_of(dimension) {
            let si = units::parse(&format!("{number} {name}")).unwrap().si;
            let back = units::display::number_in(si, name);
            // The offset of degF and K costs digits near zero: the tolerance is on the size of both.
            let allowed = ROUND_TRIP * (number.abs() + 1000.0);
            prop_assert!((back - number).abs() <= allowed, "expected {number} got {back} {name} tolerance {allowed}");
        }
    }

    #[test]
    fn law_wants_keep_their_span(si in -1e6..1e6_f64) {
        let text = format!("{si} m");
        prop_assert_eq!(Want::LENGTH.read(&text).is_ok(), si > 0.0);
        prop_assert!(Want::ELEVATION.read(&text).is_ok());
        prop_assert!(Want::TIME.read(&text).is_err());
    }

    #[test]
    fn shows_every_value_in_both_systems(si in -1e9..1e9_f64, dimension in dimension()) {
        for system in [System::Si, System::Us] {
            let shown = system.plain(si, dimension);
            prop_assert!(units::parse(&shown).is_ok(), "{shown:?} does not read back");
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    #[test]
    fn never_panics_on_a_rig_file_with_a_line_cut_or_doubled(line in 0_usize..400, double in any::<bool>()) {
        let text = rig::shipped("terrace-bench").unwrap();
        let lines: Vec<&str> = text.lines().collect();
        let line = line % lines.len();
        let mut edited: Vec<&str> = lines.clone();
        if double { edited.insert(line, lines[line]) } else { edited.remove(line); }
        if let Err(problems) = rig::parse(&edited.join("\n"), "edited.toml") {
            prop_assert!(!problems.0.is_empty());
            prop_assert!(problems.0.iter().all(|problem| problem.line >= 1 && problem.line <= edited.len() + 1), "{problems}");
        }
    }
}

fn answers() -> impl Strategy<Value = Vec<(&'static str, String)>> {
    let material = prop::sample::select(vec!["steel", "hdpe", "lay-flat-hose", "suction-hose", "copper", "pvc"]);
    let starters =
        prop::sample::select(vec!["contactor", "soft", "drive", "drive, contactor", "soft, drive, contactor"]);
    let poles = prop::sample::select(vec!["2", "4", "6", "8"]);
    let figures =
        (0.0..200.0_f64, -20.0..8.0_f64, 1.0..5e3_f64, 10.0..500.0_f64, 0.5..2e3_f64, 2.0..300.0_f64, 0.1..500.0_f64);
    (material, starters, poles, figures, 20.0..120.0_f64).prop_map(|(material, starters, poles, figures, hertz)| {
        let (rise, lift, length, bore, flow, head, power) = figures;
        vec![
            ("static_head", format!("{rise:.3} m")),
            ("suction_lift", format!("{lift:.3} m")),
            ("length", format!("{length:.2} m")),
            ("bore", format!("{bore:.1} mm")),
            ("material", material.to_owned()),
            ("flow", format!("{flow:.3} m3/h")),
            ("head", format!("{head:.3} m")),
            ("motor_power", format!("{power:.3} kW")),
            ("starters", starters.to_owned()),
            ("poles", poles.to_owned()),
            ("frequency", format!("{hertz:.1} Hz")),
        ]
    })
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    #[test]
    fn accepts_what_init_writes_for_any_answers_it_took(answers in answers()) {
        let mut taken = rig::InitAnswers::default();
        for (key, answer) in &answers {
            prop_assert_eq!(taken.set(key, answer), Ok(()));
        }
        let text = rig::init(&taken);
        let loaded = rig::parse(&text, "init.toml").map(|rig| rig.id);
        prop_assert_eq!(loaded.map_err(|problems| problems.to_string()), Ok("my-bench".to_owned()));
    }
}
