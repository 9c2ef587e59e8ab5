//! Judges observed sets and counts.

use std::collections::BTreeMap;
use std::path::PathBuf;

use slipwright_analysis::diagnosis::{Cause, Diagnosis, Feature, diagnose};
use slipwright_analysis::vehicle::Vehicle;

use crate::cases::Case;

pub(crate) fn judge(files: &[PathBuf], wrong: bool, shifts: bool, changes: bool) {
    let mut cases: Vec<Case> = Vec::new();
    for file in files {
        let text = std::fs::read_to_string(file).expect("a file of observe");
        cases.extend(
            text.lines()
                .filter_map(|line| serde_json::from_str::<Case>(line).ok()),
        );
    }
    if changes {
        for with_baseline in [true, false] {
            for j in judged(&cases, with_baseline) {
                print_changes(&j, with_baseline);
            }
        }
        return;
    }
    for with_baseline in [true, false] {
        println!(
            "\n== {} ==",
            if with_baseline {
                "against healthy drives of the same car"
            } else {
                "against the vehicle file and what is usual"
            }
        );
        count(
            &cases,
            with_baseline,
            wrong && with_baseline,
            shifts && with_baseline,
        );
    }
}

struct Judged<'a> {
    case: &'a Case,
    diagnosis: Diagnosis,
}

fn count(cases: &[Case], with_baseline: bool, wrong: bool, shifts: bool) {
    let judged = judged(cases, with_baseline);
    rates(&judged, wrong);
    confusion(&judged);
    calibration(&judged);
    if shifts {
        print_shifts(&judged);
    }
}

fn print_changes(j: &Judged<'_>, with_baseline: bool) {
    let changes: BTreeMap<&str, [f64; 5]> = j
        .diagnosis
        .changes
        .iter()
        .map(|c| (c.feature.key(), [c.shift, c.u, c.freedom, c.now, c.was]))
        .collect();
    let findings: Vec<(&str, f64)> = j
        .diagnosis
        .findings
        .iter()
        .map(|f| (f.cause.text(), f.probability))
        .collect();
    let line = serde_json::json!({
        "car": j.case.car,
        "baseline": with_baseline,
        "faults": j.case.faults,
        "judgeable": j.diagnosis.judgeable,
        "wiring": j.diagnosis.wiring_sign,
        "changes": changes,
        "findings": findings,
    });
    println!("{line}");
}

fn judged(cases: &[Case], with_baseline: bool) -> Vec<Judged<'_>> {
    let mut judged = Vec::new();
    for case in cases.iter().filter(|c| !c.baseline) {
        let baseline = cases.iter().find(|c| c.baseline && c.car == case.car);
        let baseline = match (with_baseline, baseline) {
            (true, Some(baseline)) => baseline.records.as_slice(),
            (true, None) => continue,
            (false, _) => &[],
        };
        let vehicle = Vehicle::parse(&case.vehicle_toml).expect("a vehicle file");
        let diagnosis = diagnose(&case.records, baseline, &vehicle);
        judged.push(Judged { case, diagnosis });
    }
    judged
}

/// The causes in their order, `healthy` where nothing is found.
fn ranked(diagnosis: &Diagnosis) -> Vec<&'static str> {
    diagnosis.findings.iter().map(|f| f.cause.text()).collect()
}

