//! `watch`: the live view of a running recorder.

#[cfg(not(target_os = "linux"))]
pub(crate) fn run(
    _: &crate::cli::WatchArgs,
    _: &mut impl std::io::Write,
) -> Result<crate::Answer, crate::failure::Failure> {
    Err(super::needs_linux("watch"))
}

#[cfg(target_os = "linux")]
pub(crate) use linux::{STOP, run};

#[cfg(target_os = "linux")]
mod linux {
    use std::io::{IsTerminal, Write};
    use std::path::Path;
    use std::process;

    use slipwright_analysis::test_card::Need;
    use slipwright_logger::recorder::control::{self, ControlError, Reply, Request};

    use crate::car::read_car;
    use crate::cli::WatchArgs;
    use crate::contract::{self, PlanFile, WatchOutput};
    use crate::failure::Failure;
    use crate::watch::{Count, Counter, Ended, Settings, show};
    use crate::{Answer, progress};

    /// Exit code by which the view asks the recorder that started it to end the recording.
    pub(crate) const STOP: i32 = 3;

    pub(crate) fn run(args: &WatchArgs, out: &mut impl Write) -> Result<Answer, Failure> {
        let need = args.plan.as_deref().map_or(Ok(Need::default()), need)?;
        let counter = match &args.vehicle {
            Some(path) => Ok(Counter::new(read_car(path, None)?)),
            None => Err("needs --vehicle to be counted".to_owned()),
        };
        if args.json.json {
            return once(args, counter, need, out);
        }
        if !std::io::stdout().is_terminal() || !std::io::stdin().is_terminal() {
            return Err(Failure::Usage(
                "watch needs a terminal; use status, or watch --json".to_owned(),
            ));
        }
        // Whatever is printed now would fall into the picture.
        progress::silence();
        let settings = Settings {
            socket: args.socket.clone(),
            counter,
            need,
            with_recorder: args.with_recorder,
        };
        match show(settings).map_err(Failure::Printing)? {
            Ended::Left => Ok(Answer::Done),
            // Between the recorder and its view only; a shell never sees it.
            Ended::Stop => process::exit(STOP),
        }
    }

    /// What the comparison needs, from a plan.
    fn need(path: &Path) -> Result<Need, Failure> {
        let text = std::fs::read_to_string(path).map_err(Failure::reading(path))?;
        let plan: PlanFile = serde_json::from_str(&text).map_err(|error| {
            Failure::content(
                path,
                format!("not a plan ({error}); make one with slipwright plan --out"),
            )
        })?;
        Ok(plan.need())
    }

    fn once(
        args: &WatchArgs,
        counter: Result<Counter, String>,
        need: Need,
        out: &mut impl Write,
    ) -> Result<Answer, Failure> {
        let status = match control::ask(args.socket.as_deref(), &Request::Status) {
            Ok(Reply::Status(status)) => Some(*status),
            Ok(_) => return Err(super::super::wrong_answer()),
            Err(ControlError::Nobody) => None,
            Err(error) => return Err(Failure::Usage(error.to_string())),
        };
        let drive = status.as_ref().and_then(|s| Some((s, s.drive.as_ref()?)));
        let count = drive.map(|(status, drive)| Count {
            drive: drive.folder.clone(),
            tally: counter.and_then(|mut counter| {
                counter.folder(&Path::new(&status.out).join(&drive.folder), &drive.file)
            }),
        });
        let answer = if status.is_some() {
            Answer::Done
        } else {
            Answer::No
        };
        contract::print(out, &WatchOutput::new(status, count, need))?;
        Ok(answer)
    }
}
