//! `check` on simulated drives: what it says of sound and of failing signals.

use std::fs;
use std::path::{Path, PathBuf};

use serde::Deserialize;
use tempfile::TempDir;

use crate::program::{Run, root, sample, slipwright};

#[derive(Debug, Deserialize)]
struct Checked {
    ready: bool,
    signals: Vec<Signal>,
    findings: Vec<Finding>,
    coupling_could_work: Option<bool>,
}

#[derive(Debug, Deserialize)]
struct Signal {
    role: String,
    state: String,
    rate_hz: Option<f64>,
    why: Option<String>,
}

#[derive(Debug, Deserialize)]
struct Finding {
    what: String,
    evidence: Vec<String>,
}

impl Checked {
    fn signal(&self, role: &str) -> &Signal {
        self.signals
            .iter()
            .find(|s| s.role == role)
            .unwrap_or_else(|| panic!("no {role} in {self:?}"))
    }

    fn has(&self, what: &str) -> bool {
        self.findings.iter().any(|f| f.what == what)
    }
}

/// A short drive with this fault; its folder.
fn drive(fault: &str) -> TempDir {
    let folder = tempfile::tempdir().unwrap();
    let scenario = folder.path().join("scenario.toml");
    fs::write(
        &scenario,
        format!(
            "name = \"d\"\nseed = 31\n[bus]\nload_percent = 1\n[campaign]\ndrives = 1\nlaunches = 2\n\
             tip_ins = 2\nturn_ins = 0\ncoasts = 1\nsurfaces = [\"gravel\"]\n{fault}"
        ),
    )
    .unwrap();
    let run = slipwright([
        "simulate".as_ref(),
        scenario.as_os_str(),
        "--out".as_ref(),
        folder.path().as_os_str(),
    ]);
    assert_eq!((run.code, run.err.as_str()), (0, ""));
    folder
}

fn check(capture: &Path, vehicle: &Path) -> Run {
    slipwright([
        "check".as_ref(),
        capture.as_os_str(),
        "--vehicle".as_ref(),
        vehicle.as_os_str(),
        "--json".as_ref(),
    ])
}

fn checked(fault: &str, code: i32) -> Checked {
    let folder = drive(fault);
    let run = check(
        &folder.path().join("d-1.pcapng"),
        &folder.path().join("vehicle.toml"),
    );
    assert_eq!((run.code, run.err.as_str()), (code, ""), "{}", run.out);
    run.json()
}

fn wiring(form: &str, share: f64) -> String {
    format!("[[fault]]\ncause = \"inhibited_or_wiring\"\nform = \"{form}\"\nseverity = {share}\n")
}

#[test]
fn a_sound_drive_is_ready() {
    let run = check(&sample("after/after-1.pcapng.zst"), &sample("vehicle.toml"));
    assert_eq!((run.code, run.err.as_str()), (0, ""));
    let checked: Checked = run.json();
    assert!(checked.ready);
    assert_eq!(checked.coupling_could_work, Some(true));
    for signal in &checked.signals {
        assert_eq!((signal.state.as_str(), &signal.why), ("alive", &None));
    }
    let rate = checked.signal("coupling.pressure").rate_hz.unwrap();
    assert!((rate - 100.0).abs() < 1.0, "{rate}");
}

#[test]
fn a_wheel_whose_wire_breaks_is_named() {
    let checked = checked(&wiring("wheel_wire", 0.3), 1);
    assert!(!checked.ready);
    assert_eq!(checked.signal("wheel_speed.rear_left").state, "invalid");
    assert_eq!(checked.signal("wheel_speed.rear_right").state, "alive");
    assert!(checked.has("wheel_sensor"), "{:?}", checked.findings);
}

