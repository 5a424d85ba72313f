//! `virtual`: play a rig on real wires.

use super::args::VirtualArgs;
use super::exit::Exit;
use super::failure::Failure;
use super::output::Output;
use crate::rig::model::Rig;
use crate::virtual_rig::{self, Options, faults};
use std::collections::BTreeMap;
use std::io::{BufRead, BufReader, Read, Stdin, Write};
use std::net::TcpListener;
use std::os::unix::fs::OpenOptionsExt;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

/// Run until the controlling input ends, or for ever.
pub fn play(args: &VirtualArgs, output: Output) -> Result<Exit, Failure> {
    let rig = super::wires::load_wired(&args.rig)?;
    let rig = args.faults.iter().fold(rig, |rig, fault| rig.with_pump_fault(*fault));
    let ports = named_ports(&rig, &args.ports)?;
    let sockets = rig.links.iter().find(|link| link.serial.is_none());
    let link = sockets.map_or_else(|| "127.0.0.1:0".to_owned(), |link| link.address.clone());
    let modbus = args.modbus.map_or(link, |address| address.to_string());
    let samples = args.samples.map_or_else(|| rig.source.address.clone(), |address| address.to_string());
    let (modbus_listener, sample_listener) = (bind("--modbus", &modbus)?, bind("--samples", &samples)?);
    let stop = Arc::new(AtomicBool::new(false));
    let mut input = BufReader::new(std::io::stdin());
    let seed = match args.seeded {
        true => Some(faults::read_seed(&mut input).map_err(Failure::refused)?),
        false => args.kept_seed.as_deref().map(kept_seed).transpose()?,
    };
    let controls = match args.controlled {
        true => Some(faults::listen(EndsWithInput { input, stop: Arc::clone(&stop) }).map_err(Failure::internal)?),
        false => None,
    };
    let line_up = match &args.line_up {
        None => 0,
        Some(id) => rig.line_up_index(id).ok_or_else(|| {
            let known: Vec<&str> = rig.line_ups.iter().map(|line_up| line_up.id.as_str()).collect();
            Failure::configuration(format!("--line-up {id}: not a line-up of this rig; it has {}", known.join(", ")))
        })?,
    };
    let options = Options {
        rig,
        line_up,
        modbus_listener,
        sample_listener,
        ports,
        seed,
        fast: args.fast,
        truth_file: args.truth.clone(),
        controls,
    };
    virtual_rig::run(options, stop, |ready| output.announce(&ready.announce())).map_err(Failure::refused)?;
    Ok(Exit::Done)
}

/// The seed in a file, made where there is none; for its owner alone.
fn kept_seed(path: &Path) -> Result<u64, Failure> {
    let fault = |e: std::io::Error| Failure::configuration(format!("--kept-seed {}: {e}", path.display()));
    match std::fs::read_to_string(path) {
        // What stands there is not repeated: it may be a seed with a slip in it.
        Ok(text) => text.trim().parse().map_err(|_| {
            let what = "not a seed; try: a file that is not there, so that a new bench is made";
            Failure::configuration(format!("--kept-seed {}: {what}", path.display()))
        }),
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => {
            let seed = rand::random::<u64>();
            let mut file =
                std::fs::OpenOptions::new().write(true).create_new(true).mode(0o600).open(path).map_err(fault)?;
            file.write_all(seed.to_string().as_bytes()).and_then(|()| file.sync_all()).map_err(fault)?;
            Ok(seed)
        }
        Err(error) => Err(fault(error)),
    }
}

/// `LINK=PATH` of serial links.
fn named_ports(rig: &Rig, given: &[String]) -> Result<BTreeMap<String, PathBuf>, Failure> {
    let serial: Vec<&str> =
        rig.links.iter().filter(|link| link.serial.is_some()).map(|link| link.id.as_str()).collect();
    let named = |text: &String| {
        let (id, path) = text
            .split_once('=')
            .ok_or_else(|| Failure::configuration(format!("--port {text}: not of the form LINK=PATH")))?;
        if !serial.contains(&id) {
            let known = if serial.is_empty() { "none".to_owned() } else { serial.join(", ") };
            return Err(Failure::configuration(format!("--port {text}: serial links of the rig: {known}")));
        }
        Ok((id.to_owned(), PathBuf::from(path)))
    };
    given.iter().map(named).collect()
}

fn bind(option: &str, address: &str) -> Result<TcpListener, Failure> {
    TcpListener::bind(address)
        .map_err(|e| Failure::configuration(format!("{option} {address}: {e}; try: {option} 127.0.0.1:0")))
}

/// Standard input whose end (or whose reader's end) stops the rig, so that no child outlives its parent.
struct EndsWithInput {
    input: BufReader<Stdin>,
    stop: Arc<AtomicBool>,
}

impl Drop for EndsWithInput {
    fn drop(&mut self) {
        self.stop.store(true, Ordering::SeqCst);
    }
}

impl Read for EndsWithInput {
    fn read(&mut self, buffer: &mut [u8]) -> std::io::Result<usize> {
        self.input.read(buffer)
    }
}

impl BufRead for EndsWithInput {
    fn fill_buf(&mut self) -> std::io::Result<&[u8]> {
        self.input.fill_buf()
    }

    fn consume(&mut self, amount: usize) {
        self.input.consume(amount);
    }
}
