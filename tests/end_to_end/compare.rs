//! `compare` on the sample drives, whose truth the simulator wrote beside them.

use std::fs;
use std::path::PathBuf;

use serde::Deserialize;

use crate::json::Compared;
use crate::program::{Run, sample, slipwright};

#[derive(Deserialize)]
struct Truth {
    drives: Vec<TrueDrive>,
}

#[derive(Deserialize)]
struct TrueDrive {
    engagements: Vec<TrueEngagement>,
}

#[derive(Clone, Deserialize)]
struct TrueEngagement {
    engagement_delay_ms: Option<f64>,
    steady_slip_mps: Option<f64>,
    kind: String,
    dead_time_ms: Option<f64>,
    peak_slip_mps: Option<f64>,
    slip_distance_m: Option<f64>,
}

/// The true engagements of one side, drive by drive.
fn truth(side: &str) -> Vec<Vec<TrueEngagement>> {
    let text = fs::read_to_string(sample(&format!("{side}/truth.json"))).unwrap();
    let truth: Truth = serde_json::from_str(&text).unwrap();
    truth
        .drives
        .into_iter()
        .map(|drive| drive.engagements)
        .collect()
}

fn captures(side: &str) -> Vec<PathBuf> {
    (1..=4)
        .map(|drive| sample(&format!("{side}/{side}-{drive}.pcapng.zst")))
        .collect()
}

fn compare(before: &[PathBuf], after: &[PathBuf], out: Option<&std::path::Path>) -> Run {
    let mut arguments = vec!["compare".into(), "--before".into()];
    arguments.extend(before.iter().map(|path| path.clone().into_os_string()));
    arguments.push("--after".into());
    arguments.extend(after.iter().map(|path| path.clone().into_os_string()));
    arguments.extend([
        "--vehicle".into(),
        sample("vehicle.toml").into_os_string(),
        "--json".into(),
    ]);
    if let Some(folder) = out {
        arguments.extend(["--out".into(), folder.as_os_str().to_owned()]);
    }
    slipwright(arguments)
}

/// Median of all differences, after less before, between engagements of one kind: the shift that
/// the intervals are about.
fn true_shift(of: impl Fn(&TrueEngagement) -> Option<f64>) -> f64 {
    let (before, after) = (truth("before").concat(), truth("after").concat());
    let mut differences: Vec<f64> = before
        .iter()
        .flat_map(|b| {
            after
                .iter()
                .filter(|a| a.kind == b.kind)
                .map(move |a| (b, a))
        })
        .filter_map(|(b, a)| Some(of(a)? - of(b)?))
        .collect();
    differences.sort_by(f64::total_cmp);
    differences[differences.len() / 2]
}

#[test]
fn the_samples_verdict_and_intervals_hold_the_truth() {
    let folder = tempfile::tempdir().unwrap();
    let out = folder.path().join("a new folder");
    let run = compare(&captures("before"), &captures("after"), Some(&out));
    assert_eq!((run.code, run.err.as_str()), (0, ""));
    let compared: Compared = run.json();
    assert_eq!(compared.verdict, "reduced");
    assert!(compared.sentence.contains("slip"), "{}", compared.sentence);
    assert_eq!((compared.before.drives, compared.after.drives), (4, 4));
    for (side, engagements) in [
        ("before", compared.before.engagements),
        ("after", compared.after.engagements),
    ] {
        let true_count: usize = truth(side).iter().map(Vec::len).sum();
        assert!(
            engagements.abs_diff(true_count) <= 2,
            "{side}: {engagements} of {true_count}"
        );
    }
    type Of = fn(&TrueEngagement) -> Option<f64>;
    let measures: [(&str, Of); 5] = [
        ("engagement_delay_ms", |e| e.engagement_delay_ms),
        ("dead_time_ms", |e| e.dead_time_ms),
        ("peak_slip_mps", |e| e.peak_slip_mps),
        ("slip_distance_m", |e| e.slip_distance_m),
        ("steady_slip_mps", |e| e.steady_slip_mps),
    ];
    for (name, of) in measures {
        let measure = compared.measure(name);
        assert_eq!(measure.matched.len(), measure.pairs, "{name}");
        for pair in &measure.matched {
            assert!(pair.before.capture.starts_with("before-"), "{pair:?}");
            assert!(pair.after.capture.starts_with("after-"), "{pair:?}");
            assert!(pair.before.start_s > 0.0 && pair.after.value.is_finite());
        }
        assert!(measure.before_u.is_some_and(|u| u > 0.0), "{name}");
        let (low, high) = (measure.ci_low.unwrap(), measure.ci_high.unwrap());
        let truth = true_shift(of);
        // The truth is over all engagements of a kind, the interval over the matched ones at their
        // mean conditions; a tenth of the bus's 10 ms period covers what lies between the two.
        let slack = if name.ends_with("_ms") { 1.0 } else { 0.0 };
        assert!(
            (low - slack..=high + slack).contains(&truth),
            "{name}: {truth} is outside {low} to {high}"
        );
        assert_eq!(measure.verdict, "reduced", "{name}");
        assert!(
            measure.pairs >= 24 && measure.p.unwrap() < 0.05,
            "{measure:?}"
        );
        assert!(measure.after_median < measure.before_median, "{measure:?}");
        assert!(measure.shift.unwrap() < 0.0 && measure.smallest_provable.unwrap() > 0.0);
    }
    let page = fs::read_to_string(compared.report.unwrap()).unwrap();
    assert!(
        page.contains(&compared.sentence),
        "the page opens with the verdict"
    );
    let again: Compared =
        serde_json::from_str(&fs::read_to_string(out.join("comparison.json")).unwrap()).unwrap();
    assert_eq!(again.verdict, "reduced");
    let table = fs::read(out.join("engagements.parquet")).unwrap();
    assert!(table.starts_with(b"PAR1") && table.ends_with(b"PAR1"));
    assert_eq!(
        fs::read_dir(&out).unwrap().count(),
        3,
        "nothing half-made is left"
    );
}

#[test]
fn one_set_split_in_two_shows_no_change() {
    for side in ["before", "after"] {
        let all = captures(side);
        for split in [[0, 1, 2, 3], [0, 2, 1, 3], [0, 3, 1, 2]] {
            let pick = |part: &[usize]| part.iter().map(|&i| all[i].clone()).collect::<Vec<_>>();
            let run = compare(&pick(&split[..2]), &pick(&split[2..]), None);
            let compared: Compared = run.json();
            assert_eq!(
                compared.verdict, "no change shown",
                "{side} {split:?}: {}",
                compared.sentence
            );
            assert_eq!(run.code, 0);
            assert_eq!(compared.report, None);
        }
    }
}

#[test]
fn what_a_drive_says_of_itself_is_told_with_the_verdict() {
    let folder = tempfile::tempdir().unwrap();
    let cut = folder.path().join("cut.pcapng.zst");
    let mut before = captures("before");
    let bytes = fs::read(&before[0]).unwrap();
    fs::write(&cut, &bytes[..bytes.len() * 9 / 10]).unwrap();
    before[0] = cut;
    let run = compare(&before, &captures("after"), None);
    let compared: Compared = run.json();
    let told = |w: &String| w.starts_with("cut.pcapng.zst: ") && w.contains("cut");
    assert!(
        compared.warnings.iter().any(told),
        "{:?}",
        compared.warnings
    );
}
