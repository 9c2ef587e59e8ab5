//! What may be typed: commands, options, their help and examples. Nothing is opened here.

use std::path::PathBuf;

use clap::{Args, Parser, Subcommand};
use clap_complete::Shell;

mod book;
mod check;
mod diagnose;
mod find;
mod plan;
mod recording;
mod stack;
mod trend;
mod watch;

pub(crate) use book::{BookArgs, BookCommand, BookDueArgs, BookWorkArgs, NewBookArgs};
pub(crate) use check::CheckArgs;
pub(crate) use diagnose::DiagnoseArgs;
pub(crate) use find::FindArgs;
pub(crate) use plan::PlanArgs;
pub(crate) use recording::{MarkArgs, RecordArgs, StatusArgs};
pub(crate) use stack::StackArgs;
pub(crate) use trend::TrendArgs;
pub(crate) use watch::WatchArgs;

/// Prove that a rebuilt all-wheel-drive clutch coupling slips less, and find what is wrong when it
/// does not.
///
/// Drives are captures of the car's CAN bus (pcapng, plain or zstd-compressed). A vehicle file
/// says what is known of the car and names its decoder file, which says where the signals are.
#[derive(Debug, Parser)]
#[command(name = "slipwright", version, after_help = EXIT_CODES, max_term_width = 100)]
pub(crate) struct Cli {
    #[command(subcommand)]
    pub(crate) command: Command,
}

const EXIT_CODES: &str =
    "Exit codes: 0 done; 1 done, and the answer is no; 2 wrong use or bad input, \
with one plain line that says what, where and what to do.

A passenger works the laptop. Test on a closed or quiet road within the law. The vehicle maker's \
procedure, local rules and licensed practice come first.";

#[derive(Debug, Subcommand)]
pub(crate) enum Command {
    /// Record drives from live buses; listens only
    Record(RecordArgs),
    /// Set a mark in the drive being recorded
    Mark(MarkArgs),
    /// Tell what a running recorder is doing
    Status(StatusArgs),
    /// Watch a running recorder: slip, wheels, pressure, and what the drive still needs
    Watch(WatchArgs),
    /// Say how many launches and tip-ins prove a change of which size, on a card for the passenger
    Plan(PlanArgs),
    /// Tell whether a car is ready to test: every signal alive, the coupling free to work
    Check(CheckArgs),
    /// Turn a capture into signals: Parquet or CSV
    Decode(DecodeArgs),
    /// Find the signals of a car that no decoder file describes
    Find(FindArgs),
    /// Find the engagements of one or more drives and measure them
    Measure(MeasureArgs),
    /// Compare drives from before and after the work: the proof
    Compare(CompareArgs),
    /// Choose discs and plates for a target height
    Stack(StackArgs),
    /// Follow measures over months and kilometres
    Trend(TrendArgs),
    /// Keep a car's book: work done, drives, what is due
    Book(BookArgs),
    /// Name what is wrong with the coupling, most probable cause first
    Diagnose(DiagnoseArgs),
    /// Make sample drives with known truth from a scenario file
    Simulate(SimulateArgs),
    /// Print a completion script for a shell
    Completions(CompletionsArgs),
}

#[derive(Debug, Args)]
#[command(after_help = "Example:
  slipwright decode drive.pcapng --decoder car.toml --out drive.parquet

The file has one row a measurement: t_ns (integer, ns since the epoch), signal (role or name), value, \
unit. A received value that is no measurement has no row: a raw code listed in invalid_raw, a value \
outside min and max, a float that is no finite number, a frame too short to hold it. The answer \
counts those as invalid. A signal that two buses carry has the rows of both.")]
pub(crate) struct DecodeArgs {
    /// Capture to read (.pcapng or .pcapng.zst), or a text log with --layout
    #[arg(value_name = "CAPTURE")]
    pub(crate) capture: PathBuf,
    /// Decoder file (TOML)
    #[arg(long, value_name = "FILE")]
    pub(crate) decoder: PathBuf,
    /// Where to write the signals; the ending, .parquet or .csv, chooses the form
    #[arg(long, value_name = "FILE")]
    pub(crate) out: PathBuf,
    #[command(flatten)]
    pub(crate) text: TextLayout,
    #[command(flatten)]
    pub(crate) json: Json,
}

