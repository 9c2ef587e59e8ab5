//! What may be typed to find the signals of an unknown car.

use std::path::PathBuf;

use clap::Args;

use super::{Json, Pictures, TextLayout};

#[derive(Debug, Args)]
#[command(after_help = "Example:
  slipwright find drive.pcapng --speed speed.csv --out car/decoder.toml
  slipwright find --guide

The speed file has the columns t_ns (ns since the epoch) and speed_mps, and may have bearing_deg, the \
course over ground clockwise from north. Without it the capture's own satellite speed or OBD-II \
vehicle speed is used; without any, scales stay unknown.

Every proposal carries a score from 0 to 1 and its reasons. Look at the picture sheet before you \
trust one. Exit code 1: the captures hold no wheel speeds.")]
pub(crate) struct FindArgs {
    /// Captures of the same car (.pcapng or .pcapng.zst), or text logs with --layout
    #[arg(value_name = "CAPTURE", required_unless_present = "guide")]
    pub(crate) captures: Vec<PathBuf>,
    /// Reference speed (.parquet or .csv) with t_ns and speed_mps
    #[arg(long, value_name = "FILE")]
    pub(crate) speed: Option<PathBuf>,
    /// Contrast what moves after each mark of the captures with what moves elsewhere
    #[arg(long)]
    pub(crate) marks: bool,
    /// Vehicle file (TOML), for wheelbase and track; its decoder file is not needed
    #[arg(long, value_name = "FILE")]
    pub(crate) vehicle: Option<PathBuf>,
    /// Where to write the proposed decoder file; a picture sheet goes beside it, ending in .html
    #[arg(long, value_name = "FILE")]
    pub(crate) out: Option<PathBuf>,
    #[command(flatten)]
    pub(crate) pictures: Pictures,
    /// Decoder file to start from: what is in it stays as it is, new signals are added; written to
    /// --out, or back to this file
    #[arg(long, value_name = "FILE")]
    pub(crate) accept: Option<PathBuf>,
    #[command(flatten)]
    pub(crate) text: TextLayout,
    /// Print the moves of a safe test drive that make signals easy to find, and end
    #[arg(long)]
    pub(crate) guide: bool,
    #[command(flatten)]
    pub(crate) json: Json,
}
