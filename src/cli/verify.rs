//! `verify`: is a closed recording still what it was, and if not, where.

use super::args::VerifyArgs;
use super::exit::Exit;
use super::failure::Failure;
use super::output::Output;
use crate::clock::sleep_wall;
use crate::recording::{Bytes, RecordingError, verify_bytes, verify_content};
use serde_json::{Value, json};
use std::io::Read;
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::Duration;

/// How often, and how many times, the child that looks inside a changed file is asked for its end: 60 s.
const LOOK: Duration = Duration::from_millis(10);
const LOOKS: usize = 6_000;

/// `verify`.
pub fn verify(args: &VerifyArgs, output: Output) -> Result<Exit, Failure> {
    if args.inside {
        return inside(args, output);
    }
    let (mut rows, mut exit) = (Vec::new(), Exit::Done);
    for file in &args.files {
        let (row, found) = verify_one(file, output)?;
        rows.push(row);
        exit = if exit == Exit::Done || found == Exit::Differs { found } else { exit };
    }
    output.object(&json!({ "files": rows })).map_err(Failure::internal)?;
    Ok(exit)
}

fn verify_one(file: &Path, output: Output) -> Result<(Value, Exit), Failure> {
    let name = file.display();
    match verify_bytes(file).map_err(Failure::refused)? {
        Bytes::Intact(roots) => {
            output.text(&format!("{name}: as it was closed; root of what was recorded: {}", roots.recorded));
            Ok((json!({ "file": file, "verdict": "intact", "roots": roots }), Exit::Done))
        }
        Bytes::Unsealed => {
            output.text(&format!(
                "{name}: no digest before the HDF5 data: a `.partial`, a recording of an older program, another file, or \
                 the digest was taken away; nothing to verify by"
            ));
            Ok((json!({ "file": file, "verdict": "unsealed" }), Exit::Configuration))
        }
        Bytes::Changed => {
            let places = places(file);
            output.text(&format!("{name}: CHANGED since it was closed"));
            places.iter().for_each(|place| output.text(&format!("  {place}")));
            Ok((json!({ "file": file, "verdict": "changed", "places": places }), Exit::Differs))
        }
    }
}

/// Where a changed file differs, found by a child process: the library may crash or hang on damaged structure.
fn places(file: &Path) -> Vec<String> {
    let outside = |why: &str| vec![format!("outside the content: the file's structure is damaged ({why})")];
    let child = std::env::current_exe().and_then(|program| {
        Command::new(program)
            .args(["verify", "--inside", "--json"])
            .arg(file)
            .stdin(Stdio::null())
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
    });
    let Ok(mut child) = child else { return outside("it could not be looked into") };
    // The answer may be longer than a pipe holds.
    let answer = child.stdout.take().map(|mut pipe| {
        std::thread::spawn(move || {
            let mut text = String::new();
            pipe.read_to_string(&mut text).map(|_| text).unwrap_or_default()
        })
    });
    let ended = (0..LOOKS).any(|_| {
        let ended = !matches!(child.try_wait(), Ok(None));
        if !ended {
            sleep_wall(LOOK);
        }
        ended
    });
    if !ended {
        let _ = child.kill();
        let _ = child.wait();
        return outside("the library came to no end");
    }
    let text = answer.and_then(|answer| answer.join().ok()).unwrap_or_default();
    let found: Option<Vec<String>> = serde_json::from_str::<Value>(&text)
        .ok()
        .and_then(|object| serde_json::from_value(object.get("places")?.clone()).ok());
    found.unwrap_or_else(|| outside("the library failed on it"))
}

fn inside(args: &VerifyArgs, output: Output) -> Result<Exit, Failure> {
    let mut places = Vec::new();
    for file in &args.files {
        places.extend(match verify_content(file) {
            Ok(found) => found,
            Err(error @ RecordingError::Damaged { .. }) => vec![error.to_string()],
            Err(error) => vec![format!("outside the content: {error}")],
        });
    }
    output.object(&json!({ "places": places })).map_err(Failure::internal)?;
    Ok(Exit::Done)
}
