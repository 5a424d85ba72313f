//! How the valves stood: every line-up that somebody confirmed during a run, valve by valve.

use super::document::{Piece, Section, Table};
use crate::comparison::RunData;
use crate::sequence::interlock::{LineUpRules, Rules};

/// The section; `None` where no line-up was confirmed.
pub(super) fn section(runs: &[RunData], names: &[String]) -> Option<Section> {
    let rows: Vec<Vec<String>> = runs.iter().zip(names).flat_map(|(run, name)| rows(run, name)).collect();
    let head = ["run", "line-up", "what it is", "valves", "confirmed at, s", "by"].map(str::to_owned).to_vec();
    let said = "As people confirmed it, or as the bench unit read it back where it does; times as in the events below.";
    (!rows.is_empty()).then(|| Section {
        heading: "Line-up".into(),
        pieces: vec![Piece::Table(Table { head, rows }), Piece::Text(said.to_owned())],
    })
}

fn rows(run: &RunData, name: &str) -> Vec<Vec<String>> {
    // A recording of a newer program may hold a rig file that this one cannot read.
    let Ok(rig) = crate::rig::parse(&run.rig_text, "the rig file in the recording") else { return Vec::new() };
    let by = run.header.as_ref().map_or("-", |header| header.confirmed_by.as_str());
    let row = |rule: &LineUpRules| {
        let confirmed = LineUpRules::confirmed(&rule.id);
        let times: Vec<String> = run
            .events
            .iter()
            .filter(|event| event.text == confirmed)
            .map(|event| format!("{:.1}", event.at_s))
            .collect();
        let valves = if rule.valves.is_empty() { "none".to_owned() } else { rule.valves.join(", ") };
        (!times.is_empty())
            .then(|| vec![name.to_owned(), rule.id.clone(), rule.text.clone(), valves, times.join(", "), by.to_owned()])
    };
    Rules::of(&rig).line_ups.iter().filter_map(row).collect()
}
