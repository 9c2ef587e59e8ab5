//! The `slipwright` command line: the only place that knows arguments, files given by name,
//! terminals and exit codes. Everything it says comes from the libraries as values.
//!
//! - [`cli`]: what may be typed.
//! - [`commands`]: one file a command, each `run(&Args, &mut Write) -> Result<Answer, Failure>`.
//! - [`car`]: vehicle and decoder files, from path to value; [`input`]: captures, to signals and measures.
//! - [`history`]: the drives of a folder; [`cache`]: what was read and measured of captures, kept.
//! - [`book`]: the car's book as files; [`reminders`]: what is due; [`campaign`]: which of its drives are compared;
//!   [`once`]: none of them twice.
//! - [`content`]: which file it is, by its bytes; [`dataset`]: engagements of a fleet as Parquet;
//!   [`table_library`], [`parquet_claims`]: damaged tables that must harm nobody.
//! - [`contract`]: what `--json` prints; [`text`]: the same for people.
//! - [`watch`]: the live view.
//! - [`workers`]: work on all processors; [`progress`]: words and bars on standard error.
//! - [`output`]: files written whole or not at all; [`page`]: a page and its pictures.
//! - [`failure`]: every error as one plain line; [`usage`]: what was typed wrong.

// A fuzz target compiles this file as its library.
#![cfg_attr(fuzzing, allow(dead_code))]

mod book;
mod cache;
mod campaign;
mod car;
mod cli;
mod commands;
mod content;
mod contract;
mod dataset;
mod failure;
mod history;
mod input;
mod once;
mod output;
mod page;
mod parquet_claims;
mod progress;
mod reminders;
mod table_library;
#[cfg(any(test, fuzzing))]
pub mod tables;
mod text;
mod usage;
#[cfg(target_os = "linux")]
mod watch;
mod workers;

use std::io::Write;
use std::process::ExitCode;

use clap::Parser;

use crate::cli::{Cli, Command};
use crate::failure::Failure;

/// What a command that ran to its end has to say to the shell.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Answer {
    /// Done.
    Done,
    /// Done, and the answer is no: not ready, not judgeable.
    No,
    /// Done for some inputs; others could not be read and were named on standard error.
    Partly,
}

fn main() -> ExitCode {
    let cli = match Cli::try_parse() {
        Ok(cli) => cli,
        Err(error) => {
            let first = std::env::args_os().nth(1);
            let first = first.as_deref().and_then(|word| word.to_str());
            let Some(line) = usage::line(&error, first) else {
                error.exit()
            };
            progress::say(&line);
            return ExitCode::from(2);
        }
    };
    let mut out = std::io::stdout().lock();
    let result = run(&cli, &mut out).and_then(|answer| {
        out.flush().map_err(Failure::Printing)?;
        Ok(answer)
    });
    match result {
        Ok(Answer::Done) => ExitCode::SUCCESS,
        Ok(Answer::No) => ExitCode::from(1),
        Ok(Answer::Partly) => ExitCode::from(2),
        // The reader of our output has gone; there is nobody to tell.
        Err(failure) if failure.is_broken_pipe() => ExitCode::SUCCESS,
        Err(failure) => {
            progress::say(&failure.to_string());
            ExitCode::from(2)
        }
    }
}

fn run(cli: &Cli, out: &mut impl Write) -> Result<Answer, Failure> {
    match &cli.command {
        Command::Record(args) => commands::record::run(args, out),
        Command::Mark(args) => commands::mark::run(args, out),
        Command::Status(args) => commands::status::run(args, out),
        Command::Watch(args) => commands::watch::run(args, out),
        Command::Plan(args) => commands::plan::run(args, out),
        Command::Check(args) => commands::check::run(args, out),
        Command::Decode(args) => commands::decode::run(args, out),
        Command::Find(args) => commands::find::run(args, out),
        Command::Measure(args) => commands::measure::run(args, out),
        Command::Compare(args) => commands::compare::run(args, out),
        Command::Stack(args) => commands::stack::run(args, out),
        Command::Trend(args) => commands::trend::run(args, out),
        Command::Book(args) => commands::book::run(args, out),
        Command::Diagnose(args) => commands::diagnose::run(args, out),
        Command::Simulate(args) => commands::simulate::run(args, out),
        Command::Completions(args) => commands::completions::run(args, out),
    }
}
