//! Ready to test? Every signal that the chosen measures need, judged as it came; whether the
//! coupling was allowed to work at all; and where the wiring drops out.
//!
//! Stands beside the measures: takes the same signals, the watched [`Traffic`] and the decoder
//! file, and gives states and findings as values ([`assess`]). The diagnosis rests its judgement of
//! wiring on the same values.
//!
//! Limits in these files are common practice without a source unless a comment names one.

mod circumstances;
mod coupling_use;
mod dropouts;
mod exchanged;
mod needed;
mod plausible;
mod pressure_follows;
mod pressure_jumps;
mod signal_state;
mod silence;
mod sleep;
mod stuck;
mod supply;

use std::collections::BTreeSet;

use slipwright_decoders::decoder_file::DecoderFile;
use slipwright_decoders::frame::CanId;
use slipwright_decoders::role::Role;
use slipwright_decoders::signal::Signals;

pub use self::coupling_use::{CouldWork, CouplingUse};
use self::needed::{Needed, needed};
pub use self::needed::{SignalLine, signals};
pub(crate) use self::pressure_follows::mostly_without_pressure;
pub use self::signal_state::{SignalState, State};
use crate::drive::Drive;
use crate::kinematics::Kinematics;
use crate::measure::Measure;
use crate::measures::FrameSpan;
use crate::traffic_watch::Traffic;
use crate::vehicle::Vehicle;

/// What was recorded of a drive, or heard on a live bus.
#[derive(Clone, Copy, Debug)]
pub struct Recording<'a> {
    /// Decoded signals.
    pub signals: &'a Signals,
    /// Where they come from.
    pub described: &'a DecoderFile,
    /// Who was silent when.
    pub traffic: &'a Traffic,
    /// First and last frame.
    pub span: FrameSpan,
}

/// One thing that was found.
#[derive(Clone, Debug, PartialEq)]
pub struct ReadinessFinding {
    /// What, as one word for programs.
    pub what: &'static str,
    /// What it means, in a sentence or two.
    pub why: String,
    /// What it rests on.
    pub evidence: Vec<String>,
    /// Whether it stands in the way of a test.
    pub blocking: bool,
}

/// The answer.
#[derive(Clone, Debug, PartialEq)]
pub struct Readiness {
    /// Every needed signal is alive, and nothing stands in the way.
    pub ready: bool,
    /// The needed signals.
    pub signals: Vec<SignalState>,
    /// Other signals that the decoder file describes.
    pub others: Vec<SignalState>,
    /// What was found, the most important first.
    pub findings: Vec<ReadinessFinding>,
    /// Whether the coupling was called for, allowed to work, and did.
    pub coupling: CouplingUse,
    /// What a reader must know, in plain sentences.
    pub notes: Vec<String>,
}

impl Readiness {
    /// The state of a role, needed or not.
    #[must_use]
    pub fn signal(&self, role: Role) -> Option<&SignalState> {
        self.signals
            .iter()
            .chain(&self.others)
            .find(|s| s.role == role)
    }
}

/// Judges a recording. `chosen` are the measures that the test is for.
#[must_use]
pub fn assess(recording: &Recording<'_>, vehicle: &Vehicle, chosen: &[Measure]) -> Readiness {
    let drive = Drive::from_signals(recording.signals, vehicle);
    let kinematics = Kinematics::of(&drive, vehicle);
    assess_drive(recording, vehicle, chosen, &drive, &kinematics)
}

/// The same where drive and kinematics are known already.
#[must_use]
pub fn assess_drive(
    recording: &Recording<'_>,
    vehicle: &Vehicle,
    chosen: &[Measure],
    drive: &Drive,
    kinematics: &Kinematics,
) -> Readiness {
    let known = known(recording);
    let Needed { roles, mut notes } = needed(&known, chosen);
    let rolling = plausible::rolling_spans(drive);
    let sleep = sleep::Sleep::of(recording, drive);
    let mut states: Vec<SignalState> = Role::ALL
        .iter()
        .filter(|role| roles.contains(role) || known.contains(role))
        .map(|&role| signal_state::state_of(recording, role, &rolling, &sleep))
        .collect();
    let coupling =
        coupling_use::coupling_use(drive, kinematics, vehicle, recording.span.duration_s());
    let mut findings = coupling_use::findings(&coupling, drive);
    plausible::judge(drive, vehicle, &mut states, &mut findings);
    coupling_use::mark_stuck(&coupling, &mut states);
    let total_s = recording.span.duration_s().max(1e-3);
    pressure_jumps::judge(drive, vehicle, &mut states, total_s);
    stuck::judge(drive, &mut states, total_s);
    findings.extend(exchanged::finding(drive, vehicle));
    findings.extend(dropouts::findings(recording, drive, &states, &sleep));
    findings.extend(supply::findings(drive, &rolling));
    if recording.traffic.buses.iter().all(|bus| {
        !bus.ids.iter().any(|id| {
            recording
                .described
                .frames
                .iter()
                .any(|frame| frame.id == id.id)
        })
    }) {
        notes.push(
            "none of the frames that the decoder file describes was seen; check that it belongs to this car and bus"
                .into(),
        );
    }
    findings.sort_by_key(|finding| !finding.blocking);
    let (signals, others): (Vec<_>, Vec<_>) = states
        .into_iter()
        .partition(|state| roles.contains(&state.role));
    let alive = signals.iter().all(|state| state.state == State::Alive);
    Readiness {
        ready: alive && !findings.iter().any(|finding| finding.blocking),
        signals,
        others,
        findings,
        coupling,
        notes,
    }
}

/// The roles that the decoder file describes: those of its frames, and those that it asks for where
/// somebody did.
fn known(recording: &Recording<'_>) -> BTreeSet<Role> {
    let heard = |id: CanId| {
        let mut buses = recording.traffic.buses.iter();
        buses.any(|bus| bus.ids.iter().any(|heard| heard.id == id))
    };
    let requests = recording.described.requests.iter();
    let asked = requests.filter(|r| heard(r.request_id) || heard(r.response_id));
    let asked = asked.flat_map(|r| r.signals.iter().filter_map(|s| s.key.role()));
    recording
        .described
        .roles()
        .into_iter()
        .chain(asked)
        .collect()
}

#[cfg(test)]
mod tests;
