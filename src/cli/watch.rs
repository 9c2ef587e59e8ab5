//! What may be typed for the live view.

use std::path::PathBuf;

use clap::Args;

use super::Json;

#[derive(Debug, Args)]
#[command(after_help = "Example:
  slipwright watch --vehicle car/vehicle.toml

Keys: m sets a mark, c shows the test card, q leaves; the recording goes on. With --vehicle the view \
counts which launches and tip-ins the comparison can use. The passenger looks at it, never the driver.
With --json: the state and the counts once, for programs. Exit code 1: no recorder is running.")]
pub(crate) struct WatchArgs {
    /// Vehicle file (TOML); launches and tip-ins are then counted
    #[arg(long, value_name = "FILE")]
    pub(crate) vehicle: Option<PathBuf>,
    /// What the comparison needs, as `slipwright plan --out` wrote it (plan.json)
    #[arg(long, value_name = "FILE")]
    pub(crate) plan: Option<PathBuf>,
    /// The recorder's socket, if it was given one
    #[arg(long, value_name = "PATH")]
    pub(crate) socket: Option<PathBuf>,
    /// Started by the recorder that it shows
    #[arg(long, hide = true)]
    pub(crate) with_recorder: bool,
    #[command(flatten)]
    pub(crate) json: Json,
}
