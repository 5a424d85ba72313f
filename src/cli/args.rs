//! The command line as typed.

mod afterwards;

pub use afterwards::{
    CalibrateArgs, CompareArgs, Curve, ExportArgs, ListArgs, NoteArgs, Paper, ReportArgs, SignArgs, VerifyArgs,
};

use crate::rig::file::PAYLOAD_TYPE;
use crate::rig::pump_fault::PumpFault;
use clap::{Args, Parser, Subcommand, ValueEnum};
use std::net::SocketAddr;
use std::path::PathBuf;

/// Longest label, characters.
const LONGEST_LABEL: usize = 200;
/// What stands under `--help`.
const CAUTIONS: &str = "\
Cautions: rotating machinery, stored pressure, hose whip, electricity, restart into backspin. This program is not an
emergency stop: the hardwired emergency stop and the drive's own protections are. Local codes, the makers' manuals and
licensed practice come first. `stop confirmed` says that the motor was seen to stop; work on the machine needs isolation
and lock-out by a person.

Exit codes: 0 done; 1 outside tolerance; 2 usage or configuration; 3 aborted: stop confirmed, or nothing had been
started; 4 stop NOT confirmed; 5 recording incomplete; 6 taken over locally; 70 internal fault.";

/// Starts and stops a pump through its starters, records the surge and holds it against a prediction made beforehand.
#[derive(Debug, Parser)]
#[command(name = "ramprig", version, about, after_help = CAUTIONS, max_term_width = 110)]
pub struct Arguments {
    /// One JSON object on standard output, SI units, nothing else there.
    #[arg(long, global = true)]
    pub json: bool,
    /// Units for people.
    #[arg(long, global = true, value_enum, default_value = "si")]
    pub units: Units,
    /// More on standard error (-v, -vv).
    #[arg(short, long, global = true, action = clap::ArgAction::Count)]
    pub verbose: u8,
    /// What to do.
    #[command(subcommand)]
    pub verb: Verb,
}

/// Units for people.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum Units {
    /// bar, m of water, m3/h.
    Si,
    /// psi, ft of head, gpm.
    Us,
}

/// The verbs.
#[derive(Debug, Subcommand)]
pub enum Verb {
    /// Write a commented rig file from ten answers.
    Init(InitArgs),
    /// Read a rig file: every problem at once, and the figures that follow from it.
    Check(CheckArgs),
    /// Say beforehand what a sequence will do to the water.
    Predict(PredictArgs),
    /// Play the rig of a file on real wires, with numbers of its own that nobody is told.
    Virtual(VirtualArgs),
    /// Own a rig: watch it, run sequences for `run`, show it to `watch`.
    #[command(after_help = CAUTIONS)]
    Serve(ServeArgs),
    /// Run a sequence through one starter and record it.
    #[command(after_help = CAUTIONS)]
    Run(RunArgs),
    /// Run a list or grid of settings, each several times, and rank them.
    ///
    /// The order does not mistake the day for a setting. The same command goes on where a series was cut off. After each
    /// rest the motor starts again: keep clear of coupling, hose and hose end between the runs too.
    #[command(after_help = CAUTIONS)]
    Series(SeriesArgs),
    /// Watch a rig live, with the stop key.
    #[command(after_help = CAUTIONS)]
    Watch(WatchArgs),
    /// Watch a station that somebody else runs: an event a trigger, nothing commanded.
    #[command(after_help = super::observe::AT_A_STATION)]
    Observe(ObserveArgs),
    /// Take the zero of pressure channels: vented, or against a line that is proven full; or their noise with a starter
    /// energised without flow.
    Zero(ZeroArgs),
    /// Put recordings side by side: measured, predicted, spread.
    Compare(CompareArgs),
    /// Write a self-contained HTML page about recordings, or a PDF.
    Report(ReportArgs),
    /// Fit reference points of a channel (dead-weight tester or reference gauge) to a line or a parabola.
    Calibrate(CalibrateArgs),
    /// Make a readable recording of a `.partial` that a crash left; the `.partial` goes once that one is read back.
    Recover {
        /// The `.partial` file.
        file: PathBuf,
    },
    /// Tell whether closed recordings are still what they were, and where not.
    Verify(VerifyArgs),
    /// Sign closed recordings with a key of your own (Ed25519), so that others can tell that nobody made them anew.
    Sign(SignArgs),
    /// Add a signed note to a closed recording; what was recorded stays untouched.
    Note(NoteArgs),
    /// List recordings: when, which rig and starter, how they ended.
    List(ListArgs),
    /// Show one recording: who, what, events, figures.
    Show {
        /// Recording, closed or not.
        file: PathBuf,
    },
    /// Write recordings as tables for other programs: comma-separated, SI, a folder a rig and day.
    Export(ExportArgs),
    /// Write a recording's samples to standard output as if they came live.
    ///
    /// RTP packets behind their length (RFC 4571), 24 bits. `command = ["ramprig", "replay", "run.h5"]` with `framing = "rfc4571"` makes it the source of a rig.
    Replay(ReplayArgs),
    /// The whole way on the virtual rig: three starters, two cycles each, table and report.
    Demo(DemoArgs),
    /// Write shell completions and manual pages to a folder.
    Papers {
        /// Folder, made where it is not there.
        folder: PathBuf,
    },
}

