//! What is packed beside the program: completions, manual pages, the systemd unit, the Debian package; and what the daemon tells a
//! service manager.

use crate::stand::bench::Bench;
use crate::stand::program::{command, run};
use std::os::unix::net::UnixDatagram;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};
use std::time::Duration;

const ROOT: &str = env!("CARGO_MANIFEST_DIR");
const PROGRAM: &str = env!("CARGO_BIN_EXE_ramprig");
/// A manual page as plain text: no weights, no underlines.
const PLAIN: [&str; 3] = ["-man", "-Tascii", "-P-cbou"];
/// Exposure as systemd counts it, tenths: 0 is none; a unit without any hardening has 96.
const EXPOSED_MOST: &str = "30";

fn said(program: &str, args: &[&str]) -> Output {
    Command::new(program)
        .args(args)
        .output()
        .unwrap_or_else(|error| panic!("{program}: {error}; try: tests/peers/install"))
}

#[track_caller]
fn text_of(output: &Output) -> String {
    let text = String::from_utf8_lossy(&output.stdout).into_owned();
    assert!(output.status.success(), "{text}{}", String::from_utf8_lossy(&output.stderr));
    text
}

fn papers(folder: &Path) -> Vec<PathBuf> {
    let ended = run(["papers", folder.to_str().unwrap()]);
    ended.expect(0);
    ended.stdout.lines().map(PathBuf::from).collect()
}

#[test]
fn completes_verbs_and_options_in_bash() {
    let folder = tempfile::tempdir().unwrap();
    papers(folder.path());
    let file = folder.path().join("ramprig.bash");
    let ask = |words: &str| {
        let script = format!(
            "source '{}'; COMP_WORDS=({words}); COMP_CWORD=$((${{#COMP_WORDS[@]}} - 1)); \
             _ramprig ramprig \"${{COMP_WORDS[COMP_CWORD]}}\" \"${{COMP_WORDS[COMP_CWORD-1]}}\"; printf '%s\\n' \"${{COMPREPLY[@]}}\"",
            file.display()
        );
        text_of(&said("bash", &["--norc", "-c", &script])).lines().map(str::to_owned).collect::<Vec<_>>()
    };
    assert_eq!(ask("ramprig wat"), ["watch"]);
    assert_eq!(ask("ramprig watch --tok"), ["--token-file"]);
}

#[test]
fn writes_a_manual_page_a_verb_that_groff_can_read() {
    let folder = tempfile::tempdir().unwrap();
    let pages: Vec<PathBuf> =
        papers(folder.path()).into_iter().filter(|path| path.extension().is_some_and(|e| e == "1")).collect();
    assert!(pages.len() > 20, "{pages:?}");
    for page in &pages {
        let output = said("groff", &[&PLAIN[..], &["-ww", page.to_str().unwrap()]].concat());
        let text = text_of(&output);
        assert!(text.contains("SYNOPSIS") && text.contains("OPTIONS"), "{}: {text}", page.display());
        assert!(output.stderr.is_empty(), "{}: {}", page.display(), String::from_utf8_lossy(&output.stderr));
    }
    let own = text_of(&said("groff", &[&PLAIN[..], &[folder.path().join("ramprig.1").to_str().unwrap()]].concat()));
    assert!(own.contains("emergency stop") && own.contains("Exit codes"), "cautions and exit codes: {own}");
}

/// The unit with this program in it, since systemd looks whether the program is there.
fn unit(folder: &Path) -> PathBuf {
    let text = std::fs::read_to_string(Path::new(ROOT).join(".packaging/ramprig@.service")).unwrap();
    assert!(text.contains("ExecStart=/usr/bin/ramprig serve "), "the unit serves and nothing else");
    let path = folder.join("ramprig@.service");
    std::fs::write(&path, text.replace("/usr/bin/ramprig", PROGRAM)).unwrap();
    path
}

