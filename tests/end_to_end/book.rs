//! `book`: made, written to, compared, asked what is due.

use std::fs;
use std::path::Path;

use serde_json::Value;

use crate::json::Compared;
use crate::program::{Run, sample, slipwright};

fn run(command: &[&str], paths: &[&Path], more: &[&str]) -> Run {
    let mut arguments: Vec<std::ffi::OsString> = command.iter().map(Into::into).collect();
    arguments.extend(paths.iter().map(|p| p.as_os_str().to_owned()));
    arguments.extend(more.iter().map(Into::into));
    slipwright(arguments)
}

/// A book of the sample car, with the sample drives in it.
fn sample_book(folder: &Path) -> std::path::PathBuf {
    let book = folder.join("my car");
    let vehicle = sample("vehicle.toml");
    let begun = run(
        &["book", "new"],
        &[&book],
        &["--vehicle", vehicle.to_str().unwrap()],
    );
    assert_eq!((begun.code, begun.err.as_str()), (0, ""));
    for side in ["before", "after"] {
        for drive in 1..=4 {
            let name = format!("{side}-{drive}.pcapng.zst");
            let of_drive = book.join(format!("drives/{side}-{drive}"));
            fs::create_dir(&of_drive).unwrap();
            fs::copy(sample(&format!("{side}/{name}")), of_drive.join(&name)).unwrap();
            fs::write(of_drive.join("drive.toml"), "odometer_km = 181000\n").unwrap();
        }
    }
    book
}

/// The sample drives are of 14 May and 18 June 2024; see their scenarios.
#[test]
fn a_book_finds_the_sets_of_a_comparison_itself() {
    let folder = tempfile::tempdir().unwrap();
    let book = sample_book(folder.path());
    let parts = sample("parts.toml");
    let nothing = run(&["compare", "--book"], &[&book], &[]);
    assert!(nothing.refused().contains("no work is written down"));
    let written = run(
        &["book", "work"],
        &[&book],
        &[
            "--title",
            "Fitted new parts",
            "--date",
            "2024-06-01",
            "--odometer",
            "181000",
            "--done",
            "stack",
            "--done",
            "fluid",
            "--fault",
            "two discs glazed",
            "--fluid-litres",
            "0.7",
            "--parts",
            parts.to_str().unwrap(),
            "--json",
        ],
    );
    assert_eq!((written.code, written.err.as_str()), (0, ""));
    let file = book.join("work/2024-06-01-fitted-new-parts.toml");
    let text = fs::read_to_string(&file).unwrap();
    for part in [
        "21.9",
        "two discs glazed",
        "amount_l = 0.7",
        "plate 0.9, reused, as spacer",
    ] {
        assert!(text.contains(part), "{part}: {text}");
    }
    // What some programs that copy folders leave beside each file.
    fs::write(book.join("work/._copied.toml"), [0, 0xFF]).unwrap();
    let again = run(
        &["book", "work"],
        &[&book],
        &["--title", "Fitted new parts", "--date", "2024-06-01"],
    );
    assert!(again.refused().contains("in the way"), "{}", again.err);
    assert_eq!(fs::read_to_string(&file).unwrap(), text);
    let compared: Compared = run(&["compare", "--json", "--book"], &[&book], &[]).json();
    assert_eq!((compared.before.drives, compared.after.drives), (4, 4));
    assert_eq!(compared.verdict, "reduced");
    let named = run(
        &["compare", "--json", "--book"],
        &[&book],
        &["--work", "Fitted new parts"],
    );
    let named: Compared = named.json();
    assert_eq!(named.sentence, compared.sentence);
    let unknown = run(&["compare", "--book"], &[&book], &["--work", "valve"]);
    assert!(
        unknown.refused().contains("2024-06-01-fitted-new-parts"),
        "{}",
        unknown.err
    );
    let trend: Value = run(&["trend", "--json"], &[&book], &[]).json();
    assert_eq!(trend["work"][0]["title"], "Fitted new parts");
    assert_eq!(trend["drives"].as_array().unwrap().len(), 8);
    // Four drives since the work set no band.
    assert!(
        trend["healthy"]["why"]
            .as_str()
            .unwrap()
            .contains("only 4 drives since the newest work")
    );
}

