//! Vapour cavities as a person is told of them: few events, and a volume balance that closes.

use crate::trade::running_before;
use ramprig::hydraulics::spec::GridOptions;
use ramprig::prediction::loss::{LossFigures, loss_of_supply};
use ramprig::prediction::{EventKind, SuddenStop, predict};
use ramprig::rig::model::{Quantity, Rig};
use ramprig::sequence::script::{Script, shipped};

/// Share of the most vapour that the numbers may make or lose.
const RESIDUAL_SHARE: f64 = 0.01;
/// Openings and closings told of a stop whose waves part the water for half a minute.
const EVENTS_MOST: usize = 30;

/// The same steps on the same numbers: share of a rise.
const BY_GRID_TOLERANCE: f64 = 1.0e-9;

/// Largest difference of a peak between the loss of supply that was told and the same on steps of six sevenths.
fn by_another_grid(rig: &Rig, starter: usize, told: &SuddenStop) -> f64 {
    let grid = rig.grid();
    let running = running_before(rig, starter, told);
    let finer = GridOptions { dt_max_s: 6.0 / 7.0 * grid.dt_max_s, ..grid };
    let finer = loss_of_supply(rig, running, &finer).unwrap();
    let pressures = rig.channels.iter().zip(told.channels.iter().zip(&finer.channels));
    let pressures = pressures.filter(|(channel, _)| channel.quantity == Quantity::GaugePressure);
    let share = |(a, b): (&LossFigures, &LossFigures)| {
        let rise_pa = a.maximum - a.steady;
        println!("{}: {} and {} Pa, {} before", a.id, a.maximum, b.maximum, a.steady);
        if rise_pa < 1.0e3 { 0.0 } else { (a.maximum - b.maximum).abs() / rise_pa }
    };
    pressures.map(|(_, figures)| share(figures)).fold(0.0, f64::max)
}

#[test]
fn law_cavities_of_the_rising_main_close_within_a_hundredth_and_are_told_by_the_spell() {
    let rig = ramprig::rig::parse(ramprig::rig::shipped("rising-main").unwrap(), "rising-main.toml").unwrap();
    let index = rig.starter_index("contactor").unwrap();
    let script = Script::parse(shipped("one-cycle").unwrap(), "one-cycle.toml", &rig, index).unwrap();
    let made = predict(&rig, &script, index).unwrap();
    let loss = made.loss_of_supply.as_ref().unwrap();
    for (run, separation) in [("stop", made.separation.unwrap()), ("loss of supply", loss.separation.unwrap())] {
        println!("{run}: {}", separation.words());
        assert!(separation.largest_m3 > 1e-3, "{run}: the water parts: {} m3", separation.largest_m3);
        let share = separation.residual_share();
        assert!(share < RESIDUAL_SHARE, "{run}: expected below {RESIDUAL_SHARE}, got a residual of {share:.2e}");
    }
    let by_grid = loss.separation.unwrap().peak_by_grid.expect("repeated on another grid");
    let other = by_another_grid(&rig, index, loss);
    let error = (by_grid - other).abs();
    println!("peaks by grid: told {by_grid:.4}, followed here {other:.4}");
    assert!(by_grid > 0.0 && error < BY_GRID_TOLERANCE, "expected {other} of their rise, got {by_grid}, error {error}");
    let words = loss.separation.unwrap().words();
    assert!(words.contains(&format!("up to {:.0} % of their rise", 100.0 * by_grid)), "{words}");
    let cavity = |kind: EventKind| matches!(kind, EventKind::CavityOpened | EventKind::CavityCollapsed);
    let told: Vec<_> = made.events.iter().filter(|event| cavity(event.kind)).collect();
    told.iter().for_each(|event| println!("{:.3} s after the stop: {}", event.after_mark_s, event.text));
    assert!((2..=EVENTS_MOST).contains(&told.len()), "{} events told", told.len());
    for pair in told.windows(2) {
        assert_ne!(pair[0].kind, pair[1].kind, "a spell opens, then closes: {} / {}", pair[0].text, pair[1].text);
        assert!(pair[0].after_mark_s <= pair[1].after_mark_s);
    }
    let valve = |kind: EventKind| matches!(kind, EventKind::CheckValveOpened | EventKind::CheckValveClosed);
    let moves = made.events.iter().filter(|event| valve(event.kind)).count();
    assert!(moves <= EVENTS_MOST, "{moves} moves of the check valve told");
    assert!(made.is_intact());
    let mut changed = made;
    changed.separation.as_mut().unwrap().residual_m3 += 1e-12;
    assert!(!changed.is_intact(), "the hash must cover the residual");
}
