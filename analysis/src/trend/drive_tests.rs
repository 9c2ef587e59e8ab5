//! What the drives themselves are: on their way somewhere, on other tyres, copied.

use super::tests::{START_NS, WEEK_NS, dead_time, years};
use super::*;

/// Healthy drives that get worse themselves are no measure of a steady car.
#[test]
fn a_band_of_creeping_drives_says_so() {
    for seed in 600..620 {
        let trend = trend(years(30, seed, |week| 80.0 + 2.5 * week), Vec::new(), 8);
        let measure = dead_time(&trend);
        let band = measure.band.as_ref().unwrap();
        let (a_month, low, high) = band.drift.unwrap();
        assert!((low..=high).contains(&a_month) && low > 0.0, "{band:?}");
        // Eight weeks of it span 17 ms; the drives scatter by less than 3.
        assert!(band.high - band.low < 25.0, "{band:?}");
        assert_eq!(measure.state, State::Outside);
        assert!(
            trend.warnings[0].contains("is not that of a steady car"),
            "{:?}",
            trend.warnings
        );
    }
    // What gets better is worth a note, no warning.
    let better = trend(
        years(30, 620, |week| 80.0 - 2.5 * week.min(10.0)),
        Vec::new(),
        8,
    );
    assert_eq!(better.warnings, [""; 0]);
    assert!(
        better.notes[0].contains("not steady themselves: dead time falls"),
        "{:?}",
        better.notes
    );
    let steady = trend(years(30, 621, |_| 80.0), Vec::new(), 8);
    assert_eq!(dead_time(&steady).band.as_ref().unwrap().drift, None);
}

/// Other tyres change what rests on slip, and nobody shall take that for the clutch.
#[test]
fn what_other_tyres_change_is_no_finding() {
    let mut drives = years(30, 630, |_| 80.0);
    for (week, drive) in drives.iter_mut().enumerate() {
        let (ratio, work_j) = if week < 18 {
            (1.0, 2_000.0)
        } else {
            (1.014, 9_000.0)
        };
        let scatter = (week * 7 % 5) as f64;
        drive.summary.radius_ratios = [Some((ratio + 1e-4 * scatter, 2e-4)); 4];
        for engagement in &mut drive.summary.engagements {
            engagement.values[Measure::FrictionWork as usize] = Some(work_j + 20.0 * scatter);
        }
    }
    let work_of = |trend: &Trend| -> MeasureTrend {
        let of = |m: &&MeasureTrend| m.measure == Measure::FrictionWork;
        trend.measures.iter().find(of).unwrap().clone()
    };
    let told = trend(drives.clone(), Vec::new(), 8);
    let [change] = &told.tyre_changes[..] else {
        panic!("{:?}", told.tyre_changes)
    };
    assert_eq!(change.t_ns, START_NS + 18 * WEEK_NS);
    assert!(
        told.warnings[0].contains("Rolling radii"),
        "{:?}",
        told.warnings
    );
    assert!(
        told.warnings[0].contains("Friction work"),
        "{:?}",
        told.warnings
    );
    let work = work_of(&told);
    assert_eq!((work.state, work.warning), (State::Inside, None));
    assert_eq!(work.change_points, []);
    assert!(work.band.unwrap().low > 5_000.0);
    // What does not rest on the tyres is followed as ever.
    assert_eq!(dead_time(&told).since_ns, Some(START_NS));
    // Without the step of the radii the same work is a finding.
    for drive in &mut drives {
        drive.summary.radius_ratios = [Some((1.0, 2e-4)); 4];
    }
    let found = trend(drives, Vec::new(), 8);
    assert_eq!(
        (found.tyre_changes.len(), work_of(&found).state),
        (0, State::Outside)
    );
}

#[test]
fn copies_count_once_and_a_falling_odometer_is_told() {
    let drives = years(30, 640, |_| 80.0);
    let once = trend(drives.clone(), Vec::new(), 8);
    let mut copied = drives.clone();
    copied.extend(drives[3..5].iter().map(|drive| TrendDrive {
        name: format!("copy of {}", drive.name),
        ..drive.clone()
    }));
    let told = trend(copied, Vec::new(), 8);
    assert_eq!(told.measures, once.measures);
    assert_eq!(
        told.notes,
        [
            "week 3 holds the same drive as copy of week 3; it counts once",
            "week 4 holds the same drive as copy of week 4; it counts once"
        ]
    );
    let mut fallen = drives;
    fallen[20].odometer_km = Some(2_800.0);
    let told = trend(fallen, Vec::new(), 8);
    assert!(
        told.notes[0].contains("falls from 105700 km (week 19) to 2800 km (week 20)"),
        "{:?}",
        told.notes
    );
    let a_1000_km = |t: &Trend| dead_time(t).slope.as_ref().unwrap().per_1000_km.unwrap().0;
    assert!((a_1000_km(&told) - a_1000_km(&once)).abs() < 0.2);
}

/// Too few drives beside the healthy ones for a judgement, and yet it is plain where it goes.
#[test]
fn a_plain_course_of_few_drives_is_noted() {
    let few = trend(years(10, 650, |week| 80.0 + 3.0 * week), Vec::new(), 8);
    assert_eq!(dead_time(&few).state, State::Unknown);
    let is_plain = |n: &&String| n.starts_with("Dead time rises by") && n.contains("not judged");
    let note = few.notes.iter().find(is_plain);
    assert!(
        note.is_some_and(|n| n.ends_with("only 2 drives besides the healthy ones; 3 are needed.")),
        "{:?}",
        few.notes
    );
    let steady = trend(years(10, 651, |_| 80.0), Vec::new(), 8);
    assert_eq!(steady.notes, [""; 0]);
}
