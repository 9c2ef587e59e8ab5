use super::*;
use crate::diagnosis::{Feature, NotJudged};
use crate::report::page_charts::page_charts;
use crate::report::tests::drives;
use crate::report::well_made::check_page;

fn change(feature: Feature, was: f64, shift: f64, u: f64) -> Change {
    Change {
        feature,
        shift,
        u,
        freedom: 8.0,
        now: was + shift,
        was,
        against: crate::diagnosis::Against::Baseline,
        at_most: false,
    }
}

fn finding(cause: Cause, probability: f64) -> Finding {
    Finding {
        cause,
        probability,
        evidence: vec![
            Evidence::new(Speaks::For, "rise time 120 ms, 60 ms in the healthy drives"),
            Evidence::new(Speaks::Against, "hold"),
            Evidence::new(Speaks::Neither, "something else"),
        ],
        next_check: cause.next_check().to_owned(),
    }
}

fn slow() -> Diagnosis {
    Diagnosis {
        judgeable: true,
        why: "judged against 4 healthy drives of this car".to_owned(),
        findings: vec![
            finding(Cause::WeakPump, 0.871),
            finding(Cause::AeratedFluid, 0.06),
        ],
        not_judged: vec![NotJudged {
            cause: Cause::TyreMismatch,
            why: "no coasting".to_owned(),
        }],
        changes: vec![
            change(Feature::RiseTime, 60f64.ln(), 2f64.ln(), 0.03),
            change(Feature::Hold, -0.2, -0.1, 0.2),
            change(Feature::TyreRatio, 0.0, f64::NAN, 0.0),
            change(Feature::DeadTime, 40f64.ln(), 0.1, 0.02),
        ],
        wiring_sign: false,
        warnings: Vec::new(),
    }
}

fn page(diagnosis: &Diagnosis, notes: &DiagnosisNotes) -> String {
    let made = drives::improved(5);
    diagnosis_report(diagnosis, &made.before, &made.after, &made.vehicle, notes)
}

/// The places of words in a page, which must follow each other.
fn in_order(page: &str, words: &[&str]) {
    let mut from = 0;
    for word in words {
        let at = page[from..].find(word);
        from += at.unwrap_or_else(|| panic!("{word} is not where it belongs"));
    }
}

#[test]
fn the_verdict_comes_first_and_everything_follows() {
    let page = page(&slow(), &DiagnosisNotes::default());
    check_page(&page);
    in_order(
        &page,
        &[
            "Most probable: weak pump, 87\u{a0}%.",
            "Judged against 4 healthy drives of this car.",
            "4 drives with",
            "beside 4 healthy drives",
            "Look at this next",
            "Measure supply voltage",
            "What stands out most",
            "Rise time",
            "healthy drives",
            "+100\u{a0}% (+88\u{a0}% to +110\u{a0}%)",
            "could not be judged",
            "Cautions",
            "<svg",
            "Weak pump: 87\u{a0}%",
            "For it",
            "Rise time 120 ms, 60 ms in the healthy drives.",
            "Against it",
            "Something else.",
            "Next check",
            "Low or aerated fluid: 6\u{a0}%",
            "Every change",
            "Front and rear tyres differ",
            "no coasting",
            "Drive 1",
            "Healthy 4",
            "Begins",
        ],
    );
    assert_eq!(page_charts(&page).len(), 4);
}

#[test]
fn what_cannot_be_judged_is_said_so() {
    let blocked = Diagnosis {
        judgeable: false,
        why: "the coupling cannot have worked".to_owned(),
        findings: Vec::new(),
        not_judged: Vec::new(),
        changes: Vec::new(),
        wiring_sign: true,
        warnings: Vec::new(),
    };
    let page = diagnosis_report(
        &blocked,
        &[],
        &[],
        &Vehicle::default(),
        &DiagnosisNotes::default(),
    );
    check_page(&page);
    in_order(
        &page,
        &[
            "The clutch cannot be judged",
            "cannot have worked",
            "healthy days",
        ],
    );
}

#[test]
fn a_healthy_car_is_told_so_and_nothing_is_certain() {
    let mut healthy = slow();
    healthy.findings = vec![finding(Cause::Healthy, 1.0)];
    assert!(page(&healthy, &DiagnosisNotes::default()).contains("Healthy, over 99\u{a0}%."));
}

#[test]
fn what_others_wrote_is_shown_literally() {
    let hostile = "<script>alert(1)</script>\u{202e}";
    let notes = DiagnosisNotes {
        made: Some(hostile.to_owned()),
        warnings: vec![hostile.to_owned()],
        ..DiagnosisNotes::default()
    };
    let mut diagnosis = slow();
    diagnosis.why = hostile.to_owned();
    diagnosis.findings[0].evidence = vec![
        Evidence::new(Speaks::For, hostile),
        Evidence::new(Speaks::Neither, hostile),
    ];
    diagnosis.not_judged[0].why = hostile.to_owned();
    let page = page(&diagnosis, &notes);
    check_page(&page);
    assert!(!page.contains("<script") && !page.contains('\u{202e}'));
    assert_eq!(page.matches("&lt;script&gt;alert(1)").count(), 6);
}
