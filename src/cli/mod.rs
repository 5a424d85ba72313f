//! Floor 10: the command line. `args` is what was typed, one file a verb or family of verbs, `output` the only place
//! that prints, `exit` the codes.

pub mod access;
mod args;
mod calibrate;
mod child;
mod demo;
mod describe;
mod evidence;
pub mod exit;
mod failure;
mod follow;
mod machine;
mod manager;
pub mod output;
mod observe;
mod papers;
mod play;
mod reach;
mod replay;
mod series;
mod serve;
mod shelf;
mod sign;
mod signals;
mod verify;
mod wires;
mod zero;

use crate::units::display::System;
use args::{Arguments, Units, Verb};
use clap::Parser;
use exit::Exit;
use failure::Failure;
use output::Output;
use std::ffi::OsString;
use std::process::ExitCode;

/// Parse and run.
pub fn run(args: impl IntoIterator<Item = OsString>) -> ExitCode {
    let arguments = match Arguments::try_parse_from(args) {
        Ok(arguments) => arguments,
        Err(error) => {
            let shown = error.print();
            let wanted = !error.use_stderr() && shown.is_ok();
            return if wanted { Exit::Done.into() } else { Exit::Configuration.into() };
        }
    };
    let output = Output { json: arguments.json, screen: false };
    log_to_stderr(arguments.verbose);
    match carry_out(&arguments, output) {
        Ok(exit) => exit.into(),
        Err(failure) => {
            output.progress_done();
            output.note(&format!("ramprig: {:#}", failure.cause));
            failure.exit.into()
        }
    }
}

fn log_to_stderr(verbose: u8) {
    let level = match verbose {
        0 => "warn",
        1 => "info",
        _ => "debug",
    };
    // Only one logger can be set; in tests another may be there already.
    let _ = tracing_subscriber::fmt()
        .with_env_filter(tracing_subscriber::EnvFilter::new(format!("{level},ramprig={level}")))
        .with_writer(std::io::stderr)
        .with_target(false)
        .try_init();
}

fn carry_out(arguments: &Arguments, output: Output) -> Result<Exit, Failure> {
    let units = match arguments.units {
        Units::Si => System::Si,
        Units::Us => System::Us,
    };
    match &arguments.verb {
        Verb::Init(args) => describe::init(args, output),
        Verb::Check(args) if args.machine => machine::check(&args.rig, &args.wires, &args.out, output),
        Verb::Check(args) => describe::check(&args.rig, output, units),
        Verb::Predict(args) => describe::predict(args, output, units),
        Verb::Virtual(args) => play::play(args, output),
        Verb::Compare(args) => evidence::compare(args, output, units),
        Verb::Report(args) => evidence::report(args, output, units),
        Verb::Calibrate(args) => calibrate::calibrate(args, output, units),
        Verb::Replay(args) => replay::replay(args, output),
        Verb::Recover { file } => evidence::recover(file, output),
        Verb::Verify(args) => verify::verify(args, output),
        Verb::Sign(args) => sign::sign(args, output),
        Verb::Note(args) => sign::note(args, output),
        Verb::List(args) => shelf::list(args, output),
        Verb::Show { file } => shelf::show(file, output, units),
        Verb::Export(args) => shelf::export(args, output),
        Verb::Serve(args) => block_on(serve::serve(args, output)),
        Verb::Run(args) => block_on(serve::run(args, output)),
        Verb::Series(args) => block_on(series::series(args, output, units)),
        Verb::Watch(args) => block_on(serve::watch(args, units)),
        Verb::Observe(args) => block_on(observe::observe(args, output)),
        Verb::Zero(args) => zero::zero(args, output, units),
        Verb::Papers { folder } => papers::papers(folder, output),
        Verb::Demo(args) => block_on(demo::demo(args, output, units)),
    }
}

fn block_on(work: impl Future<Output = Result<Exit, Failure>>) -> Result<Exit, Failure> {
    let runtime = tokio::runtime::Builder::new_multi_thread()
        .worker_threads(2)
        .enable_all()
        .thread_name("faces")
        .build()
        .map_err(Failure::internal)?;
    runtime.block_on(work)
}
