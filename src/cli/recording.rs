//! What may be typed for a live bus.

use std::path::PathBuf;

use clap::{Args, value_parser};

use super::Json;

#[derive(Debug, Args)]
#[command(after_help = "Example:
  slipwright record can0 can1 --out drives --gnss gpsd --conditions \"dry, 12 degC\"

A drive starts when a bus wakes and ends when all have been silent. Each gets a folder named by its \
UTC time, with its captures and drive.toml. Ctrl-C ends it; a closed terminal (SIGHUP) only starts a \
new file. After a power loss at most the last second is missing.

The recorder listens. It sends nothing on the bus unless --ask is given, and then only what that \
file lists.")]
pub(crate) struct RecordArgs {
    /// CAN interfaces; one that is not there yet is waited for
    #[arg(value_name = "IFACE", required = true)]
    pub(crate) interfaces: Vec<String>,
    /// Folder that gets one folder a drive; made if it is not there
    #[arg(long, value_name = "DIR")]
    pub(crate) out: PathBuf,
    /// Vehicle file (TOML); status then tells the age of its signals and the slip
    #[arg(long, value_name = "FILE")]
    pub(crate) vehicle: Option<PathBuf>,
    /// Show the live view; the log goes to recorder.log in --out meanwhile
    #[arg(long)]
    pub(crate) watch: bool,
    /// Odometer, km, for drive.toml
    #[arg(long, value_name = "KM")]
    pub(crate) odometer: Option<u32>,
    /// Note for drive.toml
    #[arg(long, value_name = "TEXT", default_value = "")]
    pub(crate) note: String,
    /// Road, weather, load, tyres, for drive.toml
    #[arg(long, value_name = "TEXT", default_value = "")]
    pub(crate) conditions: String,
    /// Satellite receiver: gpsd, gpsd:HOST:PORT, or a serial device such as /dev/ttyUSB0@9600
    #[arg(long, value_name = "SOURCE")]
    pub(crate) gnss: Option<String>,
    /// Send the requests of this decoder file, and record what was sent; try it standing still first
    #[arg(long, value_name = "FILE")]
    pub(crate) ask: Option<PathBuf>,
    /// Least time between two requests, ms
    #[arg(long, value_name = "MS", default_value_t = 200.0, requires = "ask")]
    pub(crate) ask_every: f64,
    /// End a drive after so many seconds without a frame
    #[arg(long, value_name = "S", default_value_t = 30.0)]
    pub(crate) quiet_after: f64,
    /// Begin a new file at this size, MB
    #[arg(long, value_name = "MB", default_value_t = 512, value_parser = value_parser!(u64).range(1..=1_000_000))]
    pub(crate) file_size: u64,
    /// Begin a new file after so many minutes
    #[arg(long, value_name = "MIN", default_value_t = 60.0)]
    pub(crate) file_time: f64,
    /// Leave closed files uncompressed
    #[arg(long)]
    pub(crate) plain: bool,
    /// Stop while this much is still free on the disk, MB
    #[arg(long, value_name = "MB", default_value_t = 64, value_parser = value_parser!(u64).range(..=100_000_000))]
    pub(crate) keep_free: u64,
    /// Receive buffer to ask of the kernel, KiB a bus
    #[arg(long, value_name = "KIB", default_value_t = 16384, value_parser = value_parser!(u32).range(1..=1_048_576))]
    pub(crate) receive_buffer: u32,
    /// Socket for marks and status; in the user's runtime folder if left out
    #[arg(long, value_name = "PATH")]
    pub(crate) socket: Option<PathBuf>,
}

#[derive(Debug, Args)]
#[command(after_help = "Example:
  slipwright mark \"third launch, wet patch\"

The mark is stored in the capture at this moment. If no drive is being recorded it is not kept, and \
the exit code is 1; where no recorder runs it is 2.")]
pub(crate) struct MarkArgs {
    /// What to remember of this moment
    #[arg(value_name = "TEXT")]
    pub(crate) text: String,
    /// The recorder's socket, if it was given one
    #[arg(long, value_name = "PATH")]
    pub(crate) socket: Option<PathBuf>,
    #[command(flatten)]
    pub(crate) json: Json,
}

#[derive(Debug, Args)]
#[command(after_help = "Example:
  slipwright status

Rates and loads are of the last second. Exit code 1: no recorder is running.")]
pub(crate) struct StatusArgs {
    /// The recorder's socket, if it was given one
    #[arg(long, value_name = "PATH")]
    pub(crate) socket: Option<PathBuf>,
    #[command(flatten)]
    pub(crate) json: Json,
}
