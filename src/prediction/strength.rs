//! Does a predicted run stay within what the parts beside its pressure channels are rated for, its band included?

use super::Prediction;
use crate::hydraulics::spec::Place;
use crate::rig::model::{Quantity, Rig};

const BAR: f64 = 1e5;

/// Largest and smallest predicted value of a channel, the band's ends where there is one, Pa gauge.
fn reach(prediction: &Prediction, channel: usize) -> Option<(f64, f64)> {
    let ends =
        prediction.band.iter().flat_map(|band| &band.segments).flat_map(|segment| [&segment.lower, &segment.upper]);
    let series = prediction.segments.iter().map(|segment| &segment.series).chain(ends);
    let values = series.filter_map(|all| all.get(channel)).flatten().filter(|value| value.is_finite());
    let values = values.map(|value| f64::from(*value));
    values.fold(None, |reach, value| {
        let (low, high) = reach.unwrap_or((value, value));
        Some((low.min(value), high.max(value)))
    })
}

/// Every place where the predicted run goes beyond a rating, in words; a start is refused for any of them.
pub fn beyond_ratings(rig: &Rig, prediction: &Prediction) -> Vec<String> {
    let mut beyond = Vec::new();
    for channel in &rig.channels {
        let index = prediction.channels.iter().position(|id| *id == channel.id);
        let (Some(place), Some((low_pa, high_pa))) = (channel.place, index.and_then(|k| reach(prediction, k))) else {
            continue;
        };
        for (element, rating) in rig.rated_beside(place) {
            for (reaches_pa, rated_pa, over) in [
                (high_pa, rating.max_gauge_pa, high_pa > rating.max_gauge_pa),
                (low_pa, rating.min_gauge_pa, low_pa < rating.min_gauge_pa),
            ] {
                if over {
                    beyond.push(format!(
                        "{} is predicted to reach {:.2} barg within its band; {element} beside it is rated {:.2} barg",
                        channel.id,
                        reaches_pa / BAR,
                        rated_pa / BAR
                    ));
                }
            }
        }
    }
    let [wider_low_pa, wider_high_pa] = widest(rig, prediction);
    for reach in &prediction.reach {
        let (low_pa, high_pa) = (reach.low_pa - wider_low_pa, reach.high_pa + wider_high_pa);
        for (element, rating) in rig.rated_beside(Place::Node(reach.node)) {
            for (reaches_pa, rated_pa, over) in [
                (high_pa, rating.max_gauge_pa, high_pa > rating.max_gauge_pa),
                (low_pa, rating.min_gauge_pa, low_pa < rating.min_gauge_pa),
            ] {
                if over {
                    beyond.push(format!(
                        "{} is predicted to reach {:.2} barg (no channel there: with the widest band of the pressure channels); \
                         {element} beside it is rated {:.2} barg",
                        reach.name,
                        reaches_pa / BAR,
                        rated_pa / BAR
                    ));
                }
            }
        }
    }
    beyond
}

