//! `verify`: is a closed recording still what it was, and if not, where.

use super::args::VerifyArgs;
use super::exit::Exit;
use super::failure::Failure;
use super::output::Output;
use crate::clock::sleep_wall;
use crate::recording::{Bytes, Note, PublicKey, RecordingError, notes, verify_bytes, verify_content};
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
    let key = args.key.as_deref().map(PublicKey::named).transpose().map_err(Failure::refused)?;
    let (mut rows, mut exit) = (Vec::new(), Exit::Done);
    for file in &args.files {
        let (row, found) = verify_one(file, key, output)?;
        rows.push(row);
        exit = if exit == Exit::Done || found == Exit::Differs { found } else { exit };
    }
    output.object(&json!({ "files": rows })).map_err(Failure::internal)?;
    Ok(exit)
}

fn verify_one(file: &Path, demanded: Option<PublicKey>, output: Output) -> Result<(Value, Exit), Failure> {
    let name = file.display();
    match verify_bytes(file).map_err(Failure::refused)? {
        Bytes::Intact { roots, key } => {
            output.text(&format!("{name}: as it was closed; root of what was recorded: {}", roots.recorded));
            let notes = notes(file).map_err(Failure::refused)?;
            let faults = signature_faults(key, &notes, demanded);
            let signed = match (key, demanded) {
                (None, _) => {
                    "not signed: a digest alone tells of accidents, not of somebody who made the file anew".to_owned()
                }
                (Some(key), Some(demanded)) if key == demanded => format!("signed by the key demanded ({key})"),
                (Some(key), _) => {
                    format!("signed by key {key}; whose that is, --key with the public key from its owner tells")
                }
            };
            output.text(&format!("  {signed}"));
            notes.iter().for_each(|note| output.text(&format!("  {}", note.in_words())));
            faults.iter().for_each(|fault| output.text(&format!("  FAULT: {fault}")));
            let (verdict, exit) = if faults.is_empty() { ("intact", Exit::Done) } else { ("signature", Exit::Differs) };
            let key = key.map(|key| key.to_string());
            let row = json!({
                "file": file, "verdict": verdict, "roots": roots, "key": key, "notes": notes, "faults": faults,
            });
            Ok((row, exit))
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

/// What is wrong with signatures of a file whose bytes are as they were.
fn signature_faults(key: Option<PublicKey>, notes: &[Note], demanded: Option<PublicKey>) -> Vec<String> {
    let mut faults = Vec::new();
    match (key, demanded) {
        (None, Some(_)) => faults.push("not signed".to_owned()),
        (Some(key), Some(demanded)) if key != demanded => faults.push(format!("signed by another key ({key})")),
        _ => {}
    }
    for (number, note) in notes.iter().enumerate() {
        let place = format!("note {} of {}", number + 1, note.at_utc);
        if !note.holds {
            faults.push(format!("{place}: its signature is not of this note to this recording"));
        } else if demanded.is_some_and(|demanded| demanded.to_string() != note.key) {
            faults.push(format!("{place}: signed by another key ({})", note.key));
        }
    }
    faults
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