#[derive(Debug, Args)]
#[command(after_help = "Example:
  slipwright measure drive1.pcapng drive2.pcapng --vehicle car/vehicle.toml

  slipwright measure drives/*/*.zst --vehicle car/vehicle.toml --out fleet

Times in seconds count from the capture's first frame. A value that cannot be had is missing and \
says why. With --out, each capture becomes one Parquet file in \
DATASET/vehicle=NAME/month=YYYY-MM, one engagement a row; measured again it replaces itself, and \
several runs may write into one dataset at once.")]
pub(crate) struct MeasureArgs {
    /// Captures to read (.pcapng or .pcapng.zst), one drive each
    #[arg(value_name = "CAPTURE", required = true)]
    pub(crate) captures: Vec<PathBuf>,
    /// Vehicle file (TOML); it names the decoder file
    #[arg(long, value_name = "FILE")]
    pub(crate) vehicle: PathBuf,
    /// Also write the engagements into a partitioned Parquet dataset; made if it is not there
    #[arg(long, value_name = "DATASET")]
    pub(crate) out: Option<PathBuf>,
    #[command(flatten)]
    pub(crate) fresh: Fresh,
    #[command(flatten)]
    pub(crate) text: TextLayout,
    #[command(flatten)]
    pub(crate) json: Json,
}

#[derive(Debug, Args)]
#[command(after_help = "Example:
  slipwright compare --before spring/*.pcapng --after summer/*.pcapng --vehicle car/vehicle.toml --out proof

  slipwright compare --book my-car --out proof

With --book the two sets are the drives around the newest work, or around the one that --work names.
With --out, the folder gets report.html (open it in any browser), comparison.json and \
engagements.parquet. Three or more drives a side, six launches and six tip-ins each, make a \
sound campaign.")]
pub(crate) struct CompareArgs {
    /// Captures from before the work
    #[arg(long, value_name = "CAPTURE", num_args = 1.., required_unless_present = "book")]
    pub(crate) before: Vec<PathBuf>,
    /// Captures from after the work
    #[arg(long, value_name = "CAPTURE", num_args = 1.., required_unless_present = "book")]
    pub(crate) after: Vec<PathBuf>,
    /// Vehicle file (TOML); it names the decoder file. The book's own if left out with --book
    #[arg(long, value_name = "FILE", required_unless_present = "book")]
    pub(crate) vehicle: Option<PathBuf>,
    /// The car's book: its drives from before and after the work are compared
    #[arg(long, value_name = "DIR", conflicts_with_all = ["before", "after"])]
    pub(crate) book: Option<PathBuf>,
    /// Which work of the book, by its file's name or its title; the newest if left out
    #[arg(long, value_name = "NAME", requires = "book")]
    pub(crate) work: Option<String>,
    /// Folder for the report; made if it is not there
    #[arg(long, value_name = "DIR")]
    pub(crate) out: Option<PathBuf>,
    #[command(flatten)]
    pub(crate) pictures: Pictures,
    #[command(flatten)]
    pub(crate) fresh: Fresh,
    #[command(flatten)]
    pub(crate) text: TextLayout,
    #[command(flatten)]
    pub(crate) json: Json,
}

#[derive(Debug, Args)]
#[command(after_help = "Example:
  slipwright simulate sample-logs/scenarios/before.toml --out /tmp/drives --seed 7

The folder gets the captures, decoder.toml, vehicle.toml and the truth they were made from.
A picture shows what a scenario does before it is simulated whole:

  slipwright simulate sample-logs/scenarios/winter.toml --picture winter.svg

How to write a scenario stands in sample-logs/README.md.")]
pub(crate) struct SimulateArgs {
    /// Scenario file (TOML)
    #[arg(value_name = "SCENARIO")]
    pub(crate) scenario: PathBuf,
    /// Folder for the drives; made if it is not there
    #[arg(long, value_name = "DIR", required_unless_present = "picture")]
    pub(crate) out: Option<PathBuf>,
    /// Draw the first four drives into this file (SVG); without --out nothing else is made
    #[arg(long, value_name = "FILE")]
    pub(crate) picture: Option<PathBuf>,
    /// Random seed; the scenario's own if left out
    #[arg(long, value_name = "N")]
    pub(crate) seed: Option<u64>,
    #[command(flatten)]
    pub(crate) json: Json,
}

#[derive(Debug, Args)]
pub(crate) struct CompletionsArgs {
    /// Which shell
    pub(crate) shell: Shell,
}

/// How captures that are text logs are read.
#[derive(Debug, Args)]
pub(crate) struct TextLayout {
    /// Layout of text logs (TOML), if captures are such: a regular expression with the groups time, id
    /// and data
    #[arg(long, value_name = "FILE")]
    pub(crate) layout: Option<PathBuf>,
}

/// What is kept beside captures may be passed over.
#[derive(Debug, Args)]
pub(crate) struct Fresh {
    /// Read and measure every capture anew, whatever is kept beside it, and keep nothing
    #[arg(long)]
    pub(crate) fresh: bool,
}

#[derive(Debug, Args)]
pub(crate) struct Pictures {
    /// Also write each picture of the page as PNG, into the folder "pictures" beside the page
    #[arg(long, requires = "out")]
    pub(crate) pictures: bool,
}

#[derive(Debug, Args)]
pub(crate) struct Json {
    /// Print one JSON object for programs, and nothing else, on standard output
    #[arg(long)]
    pub(crate) json: bool,
}
