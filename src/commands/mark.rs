//! `mark`: a text into the capture of a running recorder, at this moment.

use std::io::Write;

use crate::Answer;
use crate::cli::MarkArgs;
use crate::failure::Failure;

#[cfg(not(target_os = "linux"))]
pub(crate) fn run(_: &MarkArgs, _: &mut impl Write) -> Result<Answer, Failure> {
    Err(super::needs_linux("mark"))
}

#[cfg(target_os = "linux")]
pub(crate) fn run(args: &MarkArgs, out: &mut impl Write) -> Result<Answer, Failure> {
    use slipwright_logger::recorder::control::{self, Reply, Request};

    use crate::contract::{self, MarkOutput};

    let request = Request::Mark {
        text: args.text.clone(),
    };
    let reply = control::ask(args.socket.as_deref(), &request);
    let output = match reply.map_err(|error| Failure::Usage(error.to_string()))? {
        Reply::Marked { at_s, drive } => MarkOutput {
            drive: Some(drive),
            at_s: Some(at_s),
            why: None,
        },
        Reply::Refused { why } => MarkOutput {
            drive: None,
            at_s: None,
            why: Some(why),
        },
        Reply::Status(_) => return Err(super::wrong_answer()),
    };
    if args.json.json {
        contract::print(out, &output)?;
    } else {
        match (&output.drive, output.at_s, &output.why) {
            (Some(drive), Some(at_s), _) => writeln!(out, "marked at {at_s:.1} s of drive {drive}"),
            (_, _, why) => writeln!(out, "{}", why.as_deref().unwrap_or("not marked")),
        }
        .map_err(Failure::Printing)?;
    }
    Ok(if output.why.is_some() {
        Answer::No
    } else {
        Answer::Done
    })
}
