//! What may be typed for a plan.

use std::path::PathBuf;

use clap::Args;

use super::{Fresh, Json, TextLayout};

#[derive(Debug, Args)]
#[command(after_help = "Example:
  slipwright plan --vehicle car/vehicle.toml --earlier drives/*/*.pcapng.zst --out card

With --out, the folder gets card.html (one page to print for the passenger), card.txt and plan.json, \
which watch --plan reads. Exit code 1: no campaign of up to six drives a side proves the change on delay or on peak slip.")]
pub(crate) struct PlanArgs {
    /// Vehicle file (TOML); it names the decoder file
    #[arg(long, value_name = "FILE")]
    pub(crate) vehicle: PathBuf,
    /// Earlier drives of the same car, which tell how much its values vary
    #[arg(long, value_name = "CAPTURE", num_args = 1..)]
    pub(crate) earlier: Vec<PathBuf>,
    /// The change that shall be provable, per cent of delay and slip
    #[arg(long, value_name = "PERCENT", default_value_t = 15.0)]
    pub(crate) change: f64,
    /// Folder for the card; made if it is not there
    #[arg(long, value_name = "DIR")]
    pub(crate) out: Option<PathBuf>,
    #[command(flatten)]
    pub(crate) fresh: Fresh,
    #[command(flatten)]
    pub(crate) text: TextLayout,
    #[command(flatten)]
    pub(crate) json: Json,
}
