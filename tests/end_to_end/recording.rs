//! The recorder's commands where no bus is needed: help, refusals, and no recorder to talk to.
//! Everything else runs on a real kernel's CAN (`tests/real-bus`).
#![cfg(target_os = "linux")]

use serde_json::Value;

use crate::program::slipwright;

#[test]
fn every_help_text_is_as_reviewed() {
    let mut text = String::new();
    for command in ["record", "mark", "status"] {
        let run = slipwright([command, "--help"]);
        assert_eq!((run.code, run.err.as_str()), (0, ""));
        text.push_str(&format!("===== slipwright {command}\n{}\n", run.out));
    }
    insta::assert_snapshot!(text);
}

#[test]
fn without_a_recorder_the_answer_is_no() {
    let folder = tempfile::tempdir().unwrap();
    let socket = folder.path().join("recorder.sock");
    let socket = socket.to_str().unwrap();
    let status = slipwright(["status", "--json", "--socket", socket]);
    assert_eq!(status.code, 1);
    assert_eq!(status.json::<Value>()["running"], false);
    let mark = slipwright(["mark", "launch", "--socket", socket]);
    insta::assert_snapshot!(mark.refused(), @"no recorder is running; start one with: slipwright record IFACE --out DIR");
}

#[test]
fn wrong_use_is_refused_before_anything_is_opened() {
    let folder = tempfile::tempdir().unwrap();
    let out = folder.path().join("drives");
    let out = out.to_str().unwrap();
    let refused = |arguments: &[&str]| {
        let all = ["record", "can0", "--out", out];
        let run = slipwright(all.iter().chain(arguments));
        run.refused().to_owned()
    };
    insta::assert_snapshot!(refused(&["can0"]), @"");
    insta::assert_snapshot!(refused(&["--gnss", "nowhere"]), @"");
    insta::assert_snapshot!(refused(&["--quiet-after", "0"]), @"");
    insta::assert_snapshot!(refused(&["--ask", "sample-logs/decoder.toml"]), @"");
    insta::assert_snapshot!(refused(&["--ask", "dbc-free-decoders/standard/obd2.toml", "--ask-every", "10"]), @"");
    insta::assert_snapshot!(refused(&["--vehicle", "sample-logs/decoder.toml"]), @"");
    assert!(!std::path::Path::new(out).exists());
}
