//! What may be typed for `diagnose`.

use std::path::PathBuf;

use clap::Args;

use super::{Fresh, Json, Pictures, TextLayout};

#[derive(Debug, Args)]
#[command(after_help = "Example:
  slipwright diagnose complaint/*.pcapng --baseline healthy/*.pcapng --vehicle car/vehicle.toml

Against the car's own healthy drives where --baseline gives them, otherwise against the vehicle \
file's values for the healthy car, otherwise only by what is wrong in itself; it says what could not \
be judged. Three drives with some launches and tip-ins, a coasting stretch, a full circle at walking \
pace, two gentle pull-aways and two slow circles with the coupling closed are a sound base (README, \
\"Find the fault\"). Probabilities are those of causes that this program knows; look before you replace.

With --out, the folder gets diagnosis.html (open it in any browser), diagnosis.json and \
diagnosis.txt.

Exit codes: 0 judged; 1 not judgeable; 2 wrong use or bad input.")]
pub(crate) struct DiagnoseArgs {
    /// Captures to judge (.pcapng or .pcapng.zst), one drive each
    #[arg(value_name = "CAPTURE", required = true)]
    pub(crate) captures: Vec<PathBuf>,
    /// Captures of the same car while it was healthy
    #[arg(long, value_name = "CAPTURE", num_args = 1..)]
    pub(crate) baseline: Vec<PathBuf>,
    /// Vehicle file (TOML); it names the decoder file
    #[arg(long, value_name = "FILE")]
    pub(crate) vehicle: PathBuf,
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
