//! Arguments of `trend`.

use std::path::PathBuf;

use clap::Args;

use super::{Fresh, Json, Pictures};

#[derive(Debug, Args)]
#[command(after_help = "Example:
  slipwright trend drives --vehicle car/vehicle.toml --out watch

DIR is a car's book, or any folder with captures in it, at any depth. The odometer comes from \
drive.toml beside a capture. Each drive is read and measured once; what came of it is kept beside the \
capture in files that end in .signals.parquet and .measured, and may be deleted. The band of healthy drives comes \
from the first drives since the newest work, or from those whose drive.toml says healthy = true. \
Exit code 1: too few drives to judge any measure.")]
pub(crate) struct TrendArgs {
    /// Folder with the drives, or the car's book
    #[arg(value_name = "DIR")]
    pub(crate) folder: PathBuf,
    /// Vehicle file (TOML); it names the decoder file. The book's own if left out
    #[arg(long, value_name = "FILE")]
    pub(crate) vehicle: Option<PathBuf>,
    /// How many drives after the newest work count as healthy
    #[arg(long, value_name = "N", default_value_t = 8, value_parser = clap::value_parser!(u16).range(5..=1000))]
    pub(crate) healthy: u16,
    #[command(flatten)]
    pub(crate) fresh: Fresh,
    /// Folder for the report; made if it is not there
    #[arg(long, value_name = "DIR")]
    pub(crate) out: Option<PathBuf>,
    #[command(flatten)]
    pub(crate) pictures: Pictures,
    #[command(flatten)]
    pub(crate) json: Json,
}
