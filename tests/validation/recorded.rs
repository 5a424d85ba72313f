//! Filters and statistics on the recording that is kept in `recordings/`, against scipy (`tests/fixtures/second-solutions/recorded.py`):
//! the reader, the scaling, the channel class and the statistics together, as a comparison uses them.

use crate::harness::{Case, Sheet};
use ramprig::comparison::RunData;
use ramprig::signal::filter::LowPass;
use ramprig::signal::regression::{Shape, fit};
use ramprig::signal::{features, lag, outliers, statistics};
use std::path::Path;

fn recording(case: &Case) -> RunData {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("recordings").join(case.text("recording"));
    ramprig::recording::read(&path).unwrap()
}

fn index(run: &RunData, id: &str) -> usize {
    run.channels.iter().position(|channel| channel.id.0 == id).unwrap_or_else(|| panic!("no channel {id}"))
}

/// The named channels, each cut to the same samples.
fn cut(case: &Case, run: &RunData, samples: std::ops::Range<usize>) -> Vec<Vec<f64>> {
    let of = |id: &str| run.traces[index(run, id)].values[samples.clone()].to_vec();
    case.text("channels").split(' ').map(of).collect()
}

fn whole(case: &Case, name: &str) -> usize {
    case.number(name) as usize
}

#[test]
fn agrees_with_scipy_on_the_recording_that_is_kept() {
    let mut sheet = Sheet::open("recorded", "second-solutions-recorded");
    for case in sheet.cases("recorded-filter-") {
        let run = recording(&case);
        let k = index(&run, case.text("channel"));
        let trace = &run.traces[k];
        let filter = LowPass::channel_class(run.channels[k].filter_class, trace.dt_s).unwrap();
        let filtered = filter.phaseless(&trace.values);
        let at: Vec<f64> = case.list("at").iter().map(|at| filtered[*at as usize]).collect();
        let (high, low) = (features::maximum(&filtered).unwrap(), features::minimum(&filtered).unwrap());
        sheet.check(&case, "filtered", at, "signal::filter::LowPass::phaseless");
        sheet.check(&case, "largest", high.value, "signal::features::maximum");
        sheet.check(&case, "largest_at", high.at, "signal::features::maximum");
        sheet.check(&case, "smallest", low.value, "signal::features::minimum");
        sheet.check(&case, "mean", statistics::mean(&trace.values), "signal::statistics::mean");
        let deviation = statistics::standard_deviation(&trace.values);
        sheet.check(&case, "deviation", deviation, "signal::statistics::standard_deviation");
        let autocorrelation = statistics::lag1_autocorrelation(&trace.values);
        sheet.check(&case, "autocorrelation", autocorrelation, "signal::statistics::lag1_autocorrelation");
    }
    for case in sheet.cases("recorded-blocks") {
        let (run, begin, block) = (recording(&case), whole(&case, "begin"), whole(&case, "block"));
        let samples = begin..begin + block * whole(&case, "blocks");
        let means = |values: &Vec<f64>| values.chunks(block).map(statistics::mean).collect::<Vec<f64>>();
        let sets: Vec<Vec<f64>> = cut(&case, &run, samples).iter().map(means).collect();
        let repeats = statistics::repeats(&sets[0]).unwrap();
        sheet.check(&case, "mean", repeats.mean, "signal::statistics::repeats");
        sheet.check(&case, "u95_mean", repeats.u95_mean, "signal::statistics::repeats");
        let welch = statistics::welch(&sets[0], &sets[1]).unwrap();
        sheet.check(&case, "welch_t", welch.t, "signal::statistics::welch");
        sheet.check(&case, "welch_dof", welch.dof, "signal::statistics::welch");
        let paired = statistics::paired(&sets[0], &sets[1]).unwrap();
        sheet.check(&case, "paired_t", paired.t, "signal::statistics::paired");
        sheet.check(&case, "paired_p", paired.p_two_sided(), "signal::statistics::paired");
        let groups: Vec<&[f64]> = sets.iter().map(Vec::as_slice).collect();
        sheet.check(&case, "anova_f", statistics::one_way(&groups).unwrap().f_ratio(), "signal::statistics::one_way");
        sheet.check(&case, "grubbs", outliers::grubbs(&sets[0]).unwrap().statistic, "signal::outliers::grubbs");
    }
    for case in sheet.cases("recorded-cycle") {
        let run = recording(&case);
        let channels = cut(&case, &run, whole(&case, "begin")..whole(&case, "end"));
        let [x, y] = [&channels[0], &channels[1]];
        let samples = lag::lag_samples(x, y).unwrap() as f64;
        sheet.check(&case, "lag_samples", samples, "signal::lag::lag_samples");
        let line = fit(x, y, Shape::Line).unwrap();
        sheet.check(&case, "slope", line.coefficients[1], "signal::regression::fit");
        sheet.check(&case, "intercept", line.coefficients[0], "signal::regression::fit");
        sheet.check(&case, "slope_u", line.u_of(1), "signal::regression::fit");
        let (low, high): (Vec<f64>, Vec<f64>) = features::min_max(x, 100).into_iter().map(|ends| ends.unwrap()).unzip();
        sheet.check(&case, "ends_low", low, "signal::features::min_max");
        sheet.check(&case, "ends_high", high, "signal::features::min_max");
    }
    sheet.finish(&[]);
}
