//! Every integration test in one binary (HDF5 links once). One module an area.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    clippy::print_stdout,
    clippy::print_stderr,
    clippy::float_cmp,
    clippy::disallowed_methods,
    missing_docs,
    reason = "tests"
)]

mod acquisition;
mod bad_input;
mod cable_pulled;
mod campaign;
mod child_sampler;
mod command_line;
mod comparison;
mod control_valve;
mod crowd;
mod daemon;
mod dense_stream;
mod faces;
mod fieldbus;
mod fill_bench;
mod foretold;
mod fuzz_decoders;
mod lessons;
mod live_control;
mod terrace_line_ups;
mod observe;
mod fuzzed_api;
mod packaging;
mod page;
mod pictures;
mod polled_run;
mod recording;
mod replay;
mod rig;
mod rig_guards;
mod rig_schema;
mod sequence;
mod sources;
mod serial_run;
mod series;
mod stand;
mod stop_path;
mod taken_over;
mod terminal;
#[cfg(feature = "tls")]
mod tls;
mod unauthorised;
mod ways_to_stop;
mod virtual_rig;
