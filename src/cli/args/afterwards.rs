//! The command line as typed: what is done with recordings, and with the channels they were made through.

use crate::comparison::tolerance::Limit;
use crate::report::export::Kind;
use clap::{Args, ValueEnum};
use std::path::PathBuf;

/// `report`.
#[derive(Debug, Clone, Args)]
pub struct ReportArgs {
    /// Closed recordings.
    #[arg(required = true)]
    pub files: Vec<PathBuf>,
    /// File to write; default: report.html, with `--pdf` report.pdf.
    #[arg(short, long, value_name = "FILE")]
    pub out: Option<PathBuf>,
    /// Evaluate a channel anew with a calibration made later; once a channel.
    #[arg(long = "calibration", value_name = "FILE")]
    pub calibrations: Vec<PathBuf>,
    /// Differences by pairs of cycles, as `compare --paired` has them.
    #[arg(long)]
    pub paired: bool,
    /// A PDF instead of an HTML page (in builds with the feature `pdf`).
    #[arg(long)]
    pub pdf: bool,
    /// Paper of the PDF.
    #[arg(long, value_enum, default_value = "a4", requires = "pdf")]
    pub paper: Paper,
}

/// Paper of a PDF.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum Paper {
    /// 210 x 297 mm.
    A4,
    /// 8.5 x 11 in.
    Letter,
}

/// `compare`.
#[derive(Debug, Args)]
pub struct CompareArgs {
    /// Closed recordings.
    #[arg(required = true)]
    pub files: Vec<PathBuf>,
    /// Hold every measured figure of the headline channel to this tolerance about its prediction, in per cent of it; what
    /// lies under the noise passes. Exit code 1 when one is outside.
    #[arg(long, value_name = "PERCENT", value_parser = percent)]
    pub tolerance: Option<f64>,
    /// Guard band of tolerance and limits over the expanded uncertainty (k = 2) of each figure, 0 to 1: within is what stays within by
    /// it; what lies closer to the limit is open, and not within. 0 leaves the uncertainty out.
    #[arg(long, value_name = "SHARE", default_value_t = 1.0, value_parser = share)]
    pub guard: f64,
    /// Hold a figure of the headline channel to a limit, by the worst of its cycles and with the guard band: `start_surge=0.8 bar`,
    /// `start_peak_rate=20 bar/s`; more than one is allowed. Exit code 1 when one is not within.
    #[arg(long = "limit", value_name = "FIGURE=VALUE")]
    pub limits: Vec<Limit>,
    /// Hold cycle k of one run against cycle k of the other, for cycles that were made to belong together (the same level, the same
    /// warm-up); whether they were is to be settled before the runs, not by what comes out.
    #[arg(long)]
    pub paired: bool,
    /// Hold to another recording instead of the prediction.
    #[arg(long, value_name = "FILE", requires = "tolerance")]
    pub against: Option<PathBuf>,
    /// Evaluate a channel anew with a calibration made later; once a channel.
    #[arg(long = "calibration", value_name = "FILE")]
    pub calibrations: Vec<PathBuf>,
}

/// `calibrate`.
#[derive(Debug, Args)]
pub struct CalibrateArgs {
    /// Rig file that has the channel.
    pub rig: PathBuf,
    /// File with the reference points.
    pub points: PathBuf,
    /// Fit this, whatever the file says.
    #[arg(long, value_enum)]
    pub shape: Option<Curve>,
    /// Write the calibration here, to evaluate recordings with or to copy into the rig file.
    #[arg(short, long, value_name = "FILE")]
    pub out: Option<PathBuf>,
    /// Write a picture of the residuals (SVG).
    #[arg(long, value_name = "FILE")]
    pub plot: Option<PathBuf>,
}

/// A curve that is fitted to reference points.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum Curve {
    /// a + b x.
    Line,
    /// a + b x + c x2.
    Parabola,
}

/// A share written in per cent, with or without its sign.
fn percent(text: &str) -> Result<f64, String> {
    let number: f64 =
        text.trim().trim_end_matches('%').trim().parse().map_err(|_| "a number of per cent, such as 15%")?;
    if number.is_finite() && number >= 0.0 { Ok(number / 100.0) } else { Err("0 % or more".to_owned()) }
}

