//! Campaign `power-loss`: what a disk holds when the supply fails. The calls of a recording program are logged (strace); a
//! `.partial` and its side log are put together from all that was written up to a random `fdatasync` and, of what came after it,
//! a random part of the 4 096-byte pages, some of them torn at a sector. Whatever was synced must be recovered, and nothing else
//! believed; of the `.partial` alone nothing else must be believed either.

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
/// Share of the losses of which the `.partial` is looked at without its side log too.
const ALONE: f64 = 0.2;
/// The files that a recording program writes: ends of their names.
const FILES: [&str; 2] = ["partial", "sidelog"];

/// A call that changes the file, or makes it durable.
#[derive(Debug, Clone)]
enum Call {
    Write { at: u64, bytes: Vec<u8> },
    Length(u64),
    Sync,
}

/// What was done to which of the files, in order.
fn logged(folder: &Path) -> Vec<(usize, Call)> {
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
    let hexadecimal = |name: String| name.bytes().map(|byte| format!("\\x{byte:02x}")).collect::<String>() + ">";
    let named = |end: &str| hexadecimal(format!("run.h5.{end}"));
    // The `.partial` goes by another name until it is whole.
    let names = [("beginning", 0), (FILES[0], 0), (FILES[1], 1)].map(|(end, file)| (named(end), file));
    let file_of = |line: &str| names.iter().find(|(name, _)| line.contains(name)).map(|(_, file)| *file);
    let calls: Vec<(usize, Call)> = text.lines().filter_map(|line| Some((file_of(line)?, call(line)?))).collect();
    for (file, end) in FILES.iter().enumerate() {
        let syncs = calls.iter().filter(|(of, call)| *of == file && matches!(call, Call::Sync)).count();
        assert!(syncs > 5, "{syncs} syncs of the {end} in {} lines", text.lines().count());
    }
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

/// What the disk holds of each file.
#[derive(Default, Clone)]
struct Disk([Vec<u8>; FILES.len()]);

impl Disk {
    fn write(&mut self, file: usize, at: u64, bytes: &[u8]) {
        let (at, end) = (at as usize, at as usize + bytes.len());
        let held = &mut self.0[file];
        if held.len() < end {
            held.resize(end, 0);
        }
        held[at..end].copy_from_slice(bytes);
    }

    fn apply(&mut self, (file, call): &(usize, Call)) {
        match call {
            Call::Write { at, bytes } => self.write(*file, *at, bytes),
            Call::Length(length) => self.0[*file].resize(*length as usize, 0),
            Call::Sync => {}
        }
    }

    /// Some pages of what `later` did, in whatever order they reached the disk; a torn page has its first sectors only.
    fn lose_supply(&mut self, later: &[(usize, Call)], random: &mut impl Rng) {
        let mut after = self.clone();
        later.iter().for_each(|call| after.apply(call));
        let mut changed = BTreeSet::new();
        for (file, call) in later {
            if let Call::Write { at, bytes } = call {
                changed.extend((at / PAGE..=(at + bytes.len() as u64 - 1) / PAGE).map(|page| (*file, page)));
            }
        }
        let share = random.random_range(0.0..1.0);
        for (file, page) in changed.into_iter().filter(|_| random.random_bool(share)).collect::<Vec<_>>() {
            let from = (page * PAGE) as usize;
            let whole = (after.0[file].len() - from).min(PAGE as usize);
            let kept = if random.random_bool(0.2) { random.random_range(0..=whole / SECTOR) * SECTOR } else { whole };
            if kept > 0 {
                self.write(file, from as u64, &after.0[file][from..from + kept]);
            }
        }
        for (held, after) in self.0.iter_mut().zip(&after.0) {
            if random.random() && held.len() < after.len() {
                held.resize(after.len(), 0);
            }
        }
    }
}

/// Frames in what is recovered of these files, every stored value checked; `Err`: in words.
fn recovered(folder: &Path, files: &[Vec<u8>]) -> Result<u64, String> {
    let closed = folder.join("lost.h5");
    let partial = folder.join("lost.h5.partial");
    let _ = std::fs::remove_file(&closed);
    for (place, end) in FILES.iter().enumerate() {
        let path = folder.join(format!("lost.h5.{end}"));
        let _ = std::fs::remove_file(&path);
        if let Some(bytes) = files.get(place) {
            std::fs::write(&path, bytes).unwrap();
        }
    }
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
    let synced = |(_, (_, call)): &(usize, &(usize, Call))| matches!(call, Call::Sync);
    let syncs: Vec<usize> = calls.iter().enumerate().filter(synced).map(|(at, _)| at).collect();
    let mut known: BTreeMap<usize, u64> = BTreeMap::new();
    let (mut kept, mut kept_alone, mut lost, mut alone) = (0_u32, 0_u32, Vec::new(), Vec::new());
    let losses = campaign::count(LOSSES);
    // Both files are whole from the second sync on; before that nothing was promised.
    for _ in 0..losses {
        let number = random.random_range(2..syncs.len() - 1);
        let mut disk = Disk::default();
        calls[..=syncs[number]].iter().for_each(|call| disk.apply(call));
        let synced =
            *known.entry(number).or_insert_with(|| recovered(folder.path(), &disk.0).expect("as it was synced"));
        let later = random.random_range(syncs[number] + 1..=syncs[number + 1]);
        disk.lose_supply(&calls[syncs[number] + 1..later], &mut random);
        let told = |found: Result<u64, String>| match found {
            Ok(frames) if frames >= synced => Ok(()),
            Ok(frames) => Err(format!("sync {number}: {frames} of {synced} frames")),
            Err(why) => Err(format!("sync {number}: {why}")),
        };
        match told(recovered(folder.path(), &disk.0)) {
            Ok(()) => kept += 1,
            Err(why) => lost.push(why),
        }
        if random.random_bool(ALONE) {
            kept_alone += 1;
            alone.extend(told(recovered(folder.path(), &disk.0[..1])).err());
        }
    }
    println!("power-loss: {kept} of {losses} kept everything that was synced ({} syncs logged)", syncs.len());
    println!("  of {kept_alone} without the side log {} did", kept_alone as usize - alone.len());
    let wrong: Vec<&String> = lost.iter().chain(&alone).filter(|why| why.contains("wrong value")).collect();
    assert!(wrong.is_empty(), "values were believed that were never written: {wrong:?}");
    assert!(lost.is_empty(), "{} of {losses}:\n{}", lost.len(), lost.join("\n"));
}