/// Where the wires are, when not where the rig file says.
#[derive(Debug, Clone, Args, Default)]
pub struct Wires {
    /// Use another address for a link of the rig file.
    #[arg(long = "link", value_name = "ID=HOST:PORT")]
    pub links: Vec<String>,
    /// Use another address for the sample source.
    #[arg(long = "samples-at", value_name = "HOST:PORT")]
    pub samples: Option<String>,
    /// Folder for duty counters and the owner's lock; default: the user's state folder.
    #[arg(long, value_name = "DIR")]
    pub state_dir: Option<PathBuf>,
}

/// `replay`.
#[derive(Debug, Args)]
pub struct ReplayArgs {
    /// Recording.
    pub file: PathBuf,
    /// As fast as it is read, instead of in step with the clock.
    #[arg(long)]
    pub fast: bool,
    /// RTP payload type.
    #[arg(long, default_value_t = PAYLOAD_TYPE, value_parser = clap::value_parser!(u8).range(0..=127))]
    pub payload_type: u8,
}

/// `check`.
#[derive(Debug, Args)]
pub struct CheckArgs {
    /// Rig file, or the name of a shipped rig (`terrace-bench`).
    pub rig: PathBuf,
    /// Measure this computer instead: how late a thread wakes, how long a disk flush and a round trip of each link take, and
    /// whether that is fit for the rig. Links are read, nothing is written to a device.
    #[arg(long)]
    pub machine: bool,
    /// With `--machine`: folder on the disk that recordings will go to.
    #[arg(long, default_value = ".", value_name = "DIR")]
    pub out: PathBuf,
    /// With `--machine`: wires.
    #[command(flatten)]
    pub wires: Wires,
}

/// `predict`.
#[derive(Debug, Args)]
pub struct PredictArgs {
    /// Rig file, or the name of a shipped rig (`terrace-bench`).
    pub rig: PathBuf,
    /// Sequence file, or the name of a shipped one (`three-starters`).
    pub sequence: PathBuf,
    /// Starter id; default: the first of the rig file.
    #[arg(long)]
    pub starter: Option<String>,
    /// Members of the band about the prediction: the same run through this many rigs that the description could equally
    /// mean; 0: no band. Default: 200, fewer (20 at least) where the run is so long that they would take more than a few
    /// seconds. Members run beside each other in lanes where the run is no more than commands to starters.
    #[arg(long, value_name = "MEMBERS", value_parser = members)]
    pub band: Option<u32>,
    /// Seed of the band's draws.
    #[arg(long, default_value_t = crate::prediction::BAND_SEED)]
    pub seed: u64,
    /// Predict the rig with a fault of its pump, for practice: `wear 15%`, `wrong-rotation`, `splash 6%`; more than one is
    /// allowed.
    #[arg(long = "fault", value_name = "FAULT")]
    pub faults: Vec<PumpFault>,
    /// With `--json`: put every predicted series into the object, too.
    #[arg(long)]
    pub series: bool,
    /// Write the predicted series.
    #[arg(long, value_name = "FILE")]
    pub csv: Option<PathBuf>,
}

