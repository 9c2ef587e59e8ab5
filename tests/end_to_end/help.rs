//! Help is text people read, so its wording is reviewed like code.

use crate::program::slipwright;

#[test]
fn every_help_text_is_as_reviewed() {
    let mut text = String::new();
    for command in [
        "",
        "decode",
        "measure",
        "compare",
        "simulate",
        "completions",
    ] {
        let arguments = [command, "--help"];
        let run = slipwright(arguments.iter().filter(|a| !a.is_empty()));
        assert_eq!((run.code, run.err.as_str()), (0, ""));
        text.push_str(&format!("===== slipwright {command}\n{}\n", run.out));
    }
    insta::assert_snapshot!(text);
}

#[test]
fn completions_name_every_command() {
    for shell in ["bash", "zsh", "fish"] {
        let run = slipwright(["completions", shell]);
        assert_eq!(run.code, 0);
        for command in ["decode", "measure", "compare", "simulate"] {
            assert!(
                run.out.contains(command),
                "{shell} does not complete {command}"
            );
        }
    }
}
