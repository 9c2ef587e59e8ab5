//! The test program inside the guest: drives the built recorder on the kernel's CAN and reads back
//! what it kept. `rig NAME...` runs scenarios in turn; `rig` alone runs those of every change.
//!
//! - [`bus`]: buses made, brought down and removed; frames sent and overheard.
//! - [`recorder`]: the recorder as a process; [`kept`]: what it kept, read back.
//! - [`isotp`]: the kernel's ISO-TP sockets, for units that answer.
//! - [`terminal`]: a terminal for programs that want one.
//! - `load`, `kinds`, `live`, `users`, `faults`, `disk`, `crash`, `time`, `ask`, `satellite`,
//!   `service`, `log_a_drive`, `watched`, `check`: the scenarios, by what they are about.

#[cfg(target_os = "linux")]
mod ask;
#[cfg(target_os = "linux")]
mod bus;
#[cfg(target_os = "linux")]
mod check;
#[cfg(target_os = "linux")]
mod crash;
#[cfg(target_os = "linux")]
mod disk;
#[cfg(target_os = "linux")]
mod faults;
#[cfg(target_os = "linux")]
mod isotp;
#[cfg(target_os = "linux")]
mod kept;
#[cfg(target_os = "linux")]
mod kinds;
#[cfg(target_os = "linux")]
mod live;
#[cfg(target_os = "linux")]
mod load;
#[cfg(target_os = "linux")]
mod log_a_drive;
#[cfg(target_os = "linux")]
mod recorder;
#[cfg(target_os = "linux")]
mod satellite;
#[cfg(target_os = "linux")]
mod service;
#[cfg(target_os = "linux")]
mod terminal;
#[cfg(target_os = "linux")]
mod time;
#[cfg(target_os = "linux")]
mod users;
#[cfg(target_os = "linux")]
mod watched;

#[cfg(not(target_os = "linux"))]
fn main() {}

/// What went wrong, in words.
#[cfg(target_os = "linux")]
type Outcome = Result<String, Box<dyn std::error::Error>>;

/// A scenario with the argument that stands behind its name and a colon.
#[cfg(target_os = "linux")]
type Scenario = fn(&str) -> Outcome;

/// Every scenario; the flag says whether every change runs it.
#[cfg(target_os = "linux")]
const SCENARIOS: &[(&str, bool, Scenario)] = &[
    ("kinds", true, kinds::every_kind),
    ("controllers", true, kinds::two_controllers),
    ("live", true, live::signals_and_slip),
    ("log-a-drive", true, log_a_drive::as_the_readme_says),
    ("watched", true, watched::by_keys),
    ("check", true, check::by_listening),
    ("check-ask", true, check::by_asking),
    ("users", true, users::another_user),
    ("counted", true, load::drops_are_counted),
    ("down-and-up", true, faults::down_and_up),
    ("deleted", true, faults::deleted_and_made_anew),
    ("unplugged", true, faults::unplugged),
    ("bus-off", true, faults::bus_off),
    ("signals", true, faults::signals),
    ("clock", true, time::clock_set),
    ("asleep", true, time::asleep),
    ("full-disk", true, disk::full),
    ("read-only-disk", true, disk::read_only),
    ("ask", true, ask::every_answer),
    ("satellite", true, satellite::through_gpsd),
    ("killed", true, crash::killed),
    ("drain", true, load::drain),
    ("flood", true, load::flood),
    ("service", false, service::under_systemd),
    ("cut", false, crash::record_until_cut),
    ("after-cut", false, crash::after_cut),
];

#[cfg(target_os = "linux")]
#[allow(clippy::print_stdout, reason = "the console is how the guest reports")]
fn main() -> std::process::ExitCode {
    let mut names: Vec<String> = std::env::args().skip(1).collect();
    if names.is_empty() {
        names = SCENARIOS
            .iter()
            .filter(|s| s.1)
            .map(|s| s.0.to_owned())
            .collect();
    }
    let mut failed = 0;
    for name in names {
        let (name, argument) = name.split_once(':').unwrap_or((&name, ""));
        let Some((_, _, run)) = SCENARIOS.iter().find(|s| s.0 == name) else {
            println!("rig: FAILED {name}: no such scenario");
            failed += 1;
            continue;
        };
        let started = std::time::Instant::now();
        let outcome = run(argument);
        let seconds = started.elapsed().as_secs_f64();
        match outcome {
            Ok(said) => println!("rig: passed {name} ({seconds:.1} s) {said}"),
            Err(error) => {
                println!("rig: FAILED {name} ({seconds:.1} s): {error}");
                failed += 1;
            }
        }
    }
    std::process::ExitCode::from(u8::from(failed > 0))
}
