//! One row an event: what `events.csv` holds.

use super::ObserveError;
use std::path::Path;

/// The columns, in order.
pub const COLUMNS: [&str; 18] = [
    "event",
    "utc",
    "rig_s",
    "trigger",
    "pump",
    "pumps_running_before",
    "pumps_running_after",
    "level_m",
    "level_band",
    "surge_pa",
    "trough_pa",
    "peak_gauge_pa",
    "final_gauge_pa",
    "clipped",
    "flat",
    "frames_missing",
    "label",
    "recording",
];

/// An event. What is not known is `None` and an empty cell.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Row {
    /// Number, from 1.
    pub event: u64,
    /// Civil time of the trigger, UTC.
    pub utc: String,
    /// Rig time of the trigger, s since the stream began.
    pub rig_s: f64,
    /// Trigger id.
    pub trigger: String,
    /// Device whose motor was switched, or that ran alone.
    pub pump: Option<String>,
    /// Pumps that ran when it began.
    pub pumps_running_before: Option<u32>,
    /// Pumps that ran when it ended.
    pub pumps_running_after: Option<u32>,
    /// Level before the trigger, m above datum.
    pub level_m: Option<f64>,
    /// Its band.
    pub level_band: Option<String>,
    /// Largest filtered pressure of the headline channel after the trigger less its final level, Pa.
    pub surge_pa: Option<f64>,
    /// Smallest less final level, Pa.
    pub trough_pa: Option<f64>,
    /// Largest, Pa gauge.
    pub peak_gauge_pa: Option<f64>,
    /// Mean of the last second, Pa gauge.
    pub final_gauge_pa: Option<f64>,
    /// Channels that stood at an end of their range: the true value is at least as large.
    pub clipped: Vec<String>,
    /// Channels that repeated one value throughout.
    pub flat: Vec<String>,
    /// Frames missing.
    pub frames_missing: u64,
    /// Label of the session (`before`, `after`).
    pub label: String,
    /// Recording; `None`: not kept, the quota was used up.
    pub recording: Option<String>,
}

impl Row {
    /// As a line of CSV (RFC 4180), without its end.
    pub fn line(&self) -> String {
        let number = |value: Option<f64>| value.map(|v| format!("{v:.6e}")).unwrap_or_default();
        let count = |value: Option<u32>| value.map(|v| v.to_string()).unwrap_or_default();
        let text = |value: &Option<String>| value.clone().unwrap_or_default();
        let cells = [
            self.event.to_string(),
            self.utc.clone(),
            format!("{:.4}", self.rig_s),
            self.trigger.clone(),
            text(&self.pump),
            count(self.pumps_running_before),
            count(self.pumps_running_after),
            self.level_m.map(|level| format!("{level:.3}")).unwrap_or_default(),
            text(&self.level_band),
            number(self.surge_pa),
            number(self.trough_pa),
            number(self.peak_gauge_pa),
            number(self.final_gauge_pa),
            self.clipped.join(" "),
            self.flat.join(" "),
            self.frames_missing.to_string(),
            self.label.clone(),
            text(&self.recording),
        ];
        cells.iter().map(|cell| quoted(cell)).collect::<Vec<_>>().join(",")
    }

    /// From a line; `None` where it has not these columns.
    pub fn parse(line: &str) -> Option<Self> {
        let cells: [String; 18] = cells(line).try_into().ok()?;
        let number = |at: usize| cells[at].parse::<f64>().ok();
        let text = |at: usize| (!cells[at].is_empty()).then(|| cells[at].clone());
        let words = |at: usize| cells[at].split_whitespace().map(str::to_owned).collect();
        Some(Self {
            event: cells[0].parse().ok()?,
            utc: cells[1].clone(),
            rig_s: number(2)?,
            trigger: cells[3].clone(),
            pump: text(4),
            pumps_running_before: cells[5].parse().ok(),
            pumps_running_after: cells[6].parse().ok(),
            level_m: number(7),
            level_band: text(8),
            surge_pa: number(9),
            trough_pa: number(10),
            peak_gauge_pa: number(11),
            final_gauge_pa: number(12),
            clipped: words(13),
            flat: words(14),
            frames_missing: cells[15].parse().ok()?,
            label: cells[16].clone(),
            recording: text(17),
        })
    }
}

fn quoted(cell: &str) -> String {
    match cell.contains([',', '"', '\n', '\r']) {
        true => format!("\"{}\"", cell.replace('"', "\"\"").replace(['\n', '\r'], " ")),
        false => cell.to_owned(),
    }
}

fn cells(line: &str) -> Vec<String> {
    let (mut cells, mut cell, mut inside) = (Vec::new(), String::new(), false);
    let mut letters = line.chars().peekable();
    while let Some(letter) = letters.next() {
        match letter {
            '"' if inside && letters.peek() == Some(&'"') => {
                letters.next();
                cell.push('"');
            }
            '"' => inside = !inside,
            ',' if !inside => cells.push(std::mem::take(&mut cell)),
            other => cell.push(other),
        }
    }
    cells.push(cell);
    cells
}

/// Rows of a session's `events.csv`. A last line that a loss of supply cut short is passed over.
///
/// # Errors
/// A file that cannot be read, or a line in its middle that is no row.
pub fn read_rows(folder: &Path) -> Result<Vec<Row>, ObserveError> {
    let path = folder.join("events.csv");
    let text = match std::fs::read_to_string(&path) {
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => return Ok(Vec::new()),
        read => read.map_err(|source| ObserveError::io(&path, source))?,
    };
    let mut rows = Vec::new();
    for (number, line) in text.split_inclusive('\n').enumerate().skip(1) {
        match Row::parse(line.trim_end()) {
            Some(row) if line.ends_with('\n') => rows.push(row),
            _ if !line.ends_with('\n') => {}
            _ => {
                let reason = "not a row of events".to_owned();
                return Err(ObserveError::Format { path, line: number + 1, reason });
            }
        }
    }
    Ok(rows)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn law_a_row_comes_back_from_its_line() {
        let row = Row {
            event: 7,
            utc: "2026-01-02T03:04:05.678Z".into(),
            rig_s: 1234.5,
            trigger: "start".into(),
            pump: Some("pump 1, \"old\"".into()),
            pumps_running_before: Some(0),
            level_m: Some(1.25),
            level_band: Some("1 to 2 m".into()),
            surge_pa: Some(4.5e4),
            clipped: vec!["p_a".into(), "p_b".into()],
            label: "before".into(),
            recording: Some("event-000007.h5".into()),
            ..Row::default()
        };
        assert_eq!(Row::parse(&row.line()), Some(row));
        assert_eq!(Row::parse("1,2,3"), None);
    }
}
