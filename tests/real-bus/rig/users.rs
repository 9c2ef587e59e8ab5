//! Who may talk to a recorder.

use std::os::unix::fs::PermissionsExt;
use std::os::unix::process::CommandExt;
use std::path::Path;
use std::process::Command;

use crate::Outcome;
use crate::bus::{Sender, Virtual, numbered};
use crate::recorder::{PROGRAM, Recorder, folder, mark};

const SOCKET: &str = "/run/slipwright/recorder.sock";
/// A user who is not the recorder's (nobody, by common practice).
const STRANGER: u32 = 65_534;

/// A mark by another user; what the program said.
fn strangers_mark() -> Result<String, Box<dyn std::error::Error>> {
    let run = Command::new(PROGRAM)
        .args(["mark", "by a stranger", "--socket", SOCKET])
        .uid(STRANGER)
        .gid(STRANGER)
        .output()?;
    match run.status.code() {
        Some(2) => Ok(String::from_utf8_lossy(&run.stderr).into_owned()),
        code => Err(format!("another user's mark ended with {code:?}").into()),
    }
}

fn allow(path: &Path, mode: u32) -> std::io::Result<()> {
    std::fs::set_permissions(path, std::fs::Permissions::from_mode(mode))
}

/// Another user is kept out by the folder's and the socket's modes, and were they opened, by the
/// recorder itself.
pub(crate) fn another_user(_: &str) -> Outcome {
    let _bus = Virtual::new("vcan0")?;
    let recorder = Recorder::start(&["vcan0"], &folder("users")?, &[])?;
    Sender::open("vcan0")?.send(&numbered(0x100, 0))?;
    recorder.until_frames(1)?;
    let kept_out = strangers_mark()?;
    if !kept_out.contains("answers only the user who runs it") {
        return Err(format!("kept out by other means: {kept_out}").into());
    }
    let socket = Path::new(SOCKET);
    allow(socket, 0o666)?;
    allow(Path::new("/run/slipwright"), 0o777)?;
    let unanswered = strangers_mark()?;
    if !unanswered.contains("answers only the user who runs it") {
        return Err(format!("answered: {unanswered}").into());
    }
    if mark("by the same user")? != 0 {
        return Err("the same user was refused".into());
    }
    let kept = recorder.stop()?;
    match kept.has_mark("by the same user") && !kept.has_mark("stranger") {
        true => Ok("refused twice, no mark left".to_owned()),
        false => Err(format!("marks {:?}", kept.marks).into()),
    }
}
