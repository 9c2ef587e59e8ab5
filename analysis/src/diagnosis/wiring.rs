//! What is known of demand, messages and wires, as shares of the time: if the coupling is not asked
//! to work, or its signals fail, nothing can be said of the clutch.

use serde::{Deserialize, Serialize};
use slipwright_decoders::role::Role;

use crate::readiness::{CouldWork, Readiness, State};
use crate::statistics::binomial::binomial_tail;

/// What is known of one drive.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Wiring {
    /// The coupling cannot have worked at all, and why.
    pub could_not_work: Option<String>,
    /// Share of the time in which the control unit held it open.
    pub inhibited_share: f64,
    /// Calls of the driver, and those that demand did not answer.
    pub calls: usize,
    /// See `calls`.
    pub unanswered: usize,
    /// Largest share of the time in which a wheel speed told no measurement while rolling.
    pub wheel_share: f64,
    /// Share of the time in which the coupling's own signals were away.
    pub lost_share: f64,
    /// Share of the time in which its message repeated itself.
    pub frozen_share: f64,
    /// Share of the time in which its signals were invalid.
    pub invalid_share: f64,
    /// Demands that stood at a clear level for long enough to show whether pressure follows.
    #[serde(default)]
    pub demands: usize,
    /// Those that pressure did not follow at all.
    #[serde(default)]
    pub without_pressure: usize,
    /// Signals of the coupling that the decoder file describes and that never came.
    pub absent: Vec<String>,
    /// Sentences for the evidence.
    pub evidence: Vec<String>,
}

/// What demand, messages and wires gave.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum WiringSign {
    /// Nothing.
    None,
    /// The control unit held the coupling open for a part of the time and said so: a fault, or heat.
    HeldOpen,
    /// Something fails.
    Fails,
}

impl WiringSign {
    /// The sign of a set of drives; `healthy` are those of the same car that it is judged against.
    #[must_use]
    pub fn of(drives: &[&Wiring], healthy: &[&Wiring]) -> Self {
        /// Such a share of a drive is no chance.
        const SHARE: f64 = 0.004;
        /// Held open for longer, no heat explains it.
        const MOST_HELD_OPEN: f64 = 0.4;
        let fails = |w: &Wiring| {
            w.could_not_work.is_some()
                || !w.absent.is_empty()
                || w.failing_share() > SHARE
                || w.inhibited_share > MOST_HELD_OPEN
                || w.unanswered >= 2 && w.unanswered_share() > 0.25
        };
        if drives.iter().any(|w| fails(w)) || pressure_stays_away(drives, healthy) {
            Self::Fails
        } else if drives.iter().any(|w| w.inhibited_share > SHARE) {
            Self::HeldOpen
        } else {
            Self::None
        }
    }
}

/// Whether pressure stays away from more demands than chance explains, by what the healthy drives had of
/// such demands; of any car one in a hundred may be.
fn pressure_stays_away(drives: &[&Wiring], healthy: &[&Wiring]) -> bool {
    const USUAL: f64 = 0.01;
    const CHANCE: f64 = 0.01;
    let (demands, without) = without_pressure(drives);
    let (usual_demands, usual_without) = without_pressure(healthy);
    let usual = usual_without as f64 / usual_demands.max(1) as f64;
    without >= 2 && binomial_tail(demands, without, usual.max(USUAL)) < CHANCE
}

/// Demands of all drives, and those that pressure did not follow.
pub(super) fn without_pressure(drives: &[&Wiring]) -> (usize, usize) {
    let demands = drives.iter().map(|w| w.demands).sum();
    (demands, drives.iter().map(|w| w.without_pressure).sum())
}

impl Wiring {
    /// From the judgement of the drive's signals.
    #[must_use]
    pub fn of(readiness: &Readiness) -> Self {
        let use_ = &readiness.coupling;
        let mut wiring = Self {
            could_not_work: (use_.could_work == CouldWork::No).then(|| use_.why.clone()),
            inhibited_share: use_.inhibited_share.unwrap_or(0.0),
            calls: use_.calls,
            unanswered: use_.unanswered.unwrap_or(0),
            demands: use_.demands,
            without_pressure: use_.without_pressure.len(),
            evidence: use_.told_without_pressure().into_iter().collect(),
            ..Self::default()
        };
        for role in Role::WHEELS {
            if let Some(state) = readiness.signal(role)
                && state.state != State::Missing
            {
                wiring.wheel_share = wiring.wheel_share.max(state.unusable_share());
            }
        }
        for role in [Role::CouplingPressure, Role::CouplingDemand] {
            if let Some(state) = readiness.signal(role) {
                if state.state == State::Missing && state.described {
                    wiring.absent.push(role.text().to_owned());
                }
                wiring.lost_share = wiring.lost_share.max(state.lost_share);
                wiring.frozen_share = wiring.frozen_share.max(state.frozen_share);
                wiring.invalid_share = wiring.invalid_share.max(state.invalid_share);
            }
        }
        let blocking = readiness.findings.iter().filter(|f| f.blocking);
        // Those are told already, with fewer of them too.
        for finding in blocking.filter(|f| f.what != "no_pressure") {
            let first = finding.evidence.first().map_or("", String::as_str);
            wiring
                .evidence
                .push(format!("{}: {first}", finding.what.replace('_', " ")));
        }
        for state in readiness.signals.iter().filter(|s| s.state != State::Alive) {
            if let Some(why) = &state.why {
                wiring.evidence.push(format!("{}: {why}", state.role));
            }
        }
        wiring
    }

    /// Share of calls that demand did not answer.
    #[must_use]
    pub fn unanswered_share(&self) -> f64 {
        if self.calls == 0 {
            return 0.0;
        }
        self.unanswered as f64 / self.calls as f64
    }

    /// The largest of the shares in which a signal fails.
    #[must_use]
    pub fn failing_share(&self) -> f64 {
        [
            self.wheel_share,
            self.lost_share,
            self.frozen_share,
            self.invalid_share,
        ]
        .into_iter()
        .fold(0.0, f64::max)
    }
}