#[test]
fn a_control_unit_that_falls_silent_takes_its_signals_along() {
    let checked = checked(&wiring("message_gaps", 0.4), 1);
    for role in ["coupling.pressure", "coupling.demand"] {
        assert_eq!(checked.signal(role).state, "stale", "{role}");
    }
    assert_eq!(checked.signal("wheel_speed.front_left").state, "alive");
    let unit = checked.findings.iter().find(|f| f.what == "control_unit");
    assert!(!unit.expect("it is placed").evidence.is_empty());
}

#[test]
fn a_message_that_repeats_itself_is_stale() {
    let checked = checked(&wiring("stale", 0.4), 1);
    let demand = checked.signal("coupling.demand");
    assert_eq!(demand.state, "stale");
    assert!(demand.rate_hz.unwrap() > 90.0, "it was sent all the time");
}

#[test]
fn an_inhibited_coupling_cannot_have_worked() {
    let all = checked(&wiring("inhibit", 1.0), 1);
    assert_eq!(all.coupling_could_work, Some(false));
    assert!(all.has("inhibited"), "{:?}", all.findings);
    let some = checked(&wiring("inhibit", 0.3), 1);
    assert!(!some.ready && some.has("inhibited"));
    assert_eq!(some.coupling_could_work, Some(true));
}

#[test]
fn a_fault_of_the_clutch_does_not_make_a_car_unready() {
    let worn = checked("[[fault]]\ncause = \"worn_lining\"\nseverity = 0.6\n", 0);
    assert!(worn.ready, "{worn:?}");
}

/// The decoder file asks for a frame that the car does not send.
#[test]
fn a_frame_that_never_comes_is_missing() {
    let folder = tempfile::tempdir().unwrap();
    let text = fs::read_to_string(sample("decoder.toml")).unwrap();
    assert!(text.contains("0x1C4"));
    fs::write(
        folder.path().join("decoder.toml"),
        text.replace("0x1C4", "0x1C5"),
    )
    .unwrap();
    fs::copy(sample("vehicle.toml"), folder.path().join("vehicle.toml")).unwrap();
    let run = check(
        &sample("after/after-1.pcapng.zst"),
        &folder.path().join("vehicle.toml"),
    );
    assert_eq!(run.code, 1);
    let checked: Checked = run.json();
    let pressure = checked.signal("coupling.pressure");
    assert_eq!(
        (pressure.state.as_str(), pressure.rate_hz),
        ("missing", None)
    );
    assert!(pressure.why.as_ref().unwrap().contains("0x1C5"));
    // Slip needs no pressure; a demand that the decoder file has must work for any measure.
    let vehicle = folder.path().join("vehicle.toml");
    let of_measures = |names: &str| {
        slipwright([
            "check".as_ref(),
            sample("after/after-1.pcapng.zst").as_os_str(),
            "--vehicle".as_ref(),
            vehicle.as_os_str(),
            "--measures".as_ref(),
            names.as_ref(),
        ])
    };
    let run = of_measures("peak_slip_mps");
    assert_eq!((run.code, run.err.as_str()), (1, ""));
    assert!(
        run.out.contains("coupling.demand is missing"),
        "{}",
        run.out
    );
    assert!(
        !run.out.contains("coupling.pressure is missing"),
        "{}",
        run.out
    );
    let unknown = of_measures("peak_slip_mps,no_such_measure");
    assert!(unknown.refused().contains("no_such_measure"));
}

#[test]
fn what_is_neither_a_capture_nor_a_bus_is_refused() {
    let vehicle = sample("vehicle.toml");
    for from in ["no-such.pcapng", "can99"] {
        let line = check(&PathBuf::from(from), &vehicle);
        let line = line.refused();
        assert!(line.contains(from), "{line}");
    }
    let run = slipwright([
        "check".as_ref(),
        sample("after/after-1.pcapng.zst").as_os_str(),
        "--vehicle".as_ref(),
        vehicle.as_os_str(),
        "--ask".as_ref(),
        root().join("sample-logs/decoder.toml").as_os_str(),
    ]);
    assert!(run.refused().contains("cannot be asked"));
}
