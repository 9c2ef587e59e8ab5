//! What may be typed for `check`.

use std::path::PathBuf;

use clap::Args;

use super::{Json, TextLayout};

#[derive(Debug, Args)]
#[command(after_help = "Examples:
  slipwright check can0 --vehicle car/vehicle.toml
  slipwright check drive.pcapng --vehicle car/vehicle.toml --measures peak_slip_mps,slip_time_ms

A live bus is listened to for some seconds, a capture is read whole. Nothing is sent unless --ask is \
given; it then asks the units that the file's requests name for their trouble codes (OBD-II services \
03, 07 and 0A, UDS service 19). Standing still, engine running, is enough to see that every signal is \
alive; whether the coupling works shows only in a drive with some launches.

Exit codes: 0 ready; 1 not ready; 2 wrong use or bad input.")]
pub(crate) struct CheckArgs {
    /// CAN interfaces to listen to, or one capture (.pcapng or .pcapng.zst)
    #[arg(value_name = "IFACE|CAPTURE", required = true)]
    pub(crate) from: Vec<PathBuf>,
    /// Vehicle file (TOML); it names the decoder file
    #[arg(long, value_name = "FILE")]
    pub(crate) vehicle: PathBuf,
    /// Measures that the test is for, by their names in JSON; all of them if left out
    #[arg(long, value_name = "NAME", value_delimiter = ',')]
    pub(crate) measures: Vec<String>,
    /// Ask for trouble codes on the live bus: decoder file (TOML) whose requests name the units
    #[arg(long, value_name = "FILE")]
    pub(crate) ask: Option<PathBuf>,
    /// How long a live bus is listened to, s
    #[arg(long, value_name = "S", default_value_t = 5.0)]
    pub(crate) listen: f64,
    #[command(flatten)]
    pub(crate) text: TextLayout,
    #[command(flatten)]
    pub(crate) json: Json,
}