#[test]
fn has_a_unit_that_systemd_takes_and_finds_hardened() {
    let folder = tempfile::tempdir().unwrap();
    let unit = unit(folder.path());
    let path = unit.to_str().unwrap();
    let verified = said("systemd-analyze", &["verify", "--man=no", path]);
    let complaints = String::from_utf8_lossy(&verified.stderr).into_owned();
    let own: Vec<&str> = complaints.lines().filter(|line| line.contains("ramprig@")).collect();
    assert!(verified.status.success() && own.is_empty(), "{complaints}");
    let exposed =
        said("systemd-analyze", &["security", "--offline=true", "--no-pager", "--threshold", EXPOSED_MOST, path]);
    let text = String::from_utf8_lossy(&exposed.stdout).into_owned();
    println!("{}", text.lines().last().unwrap_or_default());
    assert!(exposed.status.success(), "{text}{}", String::from_utf8_lossy(&exposed.stderr));
}

#[test]
fn packs_a_debian_package_with_everything_in_its_place() {
    let folder = tempfile::tempdir().unwrap();
    let to = folder.path().to_str().unwrap();
    let made = said(&format!("{ROOT}/.packaging/deb"), &[PROGRAM, to]);
    let package = text_of(&made).trim().to_owned();
    let listed = text_of(&said("dpkg-deb", &["--contents", &package]));
    for (mode, path) in [
        ("-rwxr-xr-x root/root", "./usr/bin/ramprig\n"),
        ("-rw-r--r-- root/root", "./usr/share/man/man1/ramprig-serve.1.gz\n"),
        ("-rw-r--r-- root/root", "./usr/share/bash-completion/completions/ramprig\n"),
        ("-rw-r--r-- root/root", "./usr/share/zsh/vendor-completions/_ramprig\n"),
        ("-rw-r--r-- root/root", "./usr/share/fish/vendor_completions.d/ramprig.fish\n"),
        ("-rw-r--r-- root/root", "./usr/lib/systemd/system/ramprig@.service\n"),
        ("-rw-r--r-- root/root", "./usr/share/doc/ramprig/rig-configs/terrace-bench.toml\n"),
        ("drwxr-xr-x root/root", "./etc/ramprig/\n"),
    ] {
        let there = listed.lines().any(|line| line.starts_with(mode) && format!("{line}\n").ends_with(path));
        assert!(there, "{mode} {path} in\n{listed}");
    }
    assert!(!listed.contains("/papers"), "{listed}");
    let field = |name: &str| text_of(&said("dpkg-deb", &["--field", &package, name])).trim().to_owned();
    assert_eq!((field("Package"), field("Version")), ("ramprig".into(), env!("CARGO_PKG_VERSION").into()));
    assert!(field("Depends").contains("libhdf5"), "{}", field("Depends"));
    let unpacked = folder.path().join("unpacked");
    text_of(&said("dpkg-deb", &["--extract", &package, unpacked.to_str().unwrap()]));
    text_of(&said(
        unpacked.join("usr/bin/ramprig").to_str().unwrap(),
        &["check", unpacked.join("usr/share/doc/ramprig/rig-configs/terrace-bench.toml").to_str().unwrap()],
    ));
}

/// systemd's protocol (sd_notify(3)): ready once it serves, signs of life within a third of the time, stopping.
#[test]
fn tells_a_service_manager_that_it_is_ready_lives_and_stops() {
    const WATCHDOG: Duration = Duration::from_secs(6);
    let bench = Bench::real_time();
    let socket = bench.folder().join("notify");
    let heard = UnixDatagram::bind(&socket).unwrap();
    heard.set_read_timeout(Some(crate::stand::DEADLINE)).unwrap();
    let mut serve = command(["serve"]);
    serve.arg(crate::stand::bench::rig_path()).args(["--http", "127.0.0.1:0"]).args(bench.wires());
    serve.env("NOTIFY_SOCKET", &socket).env("WATCHDOG_USEC", WATCHDOG.as_micros().to_string());
    let owner = crate::stand::program::Program::start(serve.arg("--out").arg(bench.out()));
    let next = || {
        let mut text = [0; 256];
        let length = heard.recv(&mut text).unwrap();
        String::from_utf8_lossy(&text[..length]).into_owned()
    };
    assert_eq!(next(), "READY=1");
    assert_eq!([next(), next()], ["WATCHDOG=1", "WATCHDOG=1"]);
    owner.signal(rustix::process::Signal::TERM);
    let last = std::iter::repeat_with(next).find(|text| text != "WATCHDOG=1").unwrap();
    assert_eq!(last, "STOPPING=1");
    owner.end().expect(0);
    assert_eq!(bench.witness().most_on(), 0, "it runs nothing by itself");
}