#[test]
fn reminders_go_by_the_owners_intervals_and_the_work_of_friction() {
    let folder = tempfile::tempdir().unwrap();
    let book = sample_book(folder.path());
    let due = |today: &str| run(&["book", "due", "--json"], &[&book], &["--today", today]);
    let none: Value = due("2024-07-01").json();
    assert_eq!(none["reminders"].as_array().unwrap().len(), 0);
    assert_eq!(none["drives"], 8);
    let reminders = "[[reminder]]\nwhat = \"change the fluid\"\nafter = \"fluid\"\nevery_months = 12\n\
                     every_friction_work_mj = 50\n";
    fs::write(book.join("reminders.toml"), reminders).unwrap();
    let work = [
        "--title",
        "fluid",
        "--date",
        "2024-06-01",
        "--done",
        "fluid",
    ];
    assert_eq!(run(&["book", "work"], &[&book], &work).code, 0);
    let soon = due("2024-07-01");
    assert_eq!(soon.code, 0, "{}", soon.err);
    let soon: Value = soon.json();
    let reminder = &soon["reminders"][0];
    assert_eq!(
        (&reminder["state"], &reminder["since_work"]),
        (&"not yet".into(), &"2024-06-01-fluid".into())
    );
    // The friction work of the drives since then, by measure's own numbers.
    let mut sum = 0.0;
    for drive in 1..=4 {
        let capture = sample(&format!("after/after-{drive}.pcapng.zst"));
        let vehicle = sample("vehicle.toml");
        let measured: Value = run(
            &["measure", "--json"],
            &[&capture],
            &["--vehicle", vehicle.to_str().unwrap()],
        )
        .json();
        for engagement in measured["drives"][0]["engagements"].as_array().unwrap() {
            sum += engagement["friction_work_j"]["value"]
                .as_f64()
                .unwrap_or(0.0);
        }
    }
    let used = reminder["intervals"][1]["used"].as_f64().unwrap();
    assert!(sum > 0.0 && (used - sum / 1e6).abs() < 1e-9, "{used} {sum}");
    let late = due("2025-07-01");
    assert_eq!(late.code, 1);
    assert_eq!(late.json::<Value>()["reminders"][0]["state"], "due");
    // The series and the comparison say the same, and on their pages what is due.
    let now: Value = run(&["book", "due", "--json"], &[&book], &[]).json();
    assert_eq!(now["reminders"][0]["state"], "due");
    for (command, flag, page) in [
        ("trend", "", "trend.html"),
        ("compare", "--book", "report.html"),
    ] {
        let out = folder.path().join(command);
        let words: Vec<&str> = [command, flag]
            .into_iter()
            .filter(|w| !w.is_empty())
            .collect();
        let more = ["--out", out.to_str().unwrap()];
        let said = run(&words, &[&book], &more);
        assert!(said.code < 2, "{}", said.err);
        let told = "service reminders\ndue: change the fluid (since work 2024-06-01-fluid)";
        assert!(said.out.contains(told), "{}", said.out);
        let json: Value = run(&words, &[&book], &["--json"]).json();
        for part in ["what", "state", "since_work"] {
            assert_eq!(
                json["reminders"][0][part], now["reminders"][0][part],
                "{command}"
            );
        }
        let interval = |json: &Value| json["reminders"][0]["intervals"][1].clone();
        assert_eq!(interval(&json), interval(&now), "{command}");
        let html = fs::read_to_string(out.join(page)).unwrap();
        assert!(html.contains("Service reminders") && html.contains("change the fluid"));
    }
    fs::write(book.join("reminders.toml"), reminders.replace("12", "0")).unwrap();
    assert!(
        due("2024-07-01")
            .refused()
            .contains("reminders.toml:4: an interval")
    );
}

#[test]
fn a_book_is_begun_whole_or_not_at_all() {
    let folder = tempfile::tempdir().unwrap();
    let book = folder.path().join("book");
    let refused = run(&["book", "new"], &[&book], &["--vehicle", "absent.toml"]);
    assert!(
        refused.refused().contains("absent.toml: no such file"),
        "{}",
        refused.err
    );
    assert_eq!(fs::read_dir(folder.path()).unwrap().count(), 0);
    assert_eq!(run(&["book", "new"], &[&book], &[]).code, 0);
    let mut names: Vec<String> = fs::read_dir(&book)
        .unwrap()
        .map(|entry| entry.unwrap().file_name().into_string().unwrap())
        .collect();
    names.sort();
    assert_eq!(names, ["drives", "reminders.toml", "vehicle.toml", "work"]);
    let twice = run(&["book", "new"], &[&book], &[]);
    assert!(
        twice.refused().contains("something in this folder"),
        "{}",
        twice.err
    );
    let none = run(&["book", "due"], &[folder.path()], &[]);
    assert!(none.refused().contains("no vehicle.toml"), "{}", none.err);
    fs::write(
        book.join("work/a.toml"),
        "date = 2026-05-01\ntitel = \"a\"\n",
    )
    .unwrap();
    assert!(
        run(&["book", "due"], &[&book], &[])
            .refused()
            .contains("a.toml:2: unknown key")
    );
}