/// A label: one line.
fn label(text: &str) -> Result<String, String> {
    match text.chars().count() <= LONGEST_LABEL && !text.chars().any(char::is_control) {
        true => Ok(text.trim().to_owned()),
        false => Err(format!("a label is one line of at most {LONGEST_LABEL} characters")),
    }
}

/// Members of a band: none, or enough for one.
fn members(text: &str) -> Result<u32, String> {
    let most = crate::prediction::bands::MEMBERS_MAX;
    let found = text.parse::<u32>().ok().filter(|members| *members != 1 && *members as usize <= most);
    found.ok_or_else(|| format!("0 (no band) or 2 to {most} members"))
}

/// `virtual`.
#[derive(Debug, Args)]
pub struct VirtualArgs {
    /// Rig file, or the name of a shipped rig (`terrace-bench`).
    pub rig: PathBuf,
    /// Address of the Modbus server; port 0 takes a free one. Default: the first link of the rig file.
    #[arg(long, value_name = "HOST:PORT")]
    pub modbus: Option<SocketAddr>,
    /// Address of the sample server. Default: the source of the rig file.
    #[arg(long, value_name = "HOST:PORT")]
    pub samples: Option<SocketAddr>,
    /// Put the pseudo-terminal of a serial link under this name (a symbolic link); without it, a name of its own is
    /// announced.
    #[arg(long = "port", value_name = "LINK=PATH")]
    pub ports: Vec<String>,
    /// Line-up in which people have set its valves, tanks and lines; default: the first of the rig file.
    #[arg(long, value_name = "ID")]
    pub line_up: Option<String>,
    /// Run as fast as the listener takes samples, up to this many times real time.
    #[arg(long, value_name = "TIMES", num_args = 0..=1, default_missing_value = "16")]
    pub fast: Option<f64>,
    /// Play the rig with a fault of its pump, for practice: `wear 15%`, `wrong-rotation`, `splash 6%`; more than one is
    /// allowed.
    #[arg(long = "fault", value_name = "FAULT")]
    pub faults: Vec<PumpFault>,
    /// Write the hidden numbers here.
    #[arg(long, value_name = "FILE")]
    pub truth: Option<PathBuf>,
    /// Read control lines (faults) from standard input, and end with it.
    #[arg(long)]
    pub controlled: bool,
    /// Read the seed of the hidden numbers from standard input: first line `seed N`.
    #[arg(long)]
    pub seeded: bool,
    /// Be the same bench as last time: the seed of the hidden numbers is kept in this file, which only the virtual rig reads
    /// and which it makes where there is none.
    #[arg(long, value_name = "FILE", conflicts_with = "seeded")]
    pub kept_seed: Option<PathBuf>,
}

/// `serve`.
#[derive(Debug, Args)]
pub struct ServeArgs {
    /// Rig file, or the name of a shipped rig (`terrace-bench`).
    pub rig: PathBuf,
    /// Address of page and API; another one than loopback needs a token, and TLS or the word that there is none.
    #[arg(long, default_value = "127.0.0.1:8790")]
    pub http: SocketAddr,
    /// Folder for recordings of runs that are started from the page.
    #[arg(long, default_value = "runs")]
    pub out: PathBuf,
    /// Who else is let in.
    #[command(flatten)]
    pub access: Access,
    /// Wires.
    #[command(flatten)]
    pub wires: Wires,
}

