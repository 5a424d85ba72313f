//! Does a predicted run stay within what the parts beside its pressure channels are rated for, its band included?

use super::Prediction;
use crate::hydraulics::spec::Place;
use crate::rig::model::{Quantity, Rating, Rig};

const BAR: f64 = 1e5;

/// Smallest and largest value that a channel reaches in some series, Pa gauge.
fn ends<'a>(series: impl Iterator<Item = &'a Vec<Vec<f32>>>, channel: usize) -> Option<(f64, f64)> {
    let values = series.filter_map(|all| all.get(channel)).flatten().filter(|value| value.is_finite());
    values.map(|value| f64::from(*value)).fold(None, |ends, value| {
        let (low, high) = ends.unwrap_or((value, value));
        Some((low.min(value), high.max(value)))
    })
}

/// What a channel reaches by the prediction itself, and by its band, which is the same where there is none.
fn reaches(prediction: &Prediction, channel: usize) -> Option<[(f64, f64); 2]> {
    let plain = || prediction.segments.iter().map(|segment| &segment.series);
    let band = prediction.band.iter().flat_map(|band| &band.segments);
    let banded = plain().chain(band.flat_map(|segment| [&segment.lower, &segment.upper]));
    Some([ends(plain(), channel)?, ends(banded, channel)?])
}

/// The parts at a place that are rated for less than it reaches, in words; `how` says what reaches it.
fn overloaded(rig: &Rig, place: Place, (low_pa, high_pa): (f64, f64), name: &str, how: &str) -> Vec<String> {
    let words = |(element, rating): (&str, Rating)| {
        let over = (high_pa > rating.max_gauge_pa).then_some((high_pa, rating.max_gauge_pa));
        let under = (low_pa < rating.min_gauge_pa).then_some((low_pa, rating.min_gauge_pa));
        let told = [over, under].into_iter().flatten().map(|(reaches_pa, rated_pa)| {
            format!(
                "{name} is predicted to reach {:.2} barg {how}; {element} beside it is rated {:.2} barg",
                reaches_pa / BAR,
                rated_pa / BAR
            )
        });
        told.collect::<Vec<_>>()
    };
    rig.rated_beside(place).flat_map(words).collect()
}

/// Every place where the predicted run goes beyond a rating, in words; a start is refused for any of them. A place without a
/// channel has no band of its own: it is given the widest one of the pressure channels.
pub fn beyond_ratings(rig: &Rig, prediction: &Prediction) -> Vec<String> {
    let mut beyond = Vec::new();
    let mut wider_pa = [0.0_f64; 2];
    for channel in &rig.channels {
        let index = prediction.channels.iter().position(|id| *id == channel.id);
        let Some([(low_pa, high_pa), banded]) = index.and_then(|index| reaches(prediction, index)) else { continue };
        if channel.quantity == Quantity::GaugePressure {
            wider_pa = [wider_pa[0].max(low_pa - banded.0), wider_pa[1].max(banded.1 - high_pa)];
        }
        let place = channel.place.into_iter();
        beyond.extend(place.flat_map(|place| overloaded(rig, place, banded, &channel.id.0, "within its band")));
    }
    let how = "(no channel there: with the widest band of the pressure channels)";
    for node in &prediction.reach {
        let reaches = (node.low_pa - wider_pa[0], node.high_pa + wider_pa[1]);
        beyond.extend(overloaded(rig, Place::Node(node.node), reaches, &node.name, how));
    }
    beyond
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

    /// With a band about it whose upper end at `p_discharge` is `upper_pa` throughout.
    fn banded(rig: &Rig, prediction: Prediction, upper_pa: f32) -> Prediction {
        let discharge = rig.channels.iter().position(|channel| channel.id.0 == "p_discharge").unwrap();
        let lower = prediction.segments[0].series.clone();
        let mut upper = lower.clone();
        upper[discharge] = vec![upper_pa; 3];
        let band = Band {
            members: 20,
            failed: 0,
            in_lanes: None,
            way: None,
            seed: 1,
            uncertainty: rig.uncertainty,
            segments: vec![BandSegment { lower, upper }],
            figures: Vec::new(),
        };
        Prediction { band: Some(band), ..prediction }
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
        assert!(!beyond_ratings(&rig, &banded(&rig, well, 10.2e5)).is_empty(), "only the band goes there");
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
        let high = beyond_ratings(&rig, &banded(&rig, at(5.9e5), 2.3e5));
        assert!(high[0].starts_with("pump_outlet is predicted to reach 6.20 barg"), "{high:?}");
    }
}