fn share(text: &str) -> Result<f64, String> {
    let number: f64 = text.trim().parse().map_err(|_| "a number from 0 to 1")?;
    if (0.0..=1.0).contains(&number) { Ok(number) } else { Err("0 to 1".to_owned()) }
}

/// `verify`.
#[derive(Debug, Args)]
pub struct VerifyArgs {
    /// Closed recordings.
    #[arg(required = true)]
    pub files: Vec<PathBuf>,
    /// Demand that they, and all notes in them, are signed by this key: 64 hexadecimal digits or a file with the public key.
    #[arg(long, value_name = "KEY")]
    pub key: Option<String>,
    /// Look inside only (what this program calls itself with).
    #[arg(long, hide = true)]
    pub inside: bool,
}

/// `sign`.
#[derive(Debug, Args)]
pub struct SignArgs {
    /// Closed recordings.
    pub files: Vec<PathBuf>,
    /// Your private key: a PEM file (PKCS#8). Keep it where nobody else can read it.
    #[arg(long, value_name = "FILE")]
    pub key: PathBuf,
    /// Make the key first, in a new file, with the public key to give away beside it (`FILE.pub`).
    #[arg(long)]
    pub make_key: bool,
}

/// `note`.
#[derive(Debug, Args)]
pub struct NoteArgs {
    /// Closed recording.
    pub file: PathBuf,
    /// What to say of it.
    pub text: String,
    /// Who says so.
    #[arg(long, value_name = "NAME")]
    pub by: String,
    /// Your private key: a PEM file, as `sign --make-key` makes one.
    #[arg(long, value_name = "FILE")]
    pub key: PathBuf,
}

/// `list`.
#[derive(Debug, Args)]
pub struct ListArgs {
    /// Folders (with what is below them) or recordings.
    #[arg(default_value = "runs")]
    pub places: Vec<PathBuf>,
    /// Only of this rig, by id or name.
    #[arg(long)]
    pub rig: Option<String>,
    /// Only of this starter, by id or kind (`across the line`, `soft starter`, `variable speed`).
    #[arg(long)]
    pub starter: Option<String>,
    /// Only with this label, as `run`, `series` or `observe` gave it.
    #[arg(long, value_name = "TEXT")]
    pub label: Option<String>,
    /// Only from this day on (UTC).
    #[arg(long, value_name = "YYYY-MM-DD")]
    pub from: Option<String>,
    /// Only up to this day (UTC).
    #[arg(long, value_name = "YYYY-MM-DD")]
    pub to: Option<String>,
    /// Only with an event whose text has this in it.
    #[arg(long, value_name = "TEXT")]
    pub event: Option<String>,
}

/// `export`.
#[derive(Debug, Args)]
pub struct ExportArgs {
    /// Recordings.
    #[arg(required = true)]
    pub files: Vec<PathBuf>,
    /// Folder to write to.
    #[arg(short, long, default_value = "export", value_name = "DIR")]
    pub out: PathBuf,
    /// Only these tables; default: all.
    #[arg(long = "table", value_enum)]
    pub tables: Vec<Table>,
    /// Write Parquet instead of comma-separated values.
    #[cfg(feature = "parquet")]
    #[arg(long)]
    pub parquet: bool,
}

impl ExportArgs {
    /// Ending of the files.
    pub fn form(&self) -> &'static str {
        #[cfg(feature = "parquet")]
        if self.parquet {
            return "parquet";
        }
        "csv"
    }
}

/// A table to export.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum Table {
    /// A row a sample.
    Samples,
    /// A row a predicted sample.
    Predicted,
    /// A row a cycle and channel.
    Cycles,
    /// A row an event.
    Events,
}

impl From<Table> for Kind {
    fn from(table: Table) -> Self {
        match table {
            Table::Samples => Self::Samples,
            Table::Predicted => Self::Predicted,
            Table::Cycles => Self::Cycles,
            Table::Events => Self::Events,
        }
    }
}
