//! Campaign `power-loss`: what a disk holds when the supply fails. The calls of a recording program are logged (strace); a
//! file is put together from all that was written up to a random `fdatasync` and, of what came after it, a random part of the
//! 4 096-byte pages, some of them torn at a sector. Whatever was synced must be recovered, and nothing else believed.

use super::made::{Killed, child, count, description, lines};
use crate::campaign;
use crate::stand::program::command;
use rand::{Rng, RngExt};
use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

const LOSSES: u32 = 1_000;
const PAGE: u64 = 4_096;
const SECTOR: usize = 512;
/// Blocks of 10 ms that the program hands over before it is killed: about fifteen flushes.
const BLOCKS: usize = 300;
/// A reader that takes longer hangs.
const READER_DEADLINE: Duration = Duration::from_secs(10);
/// Share of the losses that may lose more than what came after the last sync. The aim is none; the library's own structures are
/// written in place, and a reader of torn ones may hang (seen: 1 of 50).
const MAY_LOSE: f64 = 0.1;

/// A call that changes the file, or makes it durable.
#[derive(Debug, Clone)]
enum Call {
    Write { at: u64, bytes: Vec<u8> },
    Length(u64),
    Sync,
}

/// What was done to the file, in order.
fn logged(folder: &Path) -> Vec<Call> {
    let (path, log) = (folder.join("run.h5"), folder.join("calls"));
    let program = child("killed::child_records_until_killed", &path);
    let mut traced = Command::new("strace");
    traced.args(["-f", "-y", "-xx", "-s", "4194304", "-e", "trace=pwrite64,write,ftruncate,fdatasync,fsync", "-o"]);
    traced.arg(&log).arg(program.get_program()).args(program.get_args());
    traced.envs(program.get_envs().filter_map(|(key, value)| Some((key, value?))));
    let mut process = Killed(traced.stdout(Stdio::null()).stderr(Stdio::piped()).stdin(Stdio::null()).spawn().unwrap());
    let told = lines(process.0.stderr.take().unwrap());
    let handed = told.iter().filter(|line| line.starts_with("B ")).take(BLOCKS).count();
    assert_eq!(handed, BLOCKS, "the program ended early");
    let _ = process.0.kill();
    let _ = process.0.wait();
    let text = std::fs::read_to_string(&log).unwrap();
    // Names are in hexadecimal too.
    let name: String = "run.h5.partial".bytes().map(|byte| format!("\\x{byte:02x}")).collect();
    let calls: Vec<Call> = text.lines().filter(|line| line.contains(&format!("{name}>"))).filter_map(call).collect();
    assert!(calls.iter().filter(|call| matches!(call, Call::Sync)).count() > 5, "few syncs:\n{}", text.lines().count());
    calls
}

/// `123 pwrite64(7</path>, "\x00\x01", 2, 4096) = 2` and its like; a call that did not end is none.
fn call(line: &str) -> Option<Call> {
    // A call during which another thread was looked at ends on a line of its own; one thread alone writes this file.
    let (head, done) = match line.strip_suffix(" <unfinished ...>") {
        Some(head) => (head, u64::MAX),
        None => {
            let (head, result) = line.rsplit_once(" = ")?;
            (head.trim_end().strip_suffix(')')?, result.split_whitespace().next()?.parse().ok()?)
        }
    };
    let (name, arguments) = head.split_once('(')?;
    match name.rsplit(' ').next()? {
        "pwrite64" => {
            let (before, at) = arguments.rsplit_once(", ")?;
            let mut bytes = hex_bytes(before.split('"').nth(1)?)?;
            bytes.truncate(usize::try_from(done).unwrap_or(usize::MAX));
            Some(Call::Write { at: at.parse().ok()?, bytes })
        }
        "ftruncate" => Some(Call::Length(arguments.rsplit_once(", ")?.1.parse().ok()?)),
        "fdatasync" | "fsync" => Some(Call::Sync),
        other => panic!("{other} moves a place in the file that is not followed here: {line:.200}"),
    }
}

fn hex_bytes(text: &str) -> Option<Vec<u8>> {
    hex::decode(text.replace("\\x", "")).ok()
}

#[derive(Default, Clone)]
struct Disk(Vec<u8>);

impl Disk {
    fn write(&mut self, at: u64, bytes: &[u8]) {
        let (at, end) = (at as usize, at as usize + bytes.len());
        if self.0.len() < end {
            self.0.resize(end, 0);
        }
        self.0[at..end].copy_from_slice(bytes);
    }

    fn apply(&mut self, call: &Call) {
        match call {
            Call::Write { at, bytes } => self.write(*at, bytes),
            Call::Length(length) => self.0.resize(*length as usize, 0),
            Call::Sync => {}
        }
    }

