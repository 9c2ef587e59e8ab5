//! The screen as a person sees it.

use ratatui::Terminal;
use ratatui::backend::TestBackend;
use slipwright_analysis::engagement::Kind;
use slipwright_analysis::test_card::{Need, Tally};
use slipwright_logger::recorder::live::{BusStatus, DriveStatus, SignalStatus, Status};

use super::model::{Count, Model};
use super::screen;

/// What is seen of a model at a size.
fn seen(model: &Model, now_s: f64, (width, height): (u16, u16)) -> String {
    let mut terminal = Terminal::new(TestBackend::new(width, height)).unwrap();
    terminal
        .draw(|frame| screen::draw(frame, model, now_s))
        .unwrap();
    let buffer = terminal.backend().buffer();
    let lines: Vec<String> = (0..height)
        .map(|y| {
            let line: String = (0..width).map(|x| buffer[(x, y)].symbol()).collect();
            line.trim_end().to_owned()
        })
        .collect();
    lines.join("\n")
}

fn signal(role: &str, value: f64, unit: &str) -> SignalStatus {
    SignalStatus {
        role: role.to_owned(),
        value: Some(value),
        unit: unit.to_owned(),
        age_s: Some(0.01),
    }
}

fn status() -> Status {
    Status {
        state: "recording".to_owned(),
        out: "drives".to_owned(),
        drive: Some(DriveStatus {
            folder: "2024-05-14T080000Z".to_owned(),
            file: "001.pcapng".to_owned(),
            length_s: 754.3,
            frames: 1_234_567,
            marks: 3,
            ..DriveStatus::default()
        }),
        buses: vec![BusStatus {
            name: "can0".to_owned(),
            state: "up".to_owned(),
            rate_hz: 1_713.0,
            load_percent: Some(43.2),
            ..BusStatus::default()
        }],
        signals: vec![
            signal("wheel_speed.front_left", 31.42, "km/h"),
            signal("wheel_speed.front_right", 31.38, "km/h"),
            signal("wheel_speed.rear_left", 27.1, "km/h"),
            signal("wheel_speed.rear_right", 27.04, "km/h"),
            signal("coupling.demand", 62.0, "%"),
            signal("coupling.pressure", 18.34, "bar"),
            signal("engine.torque", 140.0, "Nm"),
        ],
        slip_mps: Some(1.204),
        disk_free_bytes: Some(42_000_000_000),
        disk_left_s: Some(180_000.0),
        ..Status::default()
    }
}

/// A model that saw slip rise over half a minute.
fn driven(status: &Status) -> Model {
    let mut model = Model::new(Need::default(), false, None);
    for i in 0..=300 {
        let slip = (f64::from(i - 200) * 0.012).max(0.0);
        let now = Status {
            slip_mps: status.slip_mps.map(|_| slip),
            ..status.clone()
        };
        model.take(now, f64::from(i) * 0.1);
    }
    model.count = Some(Count {
        drive: "2024-05-14T080000Z".to_owned(),
        tally: Ok(Tally {
            launches: 4,
            tip_ins: 2,
            turn_ins: 1,
            refused: vec![(
                Kind::Launch,
                "no engagement delay: no sample of coupling.pressure".to_owned(),
                1,
            )],
            has_coasted: false,
        }),
    });
    model
}

#[test]
fn a_drive_under_way() {
    insta::assert_snapshot!(seen(&driven(&status()), 30.0, (100, 24)));
}

#[test]
fn the_test_card() {
    let mut model = driven(&status());
    model.shows_card = true;
    insta::assert_snapshot!(seen(&model, 30.0, (100, 24)));
}

#[test]
fn trouble_is_told_in_words() {
    let mut troubled = status();
    troubled.buses[0].dropped = 12;
    troubled.buses[0].error_frames = 40;
    troubled.disk_left_s = Some(600.0);
    troubled.slip_mps = None;
    troubled.slip_why = Some("rear left wheel speed is 3.2 s old".to_owned());
    troubled.signals[2].age_s = Some(3.2);
    troubled.signals[5].value = None;
    troubled.signals[5].age_s = None;
    troubled.warnings = vec!["can0 is \u{1b}[31mback".to_owned()];
    let model = driven(&troubled);
    insta::assert_snapshot!(seen(&model, 30.0, (80, 24)));
    // Whatever is told, no control character reaches the terminal.
    assert!(!seen(&model, 30.0, (200, 50)).contains('\u{1b}'));
}

#[test]
fn a_recorder_that_falls_silent_is_told_of() {
    let mut model = driven(&status());
    model.fail("no recorder is running".to_owned());
    let shown = seen(&model, 35.0, (100, 24));
    assert!(
        shown.contains("no answer from the recorder for 5 s"),
        "{shown}"
    );
    assert!(shown.contains("no slip"), "{shown}");
    let mut never = Model::new(Need::default(), true, None);
    never.fail("no recorder is running".to_owned());
    let shown = seen(&never, 0.1, (80, 24));
    assert!(
        shown.contains("no recorder is running") && shown.contains("Ctrl-C ends"),
        "{shown}"
    );
}

/// No size of a terminal makes the view fail.
#[test]
fn any_size_can_be_drawn() {
    let mut model = driven(&status());
    for shows_card in [false, true] {
        model.shows_card = shows_card;
        for width in [1, 2, 7, 20, 40, 80, 200] {
            for height in [1, 2, 5, 10, 24, 60] {
                let _ = seen(&model, 30.0, (width, height));
            }
        }
    }
}
