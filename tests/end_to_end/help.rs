//! Help is text people read, so its wording is reviewed like code.

use crate::program::slipwright;

/// Reviewed in `recording.rs`.
const RECORDERS: [&str; 3] = ["record", "mark", "status"];

/// The commands that a command's help lists.
fn commands_of(command: &[String]) -> Vec<String> {
    let run = slipwright(command.iter().map(String::as_str).chain(["--help"]));
    let listed = run
        .out
        .lines()
        .skip_while(|line| *line != "Commands:")
        .skip(1);
    let names = listed
        .take_while(|line| !line.is_empty())
        .filter_map(|line| {
            let name = line.strip_prefix("  ")?;
            name.split(' ').next().filter(|name| !name.is_empty())
        });
    names
        .filter(|name| *name != "help")
        .map(str::to_owned)
        .collect()
}

#[test]
fn every_help_text_is_as_reviewed() {
    let mut text = String::new();
    // The recorder's commands are there on every system, but their help is not the same.
    let reviewed = |name: &String| !RECORDERS.contains(&name.as_str());
    let mut commands: Vec<Vec<String>> = vec![Vec::new()];
    for name in commands_of(&[]).into_iter().filter(reviewed) {
        let name = vec![name];
        let inner = commands_of(&name);
        commands.push(name.clone());
        commands.extend(
            inner
                .into_iter()
                .map(|inner| [name.clone(), vec![inner]].concat()),
        );
    }
    for command in commands {
        let run = slipwright(command.iter().map(String::as_str).chain(["--help"]));
        assert_eq!((run.code, run.err.as_str()), (0, ""));
        text.push_str(&format!(
            "===== slipwright {}\n{}\n",
            command.join(" "),
            run.out
        ));
    }
    insta::assert_snapshot!(text);
}

#[test]
fn completions_name_every_command() {
    for shell in ["bash", "zsh", "fish"] {
        let run = slipwright(["completions", shell]);
        assert_eq!(run.code, 0);
        for command in &commands_of(&[]) {
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
