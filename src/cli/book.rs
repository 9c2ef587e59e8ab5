//! Arguments of `book`.

use std::path::PathBuf;

use clap::{Args, Subcommand};

use super::{Fresh, Json};

#[derive(Debug, Args)]
#[command(after_help = "Examples:
  slipwright book new my-car --vehicle car/vehicle.toml
  slipwright book work my-car --title \"pack rebuilt\" --done stack --done fluid --odometer 181000
  slipwright book due my-car

A book is a folder of plain files: vehicle.toml, decoder.toml, reminders.toml, work/, drives/. Put \
each drive into drives/, for instance with slipwright record --out my-car/drives. Files are written \
whole or not at all; change them by hand as you like.")]
pub(crate) struct BookArgs {
    #[command(subcommand)]
    pub(crate) command: BookCommand,
}

#[derive(Debug, Subcommand)]
pub(crate) enum BookCommand {
    /// Begin a book for a car
    New(NewBookArgs),
    /// Write down work done on the car
    Work(BookWorkArgs),
    /// Tell what is due by the intervals in reminders.toml
    Due(BookDueArgs),
}

#[derive(Debug, Args)]
#[command(after_help = "Example:
  slipwright book new my-car --vehicle sample-logs/vehicle.toml")]
pub(crate) struct NewBookArgs {
    /// Folder to make
    #[arg(value_name = "DIR")]
    pub(crate) folder: PathBuf,
    /// Vehicle file to copy, with the decoder file that it names; a form to fill in if left out
    #[arg(long, value_name = "FILE")]
    pub(crate) vehicle: Option<PathBuf>,
    #[command(flatten)]
    pub(crate) json: Json,
}

#[derive(Debug, Args)]
#[command(after_help = "Example:
  slipwright book work my-car --title \"pack rebuilt\" --done stack --done fluid --date 2026-05-01 \
--odometer 181000 --fault \"two discs glazed\" --fluid-litres 0.7 --parts parts.toml

The words after --done are your own; reminders.toml counts from them.")]
pub(crate) struct BookWorkArgs {
    /// The book's folder
    #[arg(value_name = "DIR")]
    pub(crate) folder: PathBuf,
    /// What was done, in a few words
    #[arg(long)]
    pub(crate) title: String,
    /// When: 2026-05-01 or 2026-05-01T14:00:00Z; today if left out
    #[arg(long, value_name = "DATE")]
    pub(crate) date: Option<String>,
    /// Distance on the odometer, km
    #[arg(long, value_name = "KM")]
    pub(crate) odometer: Option<f64>,
    /// What was done, as a word that a reminder counts from; may be given again
    #[arg(long, value_name = "WORD")]
    pub(crate) done: Vec<String>,
    /// A fault that was found; may be given again
    #[arg(long, value_name = "TEXT")]
    pub(crate) fault: Vec<String>,
    /// What the fluid filled in is called
    #[arg(long, value_name = "TEXT")]
    pub(crate) fluid: Option<String>,
    /// How much fluid was filled in, litres
    #[arg(long, value_name = "L")]
    pub(crate) fluid_litres: Option<f64>,
    /// Parts file of the stack that was fitted: the best stack of slipwright stack goes into the book
    #[arg(long, value_name = "PARTS")]
    pub(crate) parts: Option<PathBuf>,
    /// Free text
    #[arg(long, value_name = "TEXT", default_value = "")]
    pub(crate) notes: String,
    #[command(flatten)]
    pub(crate) json: Json,
}

#[derive(Debug, Args)]
#[command(after_help = "Example:
  slipwright book due my-car

reminders.toml holds your own intervals in months, kilometres and friction work; friction work is \
summed over the drives of the book. Exit code 1: something is due.")]
pub(crate) struct BookDueArgs {
    /// The book's folder
    #[arg(value_name = "DIR")]
    pub(crate) folder: PathBuf,
    /// The day it is, as 2026-05-01; today if left out
    #[arg(long, value_name = "DATE")]
    pub(crate) today: Option<String>,
    #[command(flatten)]
    pub(crate) fresh: Fresh,
    #[command(flatten)]
    pub(crate) json: Json,
}
