//! What days on a laptop need of the computer: no suspend, ports by names that stay, a start after a loss of supply.

use crate::rig::model::Rig;
use std::io::{BufRead, BufReader};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};

/// Keeps the computer awake while it lives, where the system lets it. A child process holds systemd's inhibitor lock and
/// ends with the pipe to it, so that a crash of this program leaves no lock behind.
#[derive(Debug)]
pub struct SuspendGuard(Child);

impl SuspendGuard {
    /// Take the lock.
    ///
    /// # Errors
    /// Why suspend is not inhibited, in words.
    pub fn take() -> Result<Self, String> {
        Self::take_with("systemd-inhibit")
    }

    /// The same by another program with the options of systemd-inhibit.
    ///
    /// # Errors
    /// As [`SuspendGuard::take`].
    pub fn take_with(program: &str) -> Result<Self, String> {
        const HELD: &str = "held";
        let mut child = Command::new(program)
            .args(["--what=sleep:idle:handle-lid-switch", "--who=ramprig", "--why=watching a pump station"])
            .args(["--mode=block", "sh", "-c", "echo held; exec cat > /dev/null"])
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .map_err(|error| format!("{program}: {error}"))?;
        let mut line = String::new();
        let read = child.stdout.take().map(|stdout| BufReader::new(stdout).read_line(&mut line));
        match read {
            Some(Ok(_)) if line.trim() == HELD => Ok(Self(child)),
            _ => {
                let _ = child.kill();
                let _ = child.wait();
                Err(format!("{program} gave no lock"))
            }
        }
    }
}

impl Drop for SuspendGuard {
    fn drop(&mut self) {
        drop(self.0.stdin.take());
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

/// Serial ports that are named by the order of plugging in, with the name that stays where there is one.
pub fn port_notices(rig: &Rig) -> Vec<String> {
    rig.links
        .iter()
        .filter(|link| link.serial.is_some())
        .filter_map(|link| port_notice(&link.id, &link.address))
        .collect()
}

fn port_notice(link: &str, path: &str) -> Option<String> {
    const STABLE: [&str; 2] = ["/dev/serial/by-id/", "/dev/serial/by-path/"];
    if !path.starts_with("/dev/tty") || STABLE.iter().any(|folder| path.starts_with(folder)) {
        return None;
    }
    let stays = STABLE.iter().find_map(|folder| alias(Path::new(folder), Path::new(path)));
    let hint = match stays {
        Some(name) => format!("try: serial = \"{}\"", name.display()),
        None => "try: a name below /dev/serial/by-id".to_owned(),
    };
    Some(format!("link {link}: {path} may be another adapter after the next plugging in; {hint}"))
}

/// A link in a folder that leads to the same device.
fn alias(folder: &Path, device: &Path) -> Option<PathBuf> {
    let device = device.canonicalize().ok()?;
    let mut entries = std::fs::read_dir(folder).ok()?.flatten();
    entries.find(|entry| entry.path().canonicalize().is_ok_and(|path| path == device)).map(|entry| entry.path())
}

/// A unit for systemd's user manager that goes on with a session after a loss of supply. It can only watch: `run` needs a
/// person and has no such unit.
pub fn unit_text(program: &Path, rig: &Path, folder: &Path, label: &str) -> String {
    let quoted = |path: &Path| format!("\"{}\"", path.display().to_string().replace('"', "\\\""));
    let label = if label.is_empty() { String::new() } else { format!(" --label \"{}\"", label.replace('"', "\\\"")) };
    format!(
        "# ~/.config/systemd/user/ramprig-observe.service; then: systemctl --user enable --now ramprig-observe\n\
         # and, to start without a login: loginctl enable-linger\n\
         [Unit]\nDescription=ramprig watches a pump station; nothing is commanded\n\n\
         [Service]\nExecStart={} observe {} --out {}{label}\nRestart=always\nRestartSec=10\nKillSignal=SIGINT\n\n\
         [Install]\nWantedBy=default.target\n",
        quoted(program),
        quoted(rig),
        quoted(folder),
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn holds_the_lock_only_when_the_other_program_says_so() {
        assert!(SuspendGuard::take_with("/nonexistent/inhibit").is_err());
        assert!(SuspendGuard::take_with("false").is_err(), "ends at once");
        assert!(SuspendGuard::take_with("true").is_err(), "says nothing");
    }

    #[test]
    fn warns_of_ports_by_number_and_not_of_names_that_stay() {
        assert!(port_notice("bus", "/dev/ttyUSB0").is_some_and(|words| words.contains("/dev/serial/by-id")));
        assert_eq!(port_notice("bus", "/dev/serial/by-id/usb-adapter"), None);
    }

    #[test]
    fn finds_the_name_that_stays() {
        let folder = tempfile::tempdir().unwrap();
        let device = folder.path().join("ttyX0");
        std::fs::write(&device, "").unwrap();
        let names = folder.path().join("by-id");
        std::fs::create_dir(&names).unwrap();
        std::os::unix::fs::symlink(&device, names.join("usb-adapter")).unwrap();
        assert_eq!(alias(&names, &device), Some(names.join("usb-adapter")));
        assert_eq!(alias(&names, &names), None);
    }

    #[test]
    fn starts_only_to_watch() {
        let unit =
            unit_text(Path::new("/usr/bin/ramprig"), Path::new("/srv/a b/rig.toml"), Path::new("/data"), "before");
        assert!(unit.contains(
            "ExecStart=\"/usr/bin/ramprig\" observe \"/srv/a b/rig.toml\" --out \"/data\" --label \"before\""
        ));
        assert!(!unit.contains(" run "), "{unit}");
    }
}
