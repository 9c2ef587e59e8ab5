//! Arguments of `stack`.

use std::path::PathBuf;

use clap::Args;

use super::Json;

#[derive(Debug, Args)]
#[command(after_help = "Example:
  slipwright stack sample-logs/parts.toml --vehicle sample-logs/vehicle.toml

The parts file lists discs, plates and spacers with their thicknesses, and the height or the \
clearance that is wanted; sample-logs/parts.toml and README.md show every key. The stack is given \
from the piston side to the far side. Let hot fluid and pressure go before opening anything, and \
turn the pack by hand before closing it.")]
pub(crate) struct StackArgs {
    /// Parts file (TOML)
    #[arg(value_name = "PARTS")]
    pub(crate) parts: PathBuf,
    /// Vehicle file (TOML), for the predicted change of dead time and torque
    #[arg(long, value_name = "FILE")]
    pub(crate) vehicle: Option<PathBuf>,
    /// How many stacks to show at most
    #[arg(long, value_name = "N", default_value_t = 5, value_parser = clap::value_parser!(u16).range(1..=100))]
    pub(crate) choices: u16,
    #[command(flatten)]
    pub(crate) json: Json,
}
