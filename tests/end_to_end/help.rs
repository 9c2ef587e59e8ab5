//! Help is text people read, so its wording is reviewed like code.

use crate::program::slipwright;

#[test]
fn every_help_text_is_as_reviewed() {
    let mut text = String::new();
    for command in [
        "",
        "check",
        "decode",
        "measure",
        "compare",
        "plan",
        "watch",
        "diagnose",
        "stack",
        "trend",
        "book",
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
        for command in [
            "record", "mark", "status", "check", "decode", "measure", "compare", "diagnose",
            "stack", "trend", "book", "simulate", "find",
        ] {
            assert!(
                run.out.contains(command),
                "{shell} does not complete {command}"
            );
        }
    }
}

/// The README's table of measures is the program's own list.
#[test]
fn the_readme_lists_every_measure_with_its_unit() {
    let readme = std::fs::read_to_string(crate::program::root().join("README.md")).unwrap();
    let listed: Vec<&str> = readme
        .lines()
        .filter(|line| {
            line.starts_with("| `") && !line.contains("slipwright") && line.ends_with("er |")
        })
        .collect();
    let run = crate::program::slipwright([
        "measure".as_ref(),
        crate::program::sample("before/before-1.pcapng.zst").as_os_str(),
        "--vehicle".as_ref(),
        crate::program::sample("vehicle.toml").as_os_str(),
        "--json".as_ref(),
    ]);
    let measured: serde_json::Value = run.json();
    let engagement = measured["drives"][0]["engagements"][0].as_object().unwrap();
    let mut names: Vec<&String> = engagement
        .iter()
        .filter(|(_, v)| v.get("value").is_some())
        .map(|(name, _)| name)
        .collect();
    names.sort();
    let mut in_readme: Vec<String> = listed
        .iter()
        .map(|line| line.split('`').nth(1).unwrap().to_owned())
        .collect();
    in_readme.sort();
    assert!(
        names
            .iter()
            .map(|n| n.as_str())
            .eq(in_readme.iter().map(String::as_str)),
        "{names:?} {in_readme:?}"
    );
}