/// Who is let in from another computer.
#[derive(Debug, Args)]
pub struct Access {
    /// File with the token of everybody who is not on this computer; made where there is none. Whoever shows it may watch
    /// and stop, and take the controls where the rig file has `remote_start`.
    #[arg(long, value_name = "FILE")]
    pub token_file: Option<PathBuf>,
    /// Another address than loopback without TLS. Given up by it: whoever listens on that network reads the token and all
    /// that is shown, and may then do what its owner may.
    #[arg(long)]
    pub unencrypted: bool,
    /// A name of this computer by which browsers reach it, beside its addresses.
    #[arg(long = "host-name", value_name = "NAME")]
    pub host_names: Vec<String>,
    /// Certificate (PEM, with those between it and its root) for TLS.
    #[cfg(feature = "tls")]
    #[arg(long, value_name = "FILE", requires = "key")]
    pub certificate: Option<PathBuf>,
    /// Its key (PEM).
    #[cfg(feature = "tls")]
    #[arg(long, value_name = "FILE", requires = "certificate")]
    pub key: Option<PathBuf>,
}

/// What every ordered run comes with.
#[derive(Debug, Args)]
pub struct RunTerms {
    /// Person in attendance; a start needs one (a virtual rig needs none).
    #[arg(long, value_name = "NAME")]
    pub attending: Option<String>,
    /// Confirm every question of the sequence in this name.
    #[arg(long, value_name = "NAME")]
    pub confirmed_by: Option<String>,
    /// Members of the band about each prediction, as for `predict`; 0: no band.
    #[arg(long, value_name = "MEMBERS", value_parser = members)]
    pub band: Option<u32>,
}

/// `run`.
#[derive(Debug, Args)]
pub struct RunArgs {
    /// Rig file, or the name of a shipped rig (`terrace-bench`).
    pub rig: PathBuf,
    /// Sequence file, or the name of a shipped one (`three-starters`).
    pub sequence: PathBuf,
    /// Starter id; default: the first of the rig file.
    #[arg(long)]
    pub starter: Option<String>,
    /// What you call this run (`before`, `new check valve`); it stands in the recording and in every comparison.
    #[arg(long, default_value = "", value_name = "TEXT", value_parser = label)]
    pub label: String,
    /// Who is there, and the band.
    #[command(flatten)]
    pub terms: RunTerms,
    /// Folder for the recording.
    #[arg(long, default_value = "runs", value_name = "DIR")]
    pub out: PathBuf,
    /// How an owner is reached, where there is one.
    #[command(flatten)]
    pub reach: Reach,
    /// Wires.
    #[command(flatten)]
    pub wires: Wires,
}

/// `watch`.
#[derive(Debug, Args)]
pub struct WatchArgs {
    /// Rig file or id, to find the process that owns it; without it the only one that is served on this computer.
    pub rig: Option<PathBuf>,
    /// Address of the owner's API, when known.
    #[arg(long, value_name = "HOST:PORT")]
    pub at: Option<String>,
    /// Your name: who takes the controls, starts and confirms. Without it you watch and stop.
    #[arg(long)]
    pub name: Option<String>,
    /// How it is reached.
    #[command(flatten)]
    pub reach: Reach,
    /// Folder of the owner's lock.
    #[arg(long, value_name = "DIR")]
    pub state_dir: Option<PathBuf>,
}

/// How an owner on another address is reached.
#[derive(Debug, Args)]
pub struct Reach {
    /// File with the token, for an owner on another address; without it the token in the environment as RAMPRIG_TOKEN.
    #[arg(long, value_name = "FILE")]
    pub token_file: Option<PathBuf>,
    /// Certificate (PEM) by which an owner that is served with TLS is believed: its own, or that of who issued it.
    #[arg(long, value_name = "FILE")]
    pub trust: Option<PathBuf>,
}

