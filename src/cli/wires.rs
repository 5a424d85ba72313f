//! From files and options to a checked rig with the addresses to use.

use super::args::Wires;
use super::failure::Failure;
use crate::rig::model::Rig;
use crate::rig::zeros::Hold;
use crate::sequence::script;
use std::path::{Path, PathBuf};

/// Load a rig; every problem comes back at once. A name that is no file may be one of the shipped rigs.
pub fn load(path: &Path) -> Result<Rig, Failure> {
    let shipped = path.to_str().filter(|_| !path.exists()).and_then(crate::rig::shipped);
    let rig = match shipped {
        Some(text) => crate::rig::parse(text, &path.display().to_string()),
        None => crate::rig::load(path),
    };
    rig.map_err(|problems| Failure::configuration(problems.to_string()))
}

/// Load a rig that can be predicted for.
pub fn load_with_water(path: &Path) -> Result<Rig, Failure> {
    let rig = load(path)?;
    if rig.logger {
        let text = format!("{}: only what is watched is described, no pump; try: ramprig observe", path.display());
        return Err(Failure::configuration(text));
    }
    Ok(rig)
}

/// Load a rig whose starters have wires; nothing of a station is commanded.
pub fn load_wired(path: &Path) -> Result<Rig, Failure> {
    let rig = load(path)?;
    if rig.station {
        let next = match (rig.logger, rig.source.address.is_empty()) {
            (true, _) => "ramprig observe",
            (false, true) => "ramprig predict, or ramprig check",
            (false, false) => "ramprig observe, or ramprig predict",
        };
        let text = format!("{}: a station, where nothing is commanded; try: {next}", path.display());
        return Err(Failure::configuration(text));
    }
    Ok(rig)
}

/// Load a rig whose samples can be watched.
fn load_watched(path: &Path) -> Result<Rig, Failure> {
    let rig = load(path)?;
    if rig.source.address.is_empty() {
        let text = format!("{}: a station without a [source], nothing to watch; try: ramprig predict", path.display());
        return Err(Failure::configuration(text));
    }
    Ok(rig)
}

/// Load a rig that is commanded, put the other addresses in, and take the day's zeros off its channels.
pub fn load_with(path: &Path, wires: &Wires) -> Result<Rig, Failure> {
    load_wired(path)?;
    let rig = load_to_watch(path, wires)?;
    for notice in crate::observe::port_notices(&rig) {
        tracing::warn!("{notice}");
    }
    Ok(rig)
}

/// The same of a rig that is only watched; it may be a station.
pub fn load_to_watch(path: &Path, wires: &Wires) -> Result<Rig, Failure> {
    let mut rig = load_unzeroed(path, wires)?;
    let holds = read_holds(&state_dir(wires.state_dir.as_deref()), &rig.id)?;
    for caution in crate::rig::zeros::apply(&mut rig, &holds, &crate::clock::utc_now_rfc3339()) {
        tracing::warn!("{caution}");
    }
    Ok(rig)
}

/// Where the zeros of a rig lie, one hold a line.
pub fn zeros_file(state_dir: &Path, rig_id: &str) -> PathBuf {
    state_dir.join(format!("{rig_id}.zeros.jsonl"))
}

/// Holds so far, oldest first; a last line that a crash cut short is passed over.
pub fn read_holds(state_dir: &Path, rig_id: &str) -> Result<Vec<Hold>, Failure> {
    let path = zeros_file(state_dir, rig_id);
    let text = match std::fs::read_to_string(&path) {
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => return Ok(Vec::new()),
        read => read.map_err(|e| Failure::configuration(format!("{}: {e}", path.display())))?,
    };
    let mut holds = Vec::new();
    for (number, line) in text.split_inclusive('\n').enumerate().filter(|(_, line)| line.ends_with('\n')) {
        let hold = serde_json::from_str(line).map_err(|e| {
            Failure::configuration(format!("{}:{}: {e}; try: move the file away", path.display(), number + 1))
        })?;
        holds.push(hold);
    }
    Ok(holds)
}

/// Load a rig and put the other addresses in.
pub fn load_unzeroed(path: &Path, wires: &Wires) -> Result<Rig, Failure> {
    let mut rig = load_watched(path)?;
    for given in &wires.links {
        let (id, address) = given.split_once('=').ok_or_else(|| {
            Failure::configuration(format!("--link {given}: not of the form ID=HOST:PORT or ID=PATH"))
        })?;
        let known: Vec<String> = rig.links.iter().map(|link| link.id.clone()).collect();
        let link = rig.links.iter_mut().find(|link| link.id == id).ok_or_else(|| {
            Failure::configuration(format!("--link {given}: the rig has no link `{id}`; it has: {}", known.join(", ")))
        })?;
        if link.serial.is_some() != address.starts_with('/') {
            let kind = if link.serial.is_some() { "a serial port: give its path" } else { "a socket: give HOST:PORT" };
            return Err(Failure::configuration(format!("--link {given}: link `{id}` is {kind}")));
        }
        address.clone_into(&mut link.address);
    }
    if let Some(address) = &wires.samples {
        address.clone_into(&mut rig.source.address);
    }
    Ok(rig)
}

/// Where duty counters and owner's locks live: the option, else the user's state folder.
pub fn state_dir(given: Option<&Path>) -> PathBuf {
    if let Some(dir) = given {
        return dir.to_owned();
    }
    let base = std::env::var_os("XDG_STATE_HOME").map(PathBuf::from).filter(|dir| dir.is_absolute());
    let home = || std::env::var_os("HOME").map(|home| PathBuf::from(home).join(".local/state"));
    base.or_else(home).unwrap_or_else(std::env::temp_dir).join("ramprig")
}

/// Read a sequence file; a name that is no file may be one of the shipped sequences.
pub fn read_sequence(path: &Path) -> Result<(String, String), Failure> {
    let name = path.display().to_string();
    match std::fs::read_to_string(path) {
        Ok(text) => Ok((text, name)),
        Err(error) => match path.to_str().and_then(script::shipped) {
            Some(text) => Ok((text.to_owned(), name)),
            None => {
                let shipped = script::shipped_names().collect::<Vec<_>>().join(", ");
                Err(Failure::configuration(format!(
                    "{name}: {error}; try: a file, or a shipped sequence by its name: {shipped}"
                )))
            }
        },
    }
}

/// Index of the starter named, or of the first.
pub fn starter_index(rig: &Rig, given: Option<&str>) -> Result<usize, Failure> {
    let Some(id) = given else { return Ok(0) };
    rig.starters.iter().position(|starter| starter.id == id).ok_or_else(|| {
        let known: Vec<&str> = rig.starters.iter().map(|starter| starter.id.as_str()).collect();
        Failure::configuration(format!("--starter {id}: the rig has: {}", known.join(", ")))
    })
}
