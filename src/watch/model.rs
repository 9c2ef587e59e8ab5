//! What the view knows, and what it means in words.

use std::collections::VecDeque;

use slipwright_analysis::test_card::{Need, Tally};
use slipwright_decoders::role::Role;
use slipwright_logger::recorder::live::{SignalStatus, Status};

use super::strip::SPAN_S;

/// Roles without which the comparison cannot judge slip and delay.
pub(super) const NEEDED: [Role; 6] = [
    Role::WheelSpeedFrontLeft,
    Role::WheelSpeedFrontRight,
    Role::WheelSpeedRearLeft,
    Role::WheelSpeedRearRight,
    Role::CouplingDemand,
    Role::CouplingPressure,
];
/// A value older than this says nothing of now, s.
const STALE_S: f64 = 1.0;
/// A recorder that says nothing for this long is told of, s.
const SILENT_S: f64 = 2.0;
/// Less disk than this is told of, s.
const LITTLE_DISK_S: f64 = 3_600.0;
/// The answer to a key stays this long, s.
const SAID_S: f64 = 6.0;
/// Warnings of the recorder itself that are shown, newest first.
const RECORDER_WARNINGS: usize = 2;

/// What the drive holds, as last counted.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Count {
    /// The drive's folder.
    pub(crate) drive: String,
    /// What it holds, or why that cannot be told.
    pub(crate) tally: Result<Tally, String>,
}

/// Everything that is drawn.
pub(super) struct Model {
    pub(super) status: Option<Status>,
    /// When the last answer came, s.
    answered_s: Option<f64>,
    /// Why none came, if so.
    failure: Option<String>,
    slip: VecDeque<(f64, Option<f64>)>,
    pub(super) need: Need,
    pub(super) count: Option<Count>,
    /// Why nothing is counted, where that is known from the start.
    pub(super) no_count: Option<String>,
    said: Option<(f64, String)>,
    pub(super) shows_card: bool,
    /// Whether the view belongs to a recorder that it was started with.
    pub(super) with_recorder: bool,
}

impl Model {
    pub(super) fn new(need: Need, with_recorder: bool, no_count: Option<String>) -> Self {
        Self {
            status: None,
            answered_s: None,
            failure: None,
            slip: VecDeque::new(),
            need,
            count: None,
            no_count,
            said: None,
            shows_card: false,
            with_recorder,
        }
    }

    /// The recorder answered.
    pub(super) fn take(&mut self, status: Status, now_s: f64) {
        self.slip.push_back((now_s, status.slip_mps));
        while self.slip.front().is_some_and(|(t, _)| now_s - t > SPAN_S) {
            self.slip.pop_front();
        }
        self.slip.make_contiguous();
        self.status = Some(status);
        self.answered_s = Some(now_s);
        self.failure = None;
    }

    /// The recorder did not answer.
    pub(super) fn fail(&mut self, why: String) {
        self.failure = Some(why);
    }

    /// Something to tell for a few seconds.
    pub(super) fn say(&mut self, text: String, now_s: f64) {
        self.said = Some((now_s, text));
    }

    pub(super) fn said(&self, now_s: f64) -> Option<&str> {
        let (at, text) = self.said.as_ref()?;
        (now_s - at < SAID_S).then_some(text)
    }

    pub(super) fn slip_samples(&self) -> &[(f64, Option<f64>)] {
        self.slip.as_slices().0
    }

    /// The tally, if it is of the drive that is on.
    pub(super) fn tally(&self) -> Option<&Result<Tally, String>> {
        let drive = self.status.as_ref()?.drive.as_ref()?;
        let count = self.count.as_ref()?;
        (count.drive == drive.folder).then_some(&count.tally)
    }

    pub(super) fn signal(&self, role: Role) -> Option<&SignalStatus> {
        let signals = &self.status.as_ref()?.signals;
        signals.iter().find(|s| s.role == role.text())
    }

    /// Whether what is drawn is of now.
    pub(super) fn is_live(&self, now_s: f64) -> bool {
        self.answered_s.is_some_and(|at| now_s - at < SILENT_S)
    }

    /// What a person must know, the gravest first, each as one sentence.
    pub(super) fn warnings(&self, now_s: f64) -> Vec<String> {
        let mut warnings = Vec::new();
        match (&self.failure, self.answered_s) {
            (Some(why), None) => warnings.push(why.clone()),
            (_, None) => {}
            (failure, Some(at)) if now_s - at >= SILENT_S => {
                let why = failure.as_deref().unwrap_or("it may have stopped");
                warnings.push(format!(
                    "no answer from the recorder for {:.0} s, the values below are old: {why}",
                    now_s - at
                ));
            }
            _ => {}
        }
        let Some(status) = &self.status else {
            return warnings;
        };
        if status.drive.is_none() {
            warnings.push("nothing is being recorded: no bus is awake".to_owned());
        }
        for bus in &status.buses {
            if bus.state != "up" {
                warnings.push(format!("{} is {}", bus.name, bus.state));
            }
            if bus.dropped > 0 {
                warnings.push(format!(
                    "{} lost {} frames: this drive proves nothing about timing",
                    bus.name, bus.dropped
                ));
            }
            if bus.error_frames > 0 {
                warnings.push(format!(
                    "{} has {} error frames: check bit rate and wiring",
                    bus.name, bus.error_frames
                ));
            }
        }
        if self
            .signal(Role::CouplingInhibited)
            .is_some_and(|s| s.value.is_some_and(|v| v >= 0.5))
        {
            warnings.push(
                "the control unit holds the coupling off: what is driven now proves nothing"
                    .to_owned(),
            );
        }
        if status.drive.is_some() && !status.signals.is_empty() {
            for role in NEEDED {
                if let Some(word) = self.signal(role).map(word).filter(|word| word != "alive") {
                    warnings.push(format!("{}: {word}", role.label()));
                }
            }
        }
        if let Some(left) = status.disk_left_s.filter(|left| *left < LITTLE_DISK_S) {
            warnings.push(format!("the disk is full in {:.0} min", left / 60.0));
        }
        let own = status.warnings.iter().rev().take(RECORDER_WARNINGS);
        warnings.extend(own.map(|text| format!("recorder: {text}")));
        warnings
    }
}

/// How a signal is, in a word or two.
pub(super) fn word(signal: &SignalStatus) -> String {
    match (signal.value, signal.age_s) {
        (Some(_), Some(age)) if age <= STALE_S => "alive".to_owned(),
        (Some(_), Some(age)) => format!("stale, {age:.0} s old"),
        _ => "not seen".to_owned(),
    }
}
