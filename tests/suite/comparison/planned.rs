//! What is settled before a run is looked at: which cycles count, which belong together, whether the prediction came first; and
//! clocks that disagree.

use super::*;
use ramprig::comparison::agreement::against_prediction;
use ramprig::comparison::table::titles;
use ramprig::comparison::tolerance::{Tolerance, against_prediction as held};
use ramprig::sequence::first_cycle::FirstCycle;

const APART: &str = "[sequence]\nid = \"s\"\nfirst_cycle = \"stands-apart\"\n";

/// A run of four cycles, each overshooting by its own share of the made surge.
fn overshooting(kind: StarterKind, by_pa: [f64; 4]) -> RunData {
    let mut made = run(kind, made_pressure);
    let cycle_samples = (CYCLE_S / DT_S) as usize;
    for trace in &mut made.traces {
        let second: Vec<f64> = trace.values[cycle_samples..2 * cycle_samples].to_vec();
        let rest = trace.values.split_off(2 * cycle_samples);
        trace.values.extend(second.iter().chain(&second).chain(&rest));
    }
    made.marks = (1..=4)
        .flat_map(|cycle| {
            let start = 2.0 + f64::from(cycle - 1) * CYCLE_S;
            [
                mark(start, MarkKind::Start { cycle }),
                mark(start + START_PHASE_S, MarkKind::Stop { cycle }),
                mark(start + 9.0, MarkKind::Settled { cycle }),
            ]
        })
        .collect();
    for (number, by_pa) in by_pa.into_iter().enumerate() {
        let begin = ((2.0 + number as f64 * CYCLE_S) / DT_S) as usize;
        for value in &mut made.traces[0].values[begin..begin + (START_PHASE_S / DT_S) as usize] {
            let above = (*value - RUNNING_PA).max(0.0);
            *value += above / SURGE_PA * by_pa;
        }
    }
    made
}

fn surges(of: &RunResult) -> Vec<f64> {
    of.measured("start_surge")
}

#[test]
fn leaves_the_first_cycle_out_where_the_sequence_said_so_beforehand() {
    let mut made = overshooting(StarterKind::SoftStarter, [20_000.0, 0.0, 400.0, 200.0]);
    let all = evaluate(&made);
    assert_eq!((all.first_cycle, surges(&all).len()), (FirstCycle::Counts, 4));
    made.sequence_text = APART.to_owned();
    let apart = evaluate(&made);
    assert_eq!((apart.first_cycle, apart.cycles.len()), (FirstCycle::StandsApart, 4), "it is there all the same");
    assert_eq!(surges(&apart), surges(&all)[1..]);
    assert!(all.mean_measured("start_surge").unwrap() - apart.mean_measured("start_surge").unwrap() > 4_000.0);
    let text = table(std::slice::from_ref(&apart), Pairing::Independent, System::Si);
    assert!(text.contains("3 of 4 cycles") && text.contains("the first cycle stands apart"), "{text}");
    let json = serde_json::to_value(summary(&apart)).unwrap();
    assert_eq!((&json["cycles"], &json["cycles_counted"]), (&4.into(), &3.into()), "{json}");
    assert_eq!(json["first_cycle"], "stands-apart");
    // The one cycle of a run that was cut off is none of those that count.
    made.marks.truncate(3);
    let only = evaluate(&made);
    assert_eq!(only.mean_measured("start_surge"), Err(NotMeasured::FirstCycle));
    assert!(table(&[only], Pairing::Independent, System::Si).contains("by its sequence that one stands apart"));
}

#[test]
fn pairs_cycles_where_that_was_the_plan_and_names_the_run_that_scatters() {
    // Both rise from cycle to cycle; the drive lies 1.5 kPa over the soft starter in each of them.
    let soft = overshooting(StarterKind::SoftStarter, [0.0, 8_000.0, 16_000.0, 24_000.0]);
    let drive = overshooting(StarterKind::VariableSpeed, [1_500.0, 9_600.0, 17_400.0, 25_500.0]);
    let results = [evaluate(&soft), evaluate(&drive)];
    let apart = table(&results, Pairing::Independent, System::Si);
    let words = apart.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(words.contains("start surge tie"), "{apart}");
    let pairs = table(&results, Pairing::Paired, System::Si);
    assert!(pairs.contains("variable speed larger than soft starter by 0.015 bar, in pairs of cycles"), "{pairs}");
    let calm = overshooting(StarterKind::AcrossTheLine, [0.0, 100.0, 50.0, 150.0]);
    let text = table(&[evaluate(&soft), evaluate(&calm)], Pairing::Independent, System::Si);
    assert!(
        text.contains("soft starter: scatters more than the other runs in start surge (Cochran, 1 % level)"),
        "{text}"
    );
    assert!(!apart.contains("Cochran"), "{apart}");
}

#[test]
fn calls_runs_by_the_label_they_were_given() {
    let (mut before, mut after) =
        (run(StarterKind::SoftStarter, made_pressure), run(StarterKind::SoftStarter, made_pressure));
    "before".clone_into(&mut before.label);
    "after, with the new check valve".clone_into(&mut after.label);
    let results = [evaluate(&before), evaluate(&after)];
    assert_eq!(titles(&results), ["before: soft starter", "after, with the new check valve: soft starter"]);
    let text = table(&results, Pairing::Independent, System::Si);
    let rows = text.lines().take_while(|line| !line.is_empty());
    assert!(rows.map(|line| line.chars().count()).max() <= Some(110), "{text}");
}

#[test]
fn holds_nothing_against_a_prediction_that_came_after_the_start() {
    let mut made = run(StarterKind::AcrossTheLine, made_pressure);
    made.prediction = Some(prediction(0.0));
    let to = Tolerance { share: 0.5, guard: 0.0 };
    let before = evaluate(&made);
    assert!(!against_prediction(&before).is_empty() && !held(&before, to).is_empty());
    made.prediction_stored_s = Some(5.0);
    let after = evaluate(&made);
    assert!(against_prediction(&after).is_empty() && held(&after, to).is_empty());
    let text = table(&[after], Pairing::Independent, System::Si);
    assert!(text.contains("caution: the prediction was on disk 3.0 s after the first start"), "{text}");
}

#[test]
fn says_that_the_clocks_of_samples_and_marks_disagree_and_evaluates_the_rest() {
    let mut made = run(StarterKind::AcrossTheLine, made_pressure);
    made.prediction = Some(prediction(0.0));
    assert!(!evaluate(&made).flags.iter().any(|flag| flag.contains("clocks")));
    let off_by = |by_s: f64| {
        let mut off = made.clone();
        off.traces.iter_mut().for_each(|trace| trace.t0_s += by_s);
        evaluate(&off)
    };
    // An hour: a time zone that was set between the two.
    let hour = off_by(3600.0);
    assert!(
        hour.flags.iter().any(|flag| flag.contains("the start marks of cycles 1, 2 lie outside the samples")),
        "{:?}",
        hour.flags
    );
    assert_eq!(hour.mean_measured("start_surge"), Err(NotMeasured::NoPhase(Phase::Start)));
    // So that only the second start lies within the samples, and no current sets in near it.
    let part = off_by(9.0);
    assert!(part.flags.iter().any(|flag| flag.contains("marks of cycle 1 lie outside the samples")));
    assert!(
        part.flags.iter().any(|flag| flag.contains("no onset of current near the start marks of cycle 2")),
        "{:?}",
        part.flags
    );
    let text = table(&[part], Pairing::Independent, System::Si);
    assert!(text.contains("the clocks disagree"), "{text}");
}