    /// Some pages of what `later` did, in whatever order they reached the disk; a torn page has its first sectors only.
    fn lose_supply(&mut self, later: &[Call], random: &mut impl Rng) {
        let mut after = self.clone();
        later.iter().for_each(|call| after.apply(call));
        let mut changed = BTreeSet::new();
        for call in later {
            if let Call::Write { at, bytes } = call {
                changed.extend(at / PAGE..=(at + bytes.len() as u64 - 1) / PAGE);
            }
        }
        let share = random.random_range(0.0..1.0);
        for page in changed.into_iter().filter(|_| random.random_bool(share)).collect::<Vec<_>>() {
            let from = (page * PAGE) as usize;
            let whole = (after.0.len() - from).min(PAGE as usize);
            let kept = if random.random_bool(0.2) { random.random_range(0..=whole / SECTOR) * SECTOR } else { whole };
            if kept > 0 {
                self.write(from as u64, &after.0[from..from + kept]);
            }
        }
        if random.random() && self.0.len() < after.0.len() {
            self.0.resize(after.0.len(), 0);
        }
    }
}

/// Frames in a recovered file of these bytes, every stored value checked; `Err`: in words.
fn recovered(folder: &Path, bytes: &[u8]) -> Result<u64, String> {
    let closed = folder.join("lost.h5");
    let partial = folder.join("lost.h5.partial");
    for old in [&closed, &partial] {
        let _ = std::fs::remove_file(old);
    }
    std::fs::write(&partial, bytes).unwrap();
    let mut reader = command([Path::new("recover"), &partial, Path::new("--json")]);
    let mut reader = Killed(reader.stdout(Stdio::null()).stderr(Stdio::piped()).spawn().unwrap());
    let said = lines(reader.0.stderr.take().unwrap());
    let begun = Instant::now();
    let status = loop {
        match reader.0.try_wait().unwrap() {
            Some(status) => break status,
            None if begun.elapsed() > READER_DEADLINE => return Err("hangs".to_owned()),
            None => std::thread::sleep(Duration::from_millis(2)),
        }
    };
    if !status.success() {
        return Err(format!("{status}: {}", said.iter().collect::<Vec<_>>().join(" / ")));
    }
    let run = ramprig::recording::read(&closed).map_err(|error| error.to_string())?;
    for (channel, trace) in description().channels.iter().zip(&run.traces) {
        let right = |(frame, value): (usize, &f64)| *value == channel.scaling.to_si(count(channel.input, frame as u64));
        if !trace.values.iter().enumerate().all(right) {
            return Err(format!("a wrong value was believed on {}", channel.id));
        }
    }
    Ok(run.frames)
}

#[test]
fn campaign_power_loss_keeps_what_was_synced_and_believes_nothing_else() {
    let mut random = campaign::generator("power-loss");
    let folder = tempfile::tempdir().unwrap();
    let calls = logged(folder.path());
    let syncs: Vec<usize> =
        calls.iter().enumerate().filter(|(_, call)| matches!(call, Call::Sync)).map(|(at, _)| at).collect();
    let mut known: BTreeMap<usize, u64> = BTreeMap::new();
    let (mut kept, mut lost) = (0_u32, Vec::new());
    let losses = campaign::count(LOSSES);
    // The file is whole from its second sync on; before that nothing was promised.
    for _ in 0..losses {
        let number = random.random_range(2..syncs.len() - 1);
        let mut disk = Disk::default();
        calls[..=syncs[number]].iter().for_each(|call| disk.apply(call));
        let synced =
            *known.entry(number).or_insert_with(|| recovered(folder.path(), &disk.0).expect("as it was synced"));
        let later = random.random_range(syncs[number] + 1..=syncs[number + 1]);
        disk.lose_supply(&calls[syncs[number] + 1..later], &mut random);
        match recovered(folder.path(), &disk.0) {
            Ok(frames) if frames >= synced => kept += 1,
            Ok(frames) => lost.push(format!("sync {number}: {frames} of {synced} frames")),
            Err(why) => lost.push(format!("sync {number}: {why}")),
        }
    }
    println!("power-loss: {kept} of {losses} kept everything that was synced ({} syncs logged)", syncs.len());
    lost.iter().for_each(|why| println!("  {why}"));
    let wrong = lost.iter().filter(|why| why.contains("wrong value")).count();
    assert_eq!(wrong, 0, "values were believed that were never written:\n{}", lost.join("\n"));
    assert!(
        (lost.len() as f64) < MAY_LOSE * f64::from(losses) + 1.0,
        "{} of {losses}:\n{}",
        lost.len(),
        lost.join("\n")
    );
}