/// How far the band goes below and above the prediction itself at the pressure channel where it goes farthest, Pa.
fn widest(rig: &Rig, prediction: &Prediction) -> [f64; 2] {
    let plain = Prediction { segments: prediction.segments.clone(), ..Prediction::default() };
    let pressures = rig.channels.iter().enumerate().filter(|(_, channel)| channel.quantity == Quantity::GaugePressure);
    let wider = pressures.filter_map(|(_, channel)| {
        let index = prediction.channels.iter().position(|id| *id == channel.id)?;
        let ((low_pa, high_pa), (least_pa, most_pa)) = (reach(&plain, index)?, reach(prediction, index)?);
        Some([low_pa - least_pa, most_pa - high_pa])
    });
    wider.fold([0.0; 2], |[low, high], [lower, higher]| [low.max(lower), high.max(higher)])
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::prediction::bands::BandSegment;
    use crate::prediction::{Band, NodeReach, Segment};
    use crate::sequence::marks::Phase;

    fn predicted(rig: &Rig, discharge_pa: [f32; 3]) -> Prediction {
        let series = rig.channels.iter().map(|channel| match channel.id.0.as_str() {
            "p_discharge" => discharge_pa.to_vec(),
            _ => vec![0.0; 3],
        });
        let (series, flow_m3_s, beside) = (series.collect(), vec![0.0; 3], Vec::new());
        let segment = Segment { cycle: 1, phase: Phase::Start, t0_s: 0.0, dt_s: 0.01, series, flow_m3_s, beside };
        Prediction {
            channels: rig.channels.iter().map(|channel| channel.id.clone()).collect(),
            segments: vec![segment],
            ..Prediction::default()
        }
    }

    #[test]
    fn names_every_part_that_the_run_or_its_band_would_overload() {
        let rig = crate::rig::parse(crate::rig::shipped("terrace-bench").unwrap(), "t.toml").unwrap();
        let well = predicted(&rig, [0.5e5, 9.9e5, f32::NAN]);
        assert_eq!(beyond_ratings(&rig, &well), Vec::<String>::new());
        let high = beyond_ratings(&rig, &predicted(&rig, [0.5e5, 10.1e5, 0.0]));
        assert!(high.len() >= 2 && high[0].starts_with("p_discharge is predicted to reach 10.10 barg"), "{high:?}");
        let low = beyond_ratings(&rig, &predicted(&rig, [0.5e5, -0.7e5, 0.0]));
        assert_eq!(low, Vec::<String>::new(), "steel and valves there stand -1 barg");
        let low = beyond_ratings(&rig, &predicted(&rig, [0.5e5, -1.1e5, 0.0]));
        assert!(low[0].starts_with("p_discharge is predicted to reach -1.10 barg"), "{low:?}");
        let mut banded = well;
        let lower = banded.segments[0].series.clone();
        let mut upper = lower.clone();
        upper[1] = vec![10.2e5; 3];
        let (members, uncertainty) = (20, rig.uncertainty);
        let segments = vec![BandSegment { lower, upper }];
        banded.band =
            Some(Band { members, failed: 0, in_lanes: None, seed: 1, uncertainty, segments, figures: Vec::new() });
        assert!(!beyond_ratings(&rig, &banded).is_empty(), "only the band goes there");
    }

    #[test]
    fn looks_at_places_without_a_channel_with_the_widest_band_of_the_others() {
        let rig = crate::rig::parse(crate::rig::shipped("terrace-bench").unwrap(), "t.toml").unwrap();
        let node = rig.network.nodes.iter().position(|node| node.name == "pump_outlet").unwrap();
        let at = |high_pa: f64| {
            let reach = NodeReach { node, name: "pump_outlet".to_owned(), low_pa: -0.1e5, high_pa };
            Prediction { reach: vec![reach], ..predicted(&rig, [0.5e5, 2.0e5, 0.0]) }
        };
        assert_eq!(beyond_ratings(&rig, &at(5.9e5)), Vec::<String>::new(), "the pump is rated 6 barg");
        let high = beyond_ratings(&rig, &at(6.1e5));
        assert!(high[0].starts_with("pump_outlet is predicted to reach 6.10 barg (no channel there"), "{high:?}");
        let mut banded = at(5.9e5);
        let lower = banded.segments[0].series.clone();
        let mut upper = lower.clone();
        upper[1] = vec![2.3e5; 3];
        let segments = vec![BandSegment { lower, upper }];
        let uncertainty = rig.uncertainty;
        banded.band =
            Some(Band { members: 20, failed: 0, in_lanes: None, seed: 1, uncertainty, segments, figures: Vec::new() });
        let high = beyond_ratings(&rig, &banded);
        assert!(high[0].starts_with("pump_outlet is predicted to reach 6.20 barg"), "{high:?}");
    }
}
