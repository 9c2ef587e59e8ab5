//! `slipwright completions`: a completion script for a shell.

use std::io::Write;

use clap::CommandFactory;

use crate::Answer;
use crate::cli::{Cli, CompletionsArgs};
use crate::failure::Failure;

pub(crate) fn run(args: &CompletionsArgs, out: &mut impl Write) -> Result<Answer, Failure> {
    let mut script = Vec::new();
    clap_complete::generate(args.shell, &mut Cli::command(), "slipwright", &mut script);
    out.write_all(&script).map_err(Failure::Printing)?;
    Ok(Answer::Done)
}