fn rates(judged: &[Judged<'_>], wrong: bool) {
    let mut counts: BTreeMap<String, (usize, usize)> = BTreeMap::new();
    for j in judged {
        let truth: Vec<&str> = j.case.faults.iter().map(|(c, _)| c.as_str()).collect();
        let ranked = ranked(&j.diagnosis);
        let (group, right) = match truth.as_slice() {
            [] => ("healthy".to_owned(), ranked.first() == Some(&"healthy")),
            [one] => ((*one).to_owned(), ranked.first() == Some(one)),
            // Nothing can be said of a clutch that is not asked to work.
            both if !j.diagnosis.judgeable && both.contains(&"inhibited_or_wiring") => (
                "pair".to_owned(),
                ranked.first() == Some(&"inhibited_or_wiring"),
            ),
            both => (
                "pair".to_owned(),
                both.iter().all(|c| ranked.iter().take(2).any(|r| r == c)),
            ),
        };
        let entry = counts.entry(group).or_default();
        entry.0 += usize::from(right);
        entry.1 += 1;
        if wrong && !right {
            println!(
                "wrong: car {} {:?} judgeable {} -> {:?}",
                j.case.car,
                j.case.faults,
                j.diagnosis.judgeable,
                j.diagnosis
                    .findings
                    .iter()
                    .take(4)
                    .map(|f| (f.cause.text(), (f.probability * 100.0).round()))
                    .collect::<Vec<_>>()
            );
            for c in &j.diagnosis.changes {
                print!(
                    " {} {:+.3}±{:.3}{}",
                    c.feature.key(),
                    c.shift,
                    c.u,
                    if c.shift.abs() > 2.5 * c.u { "*" } else { "" }
                );
            }
            println!();
        }
    }
    println!("| truth | right | of | rate |\n| --- | ---: | ---: | ---: |");
    for (group, (right, all)) in counts {
        println!(
            "| {group} | {right} | {all} | {:.0} % |",
            100.0 * right as f64 / all as f64
        );
    }
}

fn confusion(judged: &[Judged<'_>]) {
    let mut names: Vec<&str> = Cause::ALL.iter().map(|c| c.text()).collect();
    names.push("not judgeable");
    let mut rows: BTreeMap<&str, BTreeMap<&str, usize>> = BTreeMap::new();
    for j in judged.iter().filter(|j| j.case.faults.len() < 2) {
        let truth = j.case.faults.first().map_or("healthy", |(c, _)| c.as_str());
        let first = match ranked(&j.diagnosis).first() {
            Some(first) => first,
            None => "not judgeable",
        };
        *rows.entry(truth).or_default().entry(first).or_default() += 1;
    }
    println!("\n| truth \\ first | {} |", names.join(" | "));
    println!("| --- |{}", " ---: |".repeat(names.len()));
    for (truth, row) in rows {
        let cells: Vec<String> = names
            .iter()
            .map(|n| row.get(n).map_or(String::new(), ToString::to_string))
            .collect();
        println!("| {truth} | {} |", cells.join(" | "));
    }
}

/// Of all causes given a probability, how often each was true.
fn calibration(judged: &[Judged<'_>]) {
    const EDGES: [f64; 9] = [0.02, 0.05, 0.1, 0.25, 0.5, 0.75, 0.9, 0.97, 1.01];
    let mut bins = vec![(0_usize, 0_usize, 0.0); EDGES.len()];
    for j in judged.iter().filter(|j| j.diagnosis.judgeable) {
        for finding in &j.diagnosis.findings {
            let name = finding.cause.text();
            let is_true = match name {
                "healthy" => j.case.faults.is_empty(),
                _ => j.case.faults.iter().any(|(c, _)| c == name),
            };
            let bin = EDGES.partition_point(|&edge| edge <= finding.probability);
            if let Some(entry) = bins.get_mut(bin) {
                entry.0 += usize::from(is_true);
                entry.1 += 1;
                entry.2 += finding.probability;
            }
        }
    }
    println!("\n| stated | mean stated | true | of | share |\n| --- | ---: | ---: | ---: | ---: |");
    let mut low = 0.0;
    for (edge, (true_, all, sum)) in EDGES.iter().zip(&bins) {
        if *all > 0 {
            println!(
                "| {low:.2} to {:.2} | {:.2} | {true_} | {all} | {:.2} |",
                edge.min(1.0),
                sum / *all as f64,
                *true_ as f64 / *all as f64
            );
        }
        low = *edge;
    }
}

/// Shifts by cause and severity, for the table of signatures.
fn print_shifts(judged: &[Judged<'_>]) {
    println!("\nmedian shift (low severity | high severity), and spread over healthy sets");
    let mut names: Vec<&str> = vec!["healthy"];
    names.extend(Cause::faults().map(Cause::text));
    for &feature in Feature::ALL {
        print!("{:<20}", feature.key());
        for name in &names {
            let of = |low: f64, high: f64| {
                let mut values: Vec<f64> = judged
                    .iter()
                    .filter(|j| match j.case.faults.as_slice() {
                        [] => *name == "healthy",
                        [(c, s)] => c == name && *s >= low && *s < high,
                        _ => false,
                    })
                    .filter_map(|j| {
                        let found = j.diagnosis.changes.iter().find(|c| c.feature == feature);
                        found.map(|c| c.shift)
                    })
                    .collect();
                values.sort_by(f64::total_cmp);
                values
            };
            let middle = |v: &[f64]| v.get(v.len() / 2).copied().unwrap_or(f64::NAN);
            if *name == "healthy" {
                let all = of(0.0, 2.0);
                let rms = (all.iter().map(|v| v * v).sum::<f64>() / all.len().max(1) as f64).sqrt();
                let most = all.iter().map(|v| v.abs()).fold(0.0, f64::max);
                print!(" h rms {rms:.3} max {most:.3};");
            } else {
                print!(
                    " {} {:+.2}|{:+.2};",
                    &name[..name.len().min(6)],
                    middle(&of(0.0, 0.65)),
                    middle(&of(0.65, 2.0))
                );
            }
        }
        println!();
    }
}