/// `observe`.
#[derive(Debug, Args)]
pub struct ObserveArgs {
    /// Rig file, with `[[trigger]]` and perhaps `[observe]`.
    #[arg(required_unless_present_any = ["complete", "differs"])]
    pub rig: Option<PathBuf>,
    /// Folder of the session; one that is there already is gone on with.
    #[arg(long, default_value = "observed", value_name = "DIR")]
    pub out: PathBuf,
    /// Label, such as `before` or `after`.
    #[arg(long, default_value = "")]
    pub label: String,
    /// End after this much rig time; default: with Ctrl-C.
    #[arg(long, value_name = "HOURS")]
    pub hours: Option<f64>,
    /// Print a unit for systemd that goes on with the session after a loss of supply, and end.
    #[arg(long)]
    pub unit: bool,
    /// Say whether a session is complete (exit code 1: not), and end.
    #[arg(long, value_name = "DIR")]
    pub complete: Option<PathBuf>,
    /// List what differs between the set-ups of two sessions, and end.
    #[arg(long, num_args = 2, value_names = ["BEFORE", "AFTER"])]
    pub differs: Vec<PathBuf>,
    /// Wires.
    #[command(flatten)]
    pub wires: Wires,
}

/// `zero`.
#[derive(Debug, Args)]
#[command(group = clap::ArgGroup::new("how").required(true))]
pub struct ZeroArgs {
    /// Rig file, or the name of a shipped rig (`terrace-bench`).
    pub rig: PathBuf,
    /// These channels are open to the atmosphere now.
    #[arg(long, group = "how", value_delimiter = ',', value_name = "CHANNELS")]
    pub vented: Vec<String>,
    /// The lines of this line-up are proven full and at rest now: every pressure channel against its static head.
    #[arg(long, group = "how", value_name = "LINE-UP")]
    pub full_line: Option<String>,
    /// This starter is energised now and nothing flows: noise of every channel.
    #[arg(long, group = "how", value_name = "STARTER")]
    pub energised: Option<String>,
    /// The person who holds the level.
    #[arg(long, value_name = "NAME")]
    pub by: String,
    /// Length of the hold.
    #[arg(long, default_value_t = 5.0, value_name = "SECONDS")]
    pub seconds: f64,
    /// Wires.
    #[command(flatten)]
    pub wires: Wires,
}

/// `series`.
#[derive(Debug, Args)]
pub struct SeriesArgs {
    /// Rig file, or the name of a shipped rig (`terrace-bench`).
    pub rig: PathBuf,
    /// Series file; its sequence lies beside it.
    pub series: PathBuf,
    /// Who is there, and the band.
    #[command(flatten)]
    pub terms: RunTerms,
    /// Folder of the series: its state, its recordings, its table.
    #[arg(long, default_value = "series", value_name = "DIR")]
    pub out: PathBuf,
    /// Play the rig as well, on wires of its own: no real water, no real motor.
    #[arg(long = "virtual")]
    pub virtual_rig: bool,
    /// With `--virtual`: run ahead of the clock, as fast as this computer takes the samples.
    #[arg(long, requires = "virtual_rig")]
    pub fast: bool,
    /// Wires.
    #[command(flatten)]
    pub wires: Wires,
}

/// `demo`.
#[derive(Debug, Args)]
pub struct DemoArgs {
    /// Let the virtual rig run ahead of the clock, as fast as this computer takes its samples.
    #[arg(long)]
    pub fast: bool,
    /// Folder for recordings and report; default: a new one below `runs`.
    #[arg(long, value_name = "DIR")]
    pub out: Option<PathBuf>,
    /// Open the watch screen instead of the progress line.
    #[arg(long, conflicts_with = "json")]
    pub watch: bool,
}

/// `init`: flags beat questions; what is neither given nor answered is assumed, and the file says so.
#[derive(Debug, Args)]
pub struct InitArgs {
    /// File to write; `-` for standard output.
    #[arg(default_value = "my-bench.toml")]
    pub file: PathBuf,
    /// Answers as `key=value`; without any, the questions are asked on a terminal.
    #[arg(long = "answer", value_name = "KEY=VALUE")]
    pub answers: Vec<String>,
    /// Take the assumed value for every question that has no answer.
    #[arg(long)]
    pub assume: bool,
}
