//! What a drive must hold so that it counts in the comparison, and what it holds already.
//!
//! [`tally`] counts the engagements of a measured drive that a comparison can use; [`next`] says
//! which manoeuvre is wanted next. How many are needed comes from [`crate::plan`], or is the usual
//! [`Need::default`].

use crate::engagement::{Kind, Reference};
use crate::measure::Measure;
use crate::measures::{DriveMeasures, Engagement};

/// What one set of a campaign needs.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Need {
    /// Drives before the work, and as many after it.
    pub drives: usize,
    /// Launches in each drive.
    pub launches: usize,
    /// Tip-ins in each drive.
    pub tip_ins: usize,
    /// Accelerator position to drive them at, per cent, lowest and highest.
    pub accelerator_percent: Option<(f64, f64)>,
}

impl Default for Need {
    /// A campaign that finds 15 % of the delay nine times out of ten, by the calibration in
    /// [`crate::comparison`].
    fn default() -> Self {
        Self {
            drives: 3,
            launches: 6,
            tip_ins: 6,
            accelerator_percent: None,
        }
    }
}

/// What a drive holds.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Tally {
    /// Launches that count.
    pub launches: usize,
    /// Tip-ins that count.
    pub tip_ins: usize,
    /// Turn-ins that count; welcome, but none is needed.
    pub turn_ins: usize,
    /// Engagements that do not count: their kind, why, and how many.
    pub refused: Vec<(Kind, String, usize)>,
    /// Whether the rolling radii could be learnt from coasting.
    pub has_coasted: bool,
}

impl Tally {
    /// Counts of several captures of one drive.
    pub fn add(&mut self, other: Self) {
        self.launches += other.launches;
        self.tip_ins += other.tip_ins;
        self.turn_ins += other.turn_ins;
        self.has_coasted |= other.has_coasted;
        for (kind, why, n) in other.refused {
            self.refuse(kind, why, n);
        }
    }

    fn refuse(&mut self, kind: Kind, why: String, n: usize) {
        match self
            .refused
            .iter_mut()
            .find(|(k, w, _)| *k == kind && *w == why)
        {
            Some((_, _, count)) => *count += n,
            None => self.refused.push((kind, why, n)),
        }
    }
}

/// Counts what a drive holds.
#[must_use]
pub fn tally(drive: &DriveMeasures) -> Tally {
    let radius = &drive.radius_ratio;
    let mut tally = Tally {
        has_coasted: radius.front_left.is_ok() && radius.front_right.is_ok(),
        ..Tally::default()
    };
    for engagement in &drive.engagements {
        match usable(engagement) {
            Ok(()) => match engagement.kind {
                Kind::Launch => tally.launches += 1,
                Kind::TipIn => tally.tip_ins += 1,
                Kind::TurnIn => tally.turn_ins += 1,
            },
            Err(why) => tally.refuse(engagement.kind, why, 1),
        }
    }
    tally
}

/// Whether a comparison of slip and delay can use an engagement, or why not.
fn usable(engagement: &Engagement) -> Result<(), String> {
    let needs = match engagement.reference {
        Reference::Demand => [Measure::PeakSlip, Measure::EngagementDelay].as_slice(),
        Reference::Slip => [Measure::PeakSlip].as_slice(),
    };
    for &measure in needs {
        if let Some(why) = engagement.why_missing(measure) {
            return Err(format!("no {}: {why}", measure.label()));
        }
    }
    Ok(())
}

/// What is wanted next.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Manoeuvre {
    /// Pull away from rest.
    Launch,
    /// Press the accelerator while rolling.
    TipIn,
    /// Roll straight and gently, so that the tyres' radii can be learnt.
    Coast,
    /// The drive holds what it needs.
    Nothing,
}

impl Manoeuvre {
    /// What the driver does, in words for the passenger to read out.
    #[must_use]
    pub fn text(self, need: &Need) -> String {
        let accelerator = match need.accelerator_percent {
            Some((low, high)) => format!("accelerator {low:.0} to {high:.0} %"),
            None => "accelerator firm, the same every time".to_owned(),
        };
        match self {
            Self::Launch => format!("launch: from a full stop, straight ahead; {accelerator}; 3 s"),
            Self::TipIn => {
                format!(
                    "tip-in: rolling steadily, straight ahead, pressed at once; {accelerator}; 3 s"
                )
            }
            Self::Coast => {
                "coast: straight and level, no pedal, a minute in all at different speeds"
                    .to_owned()
            }
            Self::Nothing => "nothing: this drive holds what it needs".to_owned(),
        }
    }
}

/// Which manoeuvre a drive wants next: the one that is farthest from its number.
#[must_use]
pub fn next(need: &Need, tally: &Tally) -> Manoeuvre {
    let launches = need.launches.saturating_sub(tally.launches);
    let tip_ins = need.tip_ins.saturating_sub(tally.tip_ins);
    match (launches, tip_ins) {
        (0, 0) if tally.has_coasted => Manoeuvre::Nothing,
        (0, 0) => Manoeuvre::Coast,
        (launches, tip_ins) if launches >= tip_ins => Manoeuvre::Launch,
        _ => Manoeuvre::TipIn,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::measure::Missing;
    use crate::report::tests::drives;

    #[test]
    fn what_cannot_be_compared_is_not_counted() {
        let mut drive = drives::improved(3).before.swap_remove(0);
        let all = tally(&drive);
        assert_eq!((all.launches, all.tip_ins), (6, 6));
        assert!(all.refused.is_empty() && all.has_coasted);
        drive.engagements[0].measures[Measure::EngagementDelay as usize] = Err(Missing::NoHeldPart);
        drive.engagements[2].measures[Measure::EngagementDelay as usize] = Err(Missing::NoHeldPart);
        drive.engagements[3].reference = Reference::Slip;
        drive.engagements[3].measures[Measure::EngagementDelay as usize] = Err(Missing::NoHeldPart);
        let some = tally(&drive);
        assert_eq!((some.launches, some.tip_ins), (4, 6));
        assert_eq!(some.refused.len(), 1);
        assert_eq!(some.refused[0].2, 2);
        let mut twice = some.clone();
        twice.add(some);
        assert_eq!((twice.launches, twice.refused[0].2), (8, 4));
    }

    #[test]
    fn the_shortest_count_is_wanted_next() {
        let need = Need::default();
        let with = |launches, tip_ins, has_coasted| {
            let tally = Tally {
                launches,
                tip_ins,
                has_coasted,
                ..Tally::default()
            };
            next(&need, &tally)
        };
        assert_eq!(with(0, 0, false), Manoeuvre::Launch);
        assert_eq!(with(1, 0, false), Manoeuvre::TipIn);
        assert_eq!(with(6, 4, true), Manoeuvre::TipIn);
        assert_eq!(with(9, 6, false), Manoeuvre::Coast);
        assert_eq!(with(6, 7, true), Manoeuvre::Nothing);
    }
}
