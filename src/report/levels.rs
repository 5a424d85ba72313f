//! Pressures in the line at its marks as gauge, as absolute and as head: what a pipe, a vacuum and a column of liquid go by.

use super::document::{Piece, Section, Table};
use crate::comparison::RunData;
use crate::comparison::align::{AlignedCycle, ChannelCycle};
use crate::comparison::metric::{NotMeasured, final_level, initial_level};
use crate::rig::model::Rig;
use crate::signal::statistics::mean;
use crate::units::display::{System, significant};
use crate::units::{Dimension, Reference};

const DIGITS: usize = 4;
/// Marks of a cycle.
const MARKS: [&str; 5] = ["at rest", "highest in the start", "running", "lowest in the stop", "highest in the stop"];
/// What a value becomes.
type Shown<'a> = Box<dyn Fn(f64) -> f64 + 'a>;

/// The section; `None` where no pressure was measured.
pub(super) fn section(
    runs: &[RunData],
    aligned: &[Vec<AlignedCycle>],
    names: &[String],
    system: System,
) -> Option<Section> {
    let (mut rows, mut vapour) = (Vec::new(), None);
    for ((run, cycles), name) in runs.iter().zip(aligned).zip(names) {
        let Ok(rig) = crate::rig::parse(&run.rig_text, "the rig file in the recording") else { continue };
        vapour = vapour.or(Some(rig.liquid.vapour_pa));
        for (place, info) in run.channels.iter().enumerate().filter(|(_, info)| info.unit == "Pa" && !info.waveform) {
            let channel: Vec<&ChannelCycle> = cycles.iter().filter_map(|cycle| cycle.measured.get(place)).collect();
            let marks = MARKS.map(|mark| at(mark, &channel));
            for (what, shown) in forms(&rig, info.elevation_m, system) {
                let number = |value: &Option<f64>| {
                    value.map_or_else(|| "not measured".to_owned(), |pa| significant(shown(pa), DIGITS))
                };
                let head = [name.clone(), info.id.to_string(), what];
                rows.push(head.into_iter().chain(marks.iter().map(number)).collect());
            }
        }
    }
    let vapour = system.show(vapour?, Dimension::Pressure, Reference::Absolute);
    let said = format!(
        "Filtered as the figures are; of several cycles the mean of levels and the extremes of all. Absolute: with the atmosphere of \
         the rig file. Head: over the datum of the rig file, the elevation of the sensor added. A column of liquid parts where \
         the absolute pressure comes down to that of its vapour, {vapour}; no sensor shows less where it does."
    );
    let head = ["run", "channel", "as"].into_iter().chain(MARKS).map(str::to_owned).collect();
    let pieces = vec![Piece::Table(Table { head, rows }), Piece::Text(said)];
    let any = matches!(pieces.first(), Some(Piece::Table(table)) if !table.rows.is_empty());
    any.then(|| Section { heading: "Pressures: gauge, absolute, head".into(), pieces })
}

/// The three forms of a gauge pressure, with their units in words.
fn forms(rig: &Rig, elevation_m: f64, system: System) -> [(String, Shown<'_>); 3] {
    let liquid = &rig.liquid;
    let unit = |reference| system.unit_counted(Dimension::Pressure, reference);
    let pressure = move |pa: f64| system.number(pa, Dimension::Pressure);
    let head_m = move |pa: f64| pa / (liquid.density_kg_m3 * liquid.gravity_m_s2) + elevation_m;
    [
        (unit(Reference::Gauge), Box::new(pressure)),
        (unit(Reference::Absolute), Box::new(move |pa| pressure(pa + liquid.atmosphere_pa))),
        (
            format!("{} of head", system.unit_name(Dimension::Length)),
            Box::new(move |pa| system.number(head_m(pa), Dimension::Length)),
        ),
    ]
}

/// Gauge pressure at a mark over the cycles, Pa; `None` where a gap or an end of the range stands against it.
fn at(mark: &str, cycles: &[&ChannelCycle]) -> Option<f64> {
    let known = |values: Vec<Result<f64, NotMeasured>>| -> Vec<f64> {
        values.into_iter().filter_map(Result::ok).filter(|value| !value.is_nan()).collect()
    };
    let starts = || cycles.iter().filter_map(|cycle| cycle.start.as_ref());
    let stops = || cycles.iter().filter_map(|cycle| cycle.stop.as_ref());
    let level = |values: Vec<f64>| (!values.is_empty()).then(|| mean(&values));
    let extreme = |values: Vec<Result<&[f64], NotMeasured>>, pick: fn(f64, f64) -> f64| {
        values.into_iter().filter_map(Result::ok).flatten().copied().filter(|value| !value.is_nan()).reduce(pick)
    };
    match mark {
        "at rest" => level(known(starts().map(|piece| Ok(initial_level(piece))).collect())),
        "running" => level(known(starts().map(final_level).collect())),
        "highest in the start" => extreme(starts().map(|piece| piece.whole()).collect(), f64::max),
        "lowest in the stop" => extreme(stops().map(|piece| piece.whole()).collect(), f64::min),
        _ => extreme(stops().map(|piece| piece.whole()).collect(), f64::max),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::comparison::align::{Faults, Piece as Stretch};

    #[test]
    fn law_head_and_absolute_are_the_gauge_pressure_with_the_rig_s_own_numbers() {
        let mut rig = crate::rig::parse(crate::rig::shipped("terrace-bench").unwrap(), "terrace-bench.toml").unwrap();
        (rig.liquid.density_kg_m3, rig.liquid.gravity_m_s2, rig.liquid.atmosphere_pa) = (1000.0, 9.81, 101_325.0);
        let [gauge, absolute, head] = forms(&rig, 2.0, System::Si);
        // 10 m of water of 1000 kg/m3 (closed form).
        let got = [gauge.1(98_100.0), absolute.1(98_100.0), head.1(98_100.0)];
        for (got, expected) in got.into_iter().zip([0.981, 1.994_25, 12.0]) {
            assert!((got - expected).abs() < 1e-9, "expected {expected}, got {got}");
        }
        assert_eq!((gauge.0.as_str(), absolute.0.as_str(), head.0.as_str()), ("barg", "bara", "m of head"));
    }

    #[test]
    fn reads_marks_off_a_made_cycle_and_none_off_a_clipped_one() {
        let stretch = |values: Vec<f64>, faults| Some(Stretch { t0_s: -0.5, dt_s: 1e-2, values, faults });
        let start = |k: usize| {
            if k < 50 {
                1.0
            } else if k == 80 {
                9.0
            } else {
                5.0
            }
        };
        let stop = |k: usize| match k {
            120 => -3.0,
            150 => 6.0,
            _ => 1.0,
        };
        let made = |faults| ChannelCycle {
            start: stretch((0..1050).map(start).collect(), Faults::default()),
            stop: stretch((0..1050).map(stop).collect(), faults),
            ..ChannelCycle::default()
        };
        let whole = made(Faults::default());
        let got = MARKS.map(|mark| at(mark, &[&whole]));
        assert_eq!(got, [1.0, 9.0, 5.0, -3.0, 6.0].map(Some), "{MARKS:?}");
        let clipped = made(Faults { clipped_low: true, ..Faults::default() });
        assert_eq!(at("lowest in the stop", &[&clipped]), None, "what the sensor could not show is not told");
        assert_eq!(at("lowest in the stop", &[&clipped, &whole]), Some(-3.0), "the other cycle is whole");
    }
}
