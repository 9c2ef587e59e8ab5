//! `slipwright stack`: measured parts to the stack to build.

use std::fs;
use std::io::Write;

use slipwright_analysis::stack::{Parts, choose};

use crate::Answer;
use crate::car::read_vehicle;
use crate::cli::StackArgs;
use crate::contract::{self, StackOutput};
use crate::failure::Failure;
use crate::text;

pub(crate) fn run(args: &StackArgs, out: &mut impl Write) -> Result<Answer, Failure> {
    let path = &args.parts;
    let text = fs::read_to_string(path).map_err(Failure::reading(path))?;
    let parts = Parts::parse(&text).map_err(Failure::toml(path))?;
    let vehicle = args.vehicle.as_deref().map(read_vehicle).transpose()?;
    let stacks =
        choose(&parts, vehicle.as_ref(), args.choices.into()).map_err(Failure::toml(path))?;
    match args.json.json {
        true => contract::print(out, &StackOutput::new(&stacks, &parts))?,
        false => out
            .write_all(text::stacks(&stacks, &parts).as_bytes())
            .map_err(Failure::Printing)?,
    }
    Ok(if stacks.choices.is_empty() {
        Answer::No
    } else {
        Answer::Done
    })
}
