//! A run with a channel that is polled from an analogue module on the starters' own bus, on the virtual rig.

use crate::stand::bench::{Bench, rig_path};
use crate::stand::sequences::Cycle;
use ramprig::recording::read;

/// The module's own step is 3.6 Pa; noise, zero and the other sensor's bandwidth are below this, Pa.
const ALIKE_PA: f64 = 8_000.0;

#[test]
fn records_a_polled_channel_beside_the_sampled_one_at_the_same_place() {
    let module = "\n[[device]]\nid = \"module\"\nlink = \"bench\"\nunit = 40\nmap = \"analogue-module\"\n\
        [[channel]]\nid = \"p_slow\"\nquantity = \"gauge-pressure\"\nnode = \"riser_foot\"\ndevice = \"module\"\n\
        field = \"value_2\"\nmax_age = \"5 s\"\nrange = [\"0 barg\", \"10 barg\"]\ncounts = [0, 27648]\nbandwidth = \"5 Hz\"\n\
        filter_class = 0\ncalibration_uncertainty = \"5 mbar\"\n";
    let bench = Bench::described(&(std::fs::read_to_string(rig_path()).unwrap() + module));
    let sequence = Cycle { hold: "time = \"3 s\"", ..Cycle::brief_ramps() }.text();
    let ended = bench.run(&sequence, "soft").end();
    ended.expect(0);
    let run = read(&bench.recordings(".h5").pop().unwrap()).unwrap();
    let of = |id: &str| run.channels.iter().position(|channel| channel.id.0 == id).unwrap();
    let (slow, fast) = (&run.traces[of("p_slow")].values, &run.traces[of("p_discharge")].values);
    assert_eq!(run.channels[of("p_slow")].elevation_m, run.channels[of("p_discharge")].elevation_m);
    // At rest before the start, where nothing moves.
    let mean = |values: &[f64]| values[..2_000].iter().sum::<f64>() / 2_000.0;
    let (slow_pa, fast_pa) = (mean(slow), mean(fast));
    let error_pa = (slow_pa - fast_pa).abs();
    assert!(error_pa < ALIKE_PA, "polled {slow_pa} Pa, sampled {fast_pa} Pa, error {error_pa} of {ALIKE_PA} Pa");
    let most = |values: &[f64]| values.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    assert!(most(slow) > slow_pa + 0.2e5, "it followed the start: {} Pa from {slow_pa} Pa", most(slow));
    assert!(!ended.stderr.contains("spikes") && run.prediction.is_some());
    bench.end();
}
