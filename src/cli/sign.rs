//! `sign` and `note`: what a person adds to a closed recording.

use super::args::{NoteArgs, SignArgs};
use super::exit::Exit;
use super::failure::Failure;
use super::output::Output;
use crate::recording::{self, SecretKey};
use serde_json::json;
use std::path::Path;

/// `sign`.
pub fn sign(args: &SignArgs, output: Output) -> Result<Exit, Failure> {
    let key = if args.make_key { make(&args.key, output)? } else { read(&args.key)? };
    if args.files.is_empty() && !args.make_key {
        return Err(Failure::configuration("sign: name the recordings to sign, or --make-key"));
    }
    for file in &args.files {
        recording::sign(file, &key).map_err(Failure::refused)?;
        output.text(&format!("{}: signed by key {}", file.display(), key.public()));
    }
    output.object(&json!({ "key": key.public().to_string(), "signed": args.files })).map_err(Failure::internal)?;
    Ok(Exit::Done)
}

fn read(path: &Path) -> Result<SecretKey, Failure> {
    SecretKey::read(path).map_err(Failure::refused)
}

/// A new key, with its public half beside it.
fn make(path: &Path, output: Output) -> Result<SecretKey, Failure> {
    let key = SecretKey::make(path).map_err(Failure::refused)?;
    let mut public = path.as_os_str().to_owned();
    public.push(".pub");
    let text = key.public().pem().map_err(Failure::refused)?;
    let written = std::fs::write(&public, text);
    written.map_err(|e| Failure::configuration(format!("{}: {e}", Path::new(&public).display())))?;
    output.text(&format!(
        "{}: a new private key, keep it to yourself; {}: its public half, give it to whoever is to check\nkey {}",
        path.display(),
        Path::new(&public).display(),
        key.public()
    ));
    Ok(key)
}

/// `note`.
pub fn note(args: &NoteArgs, output: Output) -> Result<Exit, Failure> {
    let key = read(&args.key)?;
    let note = recording::add_note(&args.file, (&args.text, &args.by), &key).map_err(Failure::refused)?;
    output.text(&format!("{}: {}", args.file.display(), note.in_words()));
    output.object(&json!({ "file": args.file, "note": note })).map_err(Failure::internal)?;
    Ok(Exit::Done)
}
